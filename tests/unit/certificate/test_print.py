"""The page on paper, as a real browser prints it: results, evidence, every uncertainty; either
size. What a reader finds in the text of the print leads to each U that stands on it."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from fabricated_record import Phase, radial_record, record
from scipy.stats import t as student

from rig.certificate import page
from rig.certificate.seal import Record

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no browser here that prints without a screen"),
]


def print_page(file: Path, printed: Path, folder: Path) -> None:
    """Print a page with the browser."""
    assert BROWSER
    subprocess.run(
        [
            *(BROWSER, "--headless", "--no-sandbox", "--disable-gpu"),
            *("--disable-background-networking", f"--user-data-dir={folder / 'browser'}"),
            *(f"--print-to-pdf={printed}", "--no-pdf-header-footer", file.as_uri()),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )


SIZES = {"A4": (595, 842), "Letter": (612, 792)}
FOUND_AND_LEFT: tuple[Phase, ...] = ("as found", "as left")
TITLE = re.compile(r'<word xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)" .*>Ignition</word>')
READER = shutil.which("pdftotext")


def text_of(printed: Path, how: str) -> str:
    if READER is None:
        pytest.skip("no pdftotext here")
    told = subprocess.run([READER, how, str(printed), "-"], check=True, capture_output=True)
    return told.stdout.decode("utf-8")


def title_wide(printed: Path) -> float:
    """How wide a word of the title is on paper."""
    found = TITLE.search(text_of(printed, "-bbox"))
    assert found
    return float(found[2]) - float(found[1])


@pytest.fixture(scope="module")
def own_size(tmp_path_factory: pytest.TempPathFactory) -> float:
    """The same, of a page with little on it."""
    folder = tmp_path_factory.mktemp("one")
    file, printed = folder / "page.html", folder / "page.pdf"
    file.write_text(page.render(record(cylinders=1, units=("rear",))), "utf-8")
    print_page(file, printed, folder)
    return title_wide(printed)


@pytest.mark.parametrize(
    ("made", "size", "sheets"),
    [
        (record(n=12), "A4", 2),
        (record(n=12), "Letter", 2),
        (record(phases=FOUND_AND_LEFT, n=12), "A4", 2),
        (record(phases=FOUND_AND_LEFT, n=12), "Letter", 3),
        (radial_record(), "A4", 2),
        (radial_record(), "Letter", 2),
    ],
    ids=["found", "found, Letter", "left", "left, Letter", "radial", "radial, Letter"],
)
def test_two_units_of_many_cylinders_take_two_sheets(
    tmp_path: Path, own_size: float, made: Record, size: str, sheets: int
) -> None:
    """Nothing is wider than the paper: the browser would print all of it smaller."""
    file, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    drawn = page.render(made).replace("@page { margin", f"@page {{ size: {size}; margin")
    file.write_text(drawn, "utf-8")
    print_page(file, printed, tmp_path)
    data = printed.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == sheets
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert box
    assert (float(box[1]), float(box[2])) == pytest.approx(SIZES[size], abs=1.0)
    assert title_wide(printed) == pytest.approx(own_size, rel=1e-3)


def test_one_cylinder_takes_two_sheets_and_its_printed_text_gives_its_uncertainty(
    tmp_path: Path,
) -> None:
    """u, ν, k and U by JCGM 100:2008, 5.1.2, G.4.1 and Table G.2, from the text of the print."""
    file, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(page.render(record(cylinders=1, units=("rear",), n=6)), "utf-8")
    print_page(file, printed, tmp_path)
    assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) == 2
    lines = text_of(printed, "-layout").split("\n")
    top = next(n for n, line in enumerate(lines) if "rear, full retard, as found" in line)
    left = lines[top].index("rear, full retard")  # where the second column begins
    own = " ".join([lines[top - 1], *(line[:left] for line in lines[top : top + 3])])
    number = r"([0-9.]+)"
    part = rf"[^0-9]+ {number}"  # its name, whatever it is called, and its size
    found = re.fullmatch(
        rf"In every line:{part} \(ν {number}\),{part},{part},{part}"
        rf" rear, full advance, as found; in every line:{part}"
        rf" cyl\. s ν n u ν k U 1 {' '.join([number] * 7)}",
        " ".join(own.split()),
    )
    assert found, own
    tdc, nu_tdc, counting, graduation, play, run_out, s, nu_s, n, u, nu, k, U = map(
        float, found.groups()
    )
    parts = [s / math.sqrt(n), tdc, counting, graduation, run_out, play]
    assert math.hypot(*parts) == pytest.approx(u, rel=1e-3)
    slack = parts[0] ** 4 / nu_s + tdc**4 / nu_tdc
    assert u**4 / slack == pytest.approx(nu, rel=5e-3)
    assert float(student.ppf(0.975, math.floor(nu))) == pytest.approx(k, abs=6e-4)
    assert k * u == pytest.approx(U, abs=0.006)
