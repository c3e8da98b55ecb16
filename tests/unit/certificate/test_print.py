"""The page on paper, as a real browser prints it: results, evidence, every uncertainty; either
size. What a reader finds in the text of the print leads to each U that stands on it."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from fabricated_record import Phase, record
from scipy.stats import t as student

from rig.certificate import page

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


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("phases", [("as found",), ("as found", "as left")])
def test_two_units_of_four_cylinders_in_two_settings_take_three_sheets(
    tmp_path: Path, size: str, phases: tuple[Phase, ...]
) -> None:
    drawn = page.render(record(phases=phases, n=12))
    file, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(drawn.replace("@page { margin", f"@page {{ size: {size}; margin"), "utf-8")
    print_page(file, printed, tmp_path)
    data = printed.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 3
    wide, high = {"A4": (595, 842), "Letter": (612, 792)}[size]
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert box
    assert (float(box[1]), float(box[2])) == pytest.approx((wide, high), abs=1.0)


def test_one_cylinder_takes_two_sheets_and_its_printed_text_gives_its_uncertainty(
    tmp_path: Path,
) -> None:
    """u, ν, k and U by JCGM 100:2008, 5.1.2, G.4.1 and Table G.2, from the text of the print."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("no pdftotext here")
    file, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(page.render(record(cylinders=1, units=("rear",), n=6)), "utf-8")
    print_page(file, printed, tmp_path)
    assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) == 2
    told = subprocess.run(
        [reader, "-layout", str(printed), "-"], check=True, capture_output=True, text=True
    ).stdout
    lines = told.split("\n")
    top = next(n for n, line in enumerate(lines) if "rear, full retard, as found" in line)
    left = lines[top].index("rear, full retard")  # where the second column begins
    own = " ".join(" ".join(line[:left] for line in lines[top : top + 5]).split())
    number = r"([0-9.]+)"
    part = rf"[^0-9]+ {number}"  # its name, whatever it is called, and its size
    found = re.fullmatch(
        rf"rear, full advance, as found{part} \(ν {number}\),{part},{part},{part},{part}"
        rf" cyl\. s ν n u ν k U 1 {' '.join([number] * 7)}",
        own,
    )
    assert found, own
    tdc, nu_tdc, counting, graduation, run_out, play, s, nu_s, n, u, nu, k, U = map(
        float, found.groups()
    )
    parts = [s / math.sqrt(n), tdc, counting, graduation, run_out, play]
    assert math.hypot(*parts) == pytest.approx(u, rel=1e-3)
    slack = parts[0] ** 4 / nu_s + tdc**4 / nu_tdc
    assert u**4 / slack == pytest.approx(nu, rel=5e-3)
    assert float(student.ppf(0.975, math.floor(nu))) == pytest.approx(k, abs=6e-4)
    assert k * u == pytest.approx(U, abs=0.006)
