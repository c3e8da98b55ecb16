"""Imports between rooms run one way."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "rig"

MAY_IMPORT = {
    "faults": set(),
    "files": set(),
    "counted": set(),
    "wire": {"faults", "files"},
    "signal": {"faults", "wire"},
    "engine": {"faults", "files"},
    "timing": {"faults", "engine", "signal"},
    "session": {"faults", "wire", "signal", "engine", "timing"},
    "record": {"faults", "files", "engine", "timing"},
    "screen": {"faults", "engine", "timing"},
    "virtual": {"faults", "wire", "engine"},
    "job": {"faults", "files", "wire", "signal", "engine", "timing", "session", "record"},
    "command": {
        "faults", "files", "wire", "signal", "engine", "timing", "session", "record", "job",
        "screen", "virtual",
    },
}  # fmt: skip


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides the room it goes to"
            names = [node.module or ""]
            if node.module == "rig":
                names = [f"rig.{alias.name}" for alias in node.names]
        rooms |= {name.split(".")[1] for name in names if name.startswith("rig.")}
    return rooms


FILES = sorted(p for p in ROOT.rglob("*.py") if p.name not in ("__init__.py", "__main__.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_run_one_way(path: Path) -> None:
    room = room_of(path)
    allowed = MAY_IMPORT[room] | {room, "counted", "__version__"}
    assert imported(path) <= allowed


def test_every_room_is_known() -> None:
    folders = {p.name for p in ROOT.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders <= set(MAY_IMPORT)


def test_no_file_has_outgrown_its_room() -> None:
    lengths = {p: len(p.read_text("utf-8").splitlines()) for p in ROOT.rglob("*.py")}
    assert {p.name: n for p, n in lengths.items() if n > 400} == {}


POSIX_ONLY = {"termios", "tty", "pty", "fcntl", "resource", "grp", "pwd"}
DOORS = {"screen/keys.py", "virtual/pty_door.py"}


def test_posix_stays_behind_its_doors() -> None:
    for path in ROOT.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        names = {
            alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names
        }
        if path.relative_to(ROOT).as_posix() not in DOORS:
            assert not names & POSIX_ONLY, path
