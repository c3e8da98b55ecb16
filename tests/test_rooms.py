"""The rooms of the package and the direction of imports between them."""

import ast
from pathlib import Path

from rig import FROM

ROOT = Path(__file__).parents[1] / "rig"

CORE = ("base", "wire", "pins", "signal", "engine", "tdc", "timing", "session", "job")
SERVICES = ("words", "plots", "guide")
NEEDS = ("check", "adjust", "unit_bench", "certificate", "history")
ORDER = (*CORE, *SERVICES)
MAY_IMPORT = {room: set(ORDER[:at]) for at, room in enumerate(ORDER)}
MAY_IMPORT |= {need: set(ORDER) for need in NEEDS}
MAY_IMPORT["history"] |= {"certificate"}
MAY_IMPORT["live"] = set(ORDER)
MAY_IMPORT["cli"] = {*ORDER, *NEEDS, "live", "virtual"}
MAY_IMPORT["virtual"] = {"base", "wire", "engine"}

POSIX_ONLY = {"termios", "tty", "pty", "fcntl", "resource", "grp", "pwd"}
BEHIND = {"live/terminal.py", "virtual/ports.py", "base/streams.py"}
"""The modules that may import what only POSIX has."""


def backwards() -> set[tuple[str, str]]:
    """Pairs of importing module and imported module that break the order of the rooms."""
    found = set()
    for path in ROOT.rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if len(parts) < 2 or parts[-1] == "__main__":
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path}: a relative import hides the room it goes to"
                names = [node.module or ""]
                if node.module == "rig":
                    face = [FROM.get(alias.name, f"rig.{alias.name}") for alias in node.names]
                    names = [name.partition(":")[0] for name in face]
                elif (ROOT / "/".join((node.module or "").split(".")[1:])).is_dir():
                    names = [f"{node.module}.{alias.name}" for alias in node.names]
            for name in names:
                if name.startswith("rig.") and name != "rig.__version__":
                    room = name.split(".")[1]
                    if room not in MAY_IMPORT[parts[0]] | {parts[0]}:
                        found.add(("/".join(parts), "/".join(name.split(".")[1:])))
    return found


def test_imports_run_one_way() -> None:
    assert backwards() == set()


def test_every_room_is_known() -> None:
    folders = {p.name for p in ROOT.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders == set(MAY_IMPORT)


def test_what_only_posix_has_stays_behind_one_interface() -> None:
    importers = set()
    for path in ROOT.rglob("*.py"):
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.Import) and {a.name for a in node.names} & POSIX_ONLY:
                importers.add(path.relative_to(ROOT).as_posix())
    assert importers <= BEHIND


def test_the_list_of_long_tests_names_tests_that_are_there() -> None:
    tests = Path(__file__).parent
    for line in (tests / "long_tests.txt").read_text("ascii").splitlines():
        file, _, name = line.partition("::")
        text = (tests.parent / file).read_text("utf-8")
        assert f"def {name.partition('[')[0]}(" in text, line
