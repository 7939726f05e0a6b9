"""The import rules of the house: which part of the host may know which.

They are read from the source, so that an import inside a function counts as well.
"""

import ast
from pathlib import Path

import pytest

HOST = Path(__file__).parents[2] / "host" / "pitscribe"

# Each part may import itself and what stands here; errors.py is for all.
ALLOWED = {
    "errors": set(),
    "clock": set(),
    "private": set(),
    "listening": set(),
    "knocks": set(),
    "config": set(),
    "metrology": set(),
    "wire": set(),
    "ledger": {"wire", "clock"},
    "series": {"ledger", "wire", "metrology"},
    "cook": {"series", "metrology"},
    "intake": {"wire", "ledger", "clock", "private", "listening", "knocks"},
    "watch": {"cook", "series", "ledger", "clock"},
    "mirror": {"cook", "series", "ledger", "metrology", "clock"},
    "neighbours": {"watch", "cook", "wire", "clock", "private"},
    "page": {
        "report", "watch", "cook", "series", "ledger", "wire", "metrology", "clock", "private", "listening", "knocks",
    },
    "report": {"cook", "series", "ledger", "metrology"},
    "simulate": {"metrology", "wire"},
    "commands": {
        "cook", "series", "ledger", "wire", "metrology", "intake", "watch", "page", "report", "simulate",
        "mirror", "neighbours", "clock", "config", "private", "listening", "knocks",
    },
    "cli": {"commands", "config"},
}

# Parts that are functions of their arguments alone: nothing that reads, writes, waits or asks the time.
PURE = {"metrology", "wire", "cook"}
IMPURE_MODULES = {
    "asyncio", "concurrent", "ctypes", "glob", "http", "io", "logging", "mmap", "multiprocessing",
    "os", "pathlib", "random", "secrets", "select", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess",
    "tempfile", "threading", "time", "urllib", "uuid", "paho", "amqtt", "starlette", "uvicorn", "plotly",
}


def part_of(path: Path) -> str:
    relative = path.relative_to(HOST)
    return relative.parts[0].removesuffix(".py")


def imports_of(path: Path) -> list[tuple[int, str]]:
    """(line, dotted name) of every import in a module, relative ones made absolute."""
    found = []
    package = ["pitscribe", *path.relative_to(HOST).parts[:-1]]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, node.module] if node.module else base)
            # `from pitscribe import errors` names a module in its last word.
            found += [(node.lineno, f"{module}.{alias.name}") for alias in node.names]
    return found


MODULES = sorted(
    p for p in HOST.rglob("*.py") if "board" not in p.relative_to(HOST).parts and p.name != "__init__.py"
)  # board/ is MicroPython


def complaints(path: Path) -> list[str]:
    part, out = part_of(path), []
    for line, name in imports_of(path):
        words = name.split(".")
        if words[0] == "pitscribe":
            target = words[1] if len(words) > 1 else ""
            if target.startswith("__") or target in {"errors", part}:
                continue
            if target not in ALLOWED[part]:
                out.append(f"{path.relative_to(HOST)}:{line}: {part} may not import {name}")
        elif part in PURE and words[0] in IMPURE_MODULES:
            out.append(f"{path.relative_to(HOST)}:{line}: {part} is pure and may not import {name}")
    return out


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(HOST)))
def test_a_module_imports_only_what_its_part_may_know(path):
    assert part_of(path) in ALLOWED, f"{path} belongs to no part of the house: add it to DESIGN section 3 first"
    assert complaints(path) == []


def test_the_rule_sees_a_forbidden_import(tmp_path, monkeypatch):
    """The checker itself: a wire module that opens files and asks the ledger is caught twice."""
    bad = tmp_path / "wire" / "bad.py"
    bad.parent.mkdir()
    bad.write_text("def f():\n    from pathlib import Path\n    from pitscribe.ledger import ledger\n")
    monkeypatch.setattr(f"{__name__}.HOST", tmp_path)
    assert len(complaints(bad)) == 2
