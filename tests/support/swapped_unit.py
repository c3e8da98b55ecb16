"""An engine over six years whose upper unit was swapped, and that unit on another engine."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from made_job import MadeJob

VISITS = (
    # year, serial of upper, its opening against the first year's, degrees (earlier positive)
    (2018, "A1", 0.0),
    (2019, "A1", -0.3),
    (2020, "A1", -0.6),
    (2021, "B2", 0.5),
    (2022, "B2", 0.4),
    (2023, "B2", 0.3),
)


def visit(home: Path, name: str, year: int, serial: str, early_deg: float, engine: str) -> None:
    def edit(text: str) -> str:
        text = text.replace('serial = ""', 'serial = "417"', 1)
        text = text.replace("Launch engine (example)", engine)
        return text.replace('name = "upper"', f'name = "upper"\nserial = "{serial}"', 1)

    made = MadeJob(home / name, 9, began=datetime(year, 5, 3, 9, tzinfo=UTC), edit=edit)
    if early_deg:
        made.do(f"move upper {early_deg}")
    made.whole()
    made.save()


@functools.cache
def workshop() -> Path:
    """One engine over six years with a swapped unit, and the unit that left it on another."""
    home = Path(tempfile.mkdtemp(prefix="swapped-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    for year, serial, early in VISITS:
        visit(home, f"launch {year}", year, serial, early, "Launch engine")
    visit(home, "saw 2022", 2022, "A1", -1.5, "Saw bench engine")
    return home
