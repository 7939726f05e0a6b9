"""What can be the address of a server, and what its name."""


def numeric(host):
    """Return whether ``host`` is an IPv4 address, in four decimal numbers."""
    parts = host.split(".")
    return len(parts) == 4 and all(p.isdigit() and len(p) <= 3 and int(p) < 256 for p in parts)


def is_name(host):
    """Return whether ``host`` can be looked up: labels of letters, digits, - and _, the last no number (RFC 1123)."""
    labels = host.split(".")
    for label in labels:
        if not 1 <= len(label) <= 63:
            return False
        for letter in label:
            if not ("a" <= letter.lower() <= "z" or "0" <= letter <= "9" or letter in "-_"):
                return False
    return not labels[-1].isdigit()
