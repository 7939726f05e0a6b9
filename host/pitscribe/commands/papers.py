"""Writing a page to a file, for the commands that make one."""

import re
from pathlib import Path

from pitscribe.errors import ConfigError


def write_page(path: Path, page: str) -> str:
    """Write it, and tell how large it is: "12 KB". ConfigError where no such file can be; OSError for a full disk."""
    if path.is_dir():
        raise ConfigError(f"{path} is a folder; name a file in it: {path / 'cook.html'}")
    if not path.parent.is_dir():
        raise ConfigError(f"{path}: there is no folder {path.parent}; make it, or name another")
    path.write_text(page, encoding="utf-8")
    return f"{len(page.encode()) / 1024:.0f} KB"


def file_name(name: str) -> str:
    """A cook's name as one of a file: letters, digits and dashes alone, and no longer than a file's name may be."""
    kept = re.sub(r"[^\w]+", "-", name).strip("-_")[:80]
    return kept.encode()[:200].decode(errors="ignore") or "cook"
