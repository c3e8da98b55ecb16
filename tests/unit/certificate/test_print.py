"""The page on paper, as a real browser prints it: at most two sheets, either size."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from fabricated_record import Phase, record

from rig.certificate import page

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no browser here that prints without a screen"),
]


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("phases", [("as found",), ("as found", "as left")])
def test_two_units_of_four_cylinders_in_two_settings_take_two_sheets(
    tmp_path: Path, size: str, phases: tuple[Phase, ...]
) -> None:
    drawn = page.render(record(phases=phases, n=12))
    file, printed = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(drawn.replace("@page { margin", f"@page {{ size: {size}; margin"), "utf-8")
    assert BROWSER
    subprocess.run(
        [
            *(BROWSER, "--headless", "--no-sandbox", "--disable-gpu"),
            *("--disable-background-networking", f"--user-data-dir={tmp_path / 'browser'}"),
            *(f"--print-to-pdf={printed}", "--no-pdf-header-footer", file.as_uri()),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    data = printed.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 2
    wide, high = {"A4": (595, 842), "Letter": (612, 792)}[size]
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert box
    assert (float(box[1]), float(box[2])) == pytest.approx((wide, high), abs=1.0)
