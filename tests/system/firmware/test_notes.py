"""The notes for the builder: nothing that they point to is missing, what they draw can be seen."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from simulated_chip import NOTES

from rig.check.checks import judged
from rig.engine.engine_file import load_profile
from rig.session.session import signal_settings
from rig.signal.rig_statistics import statistics_of

PAGES = sorted(NOTES.glob("*.md"))
SHEETS = sorted((NOTES / "wiring").glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.name))
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        assert (page.parent / target).exists(), target


def test_files_named_in_commands_exist() -> None:
    text = "".join(page.read_text() for page in PAGES)
    named = set(re.findall(r"(?:firmware_notes|fixtures)/[\w./-]+\w", text))
    built = {name for name in named if "/build/" in name}
    assert len(named - built) > 5
    for name in named - built:
        assert (NOTES.parent / name).exists(), name


def test_what_the_script_makes_is_what_is_here(tmp_path: Path) -> None:
    """Sheets, parts list (here and in the page), and the board's files."""
    copy = tmp_path / "wiring"
    made = ("*.svg", "*.csv", "board")
    shutil.copytree(NOTES / "wiring", copy, ignore=shutil.ignore_patterns(*made))
    page = (NOTES / "wiring.md").read_text("utf-8")
    (tmp_path / "wiring.md").write_text(
        re.sub(r"\n\*\*Encoder and foot.*<!-- end", "<!-- end", page, flags=re.DOTALL), "utf-8"
    )
    subprocess.run([sys.executable, str(copy / "draw.py")], check=True)
    kinds = ("*.svg", "*.csv", "board/*")
    names = [path.relative_to(copy) for kind in kinds for path in sorted(copy.glob(kind))]
    here = [
        path.relative_to(NOTES / "wiring")
        for kind in kinds
        for path in sorted((NOTES / "wiring").glob(kind))
    ]
    assert names == here
    assert len(names) > 15
    for name in names:
        assert (NOTES / "wiring" / name).read_text("utf-8") == (copy / name).read_text("utf-8"), (
            name
        )
    assert (tmp_path / "wiring.md").read_text("utf-8") == page


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: str(sheet.name))
def test_drawing_is_one_legible_page(sheet: Path) -> None:
    root = ElementTree.parse(sheet).getroot()
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")  # A4 (ISO 216)
    texts = root.findall(f".//{SVG}text")
    assert len(texts) > 15
    for text in texts:
        size = float(text.get("font-size") or 0)
        assert (
            size >= 2.5
        )  # mm: the smallest lettering of technical drawings (ISO 3098, from memory)
        x, anchor = float(text.get("x") or 0), text.get("text-anchor")
        width = 0.53 * size * len(text.text or "")  # about, for a sans-serif face
        left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor or "start"]
        assert left > 5, text.text
        assert left + width < 292, text.text
        assert 8 < float(text.get("y") or 0) < 202


def test_warnings_come_first() -> None:
    page = (NOTES / "README.md").read_text()
    headings = re.findall(r"^## (.+)$", page, re.MULTILINE)
    assert headings[0].startswith("Warnings")
    first = page[: page.index("## What is where")]
    for word in ("live", "High voltage", "propeller", "flywheel", "plugs out", "earth", "manual"):
        assert word in first, word


@pytest.mark.parametrize("name", ["README.md", "first_light.md", "mounting.md"])
def test_a_live_magneto_and_the_trip_are_warned_of_before_the_crank_is_turned(name: str) -> None:
    """A magneto is live at ON and without its earth lead, and an impulse coupling trips
    (FAA-H-8083-32, chapter 4, from a public copy; US Army TM 10-4320-202-15)."""
    page = " ".join((NOTES / name).read_text("utf-8").split())
    live = re.search(r"live whenever its switch is ON.{1,14} its earth lead is off", page)
    trip = re.search(r"impulse coupling trips", page)
    assert live
    assert trip
    turns = re.search(r"[Tt]urn slowly through a turn|a whole turn reads|## What is where", page)
    assert turns
    assert max(live.start(), trip.start()) < turns.start()


def test_every_finding_has_a_remedy() -> None:
    """Causes of a restart, totals of the health record, trouble of the line, the rig check."""
    page = (NOTES / "problems.md").read_text()
    signs = [line.split("|")[1] for line in page.splitlines() if line.startswith("|")]

    def has(word: str) -> bool:
        return any(word in sign for sign in signs)

    for cause in (1, 2, 4, 8):
        assert has(f"`R` cause {cause}")
    for total in ("illegal", "edges", "lines", "supply"):
        assert has(f"`H` `{total}`")
    for kind in ("X", "P", "Z", "F"):
        assert has(f"`{kind}`") or has(f"{kind}")
    for trouble in (
        *("garbage", "half-line", "long-line", "checksum", "gap", "repeat"),
        *("unknown-kind", "protocol", "field", "clock", "encoder"),
    ):
        assert has(trouble), trouble
    profile = load_profile(NOTES.parent / "rig" / "job" / "example.toml")
    found = judged(statistics_of((), signal_settings(profile)), profile)
    names = [check.name for check in found.checks]
    assert len(names) > 8
    units = "|".join(re.escape(unit.name) for unit in profile.units)
    for name in names:
        assert has(re.sub(rf"\b({units})\b", "a unit", name)), name
    for more in ("switch of a unit", "input of a unit", "inputs ... and"):
        assert has(more)
