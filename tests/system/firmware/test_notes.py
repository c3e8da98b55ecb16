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

from rig.check.checks import RigEvidence, check_rig
from rig.engine.engine_file import load_profile

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


def test_drawings_are_those_of_the_script(tmp_path: Path) -> None:
    copy = tmp_path / "wiring"
    shutil.copytree(NOTES / "wiring", copy, ignore=shutil.ignore_patterns("*.svg"))
    subprocess.run([sys.executable, str(copy / "draw.py")], check=True)
    assert [path.name for path in sorted(copy.glob("*.svg"))] == [path.name for path in SHEETS]
    for sheet in SHEETS:
        assert sheet.read_text() == (copy / sheet.name).read_text()


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


def test_cautions_come_first() -> None:
    page = (NOTES / "README.md").read_text()
    headings = re.findall(r"^## (.+)$", page, re.MULTILINE)
    assert headings[0].startswith("Cautions")
    first = page[: page.index("## What is where")]
    for word in ("live", "High voltage", "propeller", "flywheel", "plugs out", "earth", "manual"):
        assert word in first, word


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
    found = check_rig(RigEvidence(), profile.encoder, profile.units, profile.contacts)
    names = [check.name for check in found.checks]
    assert len(names) > 8
    units = "|".join(re.escape(unit.name) for unit in profile.units)
    for name in names:
        assert has(re.sub(rf"\b({units})\b", "a unit", name)), name
    for more in ("switch of a unit", "input of a unit", "inputs ... and"):
        assert has(more)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="no ngspice on this machine")
def test_front_ends_do_what_the_drawings_say() -> None:
    def values(name: str) -> dict[str, float]:
        path = str(NOTES / "wiring" / name)
        said = subprocess.run(["ngspice", "-b", path], capture_output=True, text=True, check=False)
        found = re.findall(r"^(\w+) += +(\S+)", said.stdout, re.MULTILINE)
        return {key: float(value) for key, value in found}

    plain = values("plain_sensing.cir")
    assert plain["closed_ma"] == pytest.approx(7.6, abs=0.1)
    assert plain["alone_seen_at"] - 1e-3 == pytest.approx(0.3e-6, abs=0.1e-6)
    assert plain["condenser_seen_at"] - 1e-3 == pytest.approx(0.17e-3, abs=0.01e-3)
    assert plain["primary_least_v"] < -400  # the kick is there
    assert plain["node_least_v"] > -1
    assert plain["node_peak_v"] < 19
    assert plain["led_peak_ma"] < 32
    winding = values("winding_sensing.cir")
    assert winding["closed_most_v"] < 0.01
    assert min(winding["open_both_least_v"], winding["open_alone_least_v"]) > 2
    for name in ("seen_both_at", "seen_alone_at", "seen_live_at"):
        assert 0 <= winding[name] - 1e-3 < 2.5e-6
    assert abs(winding["kick_least_v"]) < 14
