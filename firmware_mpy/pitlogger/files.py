"""Small files that must survive a power cut: written beside and put in place by rename, numbers with a CRC."""

import binascii
import os


def exists(path):
    """Return whether there is a file or a folder of this name."""
    try:
        os.stat(path)
    except OSError:
        return False
    return True


def replace(path, data):
    """Make ``data`` (bytes) the content of ``path``, or leave the file as it was. OSError if the flash fails."""
    beside = path + ".new"
    with open(beside, "wb") as f:
        f.write(data)
        f.flush()
    os.rename(beside, path)


def write_number(path, number):
    """Keep a number: decimal, a space, its CRC-32 in hex (WIRE.md section 4)."""
    text = str(number)
    replace(path, ("%s %08x" % (text, binascii.crc32(text.encode()))).encode())


def read_number(path):
    """Return the number kept in ``path``, or None if it is missing or damaged."""
    try:
        with open(path, "rb") as f:
            text, crc = f.read(32).decode().split(" ")
        if int(crc, 16) == binascii.crc32(text.encode()):
            return int(text)
    except (OSError, ValueError):
        pass
    return None


def remove(path):
    """Remove a file if it is there and can be removed."""
    try:
        os.remove(path)
    except OSError:
        pass
