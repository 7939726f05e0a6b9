"""Texts in the cells of a CSV: what a spreadsheet would take for a formula is written so that it does not.

A text that somebody typed may begin as a formula does, and a spreadsheet that opens the table runs it. So an apostrophe
goes before it (OWASP ASVS 5.0, 1.2.10), and also where a spreadsheet that goes by another separator would begin a cell.
Where there were apostrophes already there is one more, so that reading takes away what writing added, and no other.
"""

import re

_CELL = r"((?:^|[,;|\t])[ \"]*)"  # where a cell may begin, whichever sign parts them
_FORMULA = r"(?='*[=+\-@\t\r\n\0])"
_BARE = re.compile(_CELL + _FORMULA)
_GUARDED = re.compile(f"{_CELL}'{_FORMULA}")


def guarded(text: str) -> str:
    """The text as it is written into a cell. ``unguarded`` gives it back."""
    return _BARE.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """The text that a cell of ours, or one written by the same custom, stands for."""
    return _GUARDED.sub(r"\1", text)


def quoted(text: str) -> str:
    """A text as a cell: in quotation marks, those within doubled, unless it is plain (RFC 4180, section 2, 6 and 7)."""
    if re.fullmatch(r"[\w .\[\]()/&+-]*", text) and text == text.strip():
        return text
    return '"' + text.replace('"', '""') + '"'
