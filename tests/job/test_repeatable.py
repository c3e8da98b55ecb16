"""The same capture and engine file give the same certificate, wherever and whenever.

Every case is the program itself, in a process of its own, on a copy of the golden job. What may
differ is the time of issue, and what follows from it: the name and the fingerprints.
"""

from __future__ import annotations

import functools
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from golden import copy_job

from rig import __version__

OF_THE_ISSUE = ("identification", "issued_utc", "seals")
FINGERPRINT_OF_RECORD = re.compile(r'(?<=class="print">)[0-9a-f <>br]{71,80}(?=</p>)')
MAIN = "import sys; from rig.cli.main import main; sys.exit(main(sys.argv[1:]))"

ANOTHER_ORDER = """
import os
asked = 0
def backwards(really):
    def listed(*args):
        global asked
        asked += 1
        found = really(*args)
        rest = sorted(found, key=lambda each: getattr(each, "name", each), reverse=True)
        return Listing(rest)
    return listed
class Listing(list):
    def __enter__(self): return self
    def __exit__(self, *why): return None
    def close(self): return None
os.listdir, os.scandir = backwards(os.listdir), backwards(os.scandir)
import atexit
atexit.register(lambda: asked or os._exit(99))
"""
ANOTHER_DAY = """
import datetime, time
class Later(datetime.datetime):
    @classmethod
    def now(cls, tz=None): return super().now(tz) + datetime.timedelta(days=4242.4)
    @classmethod
    def today(cls): return cls.now()
datetime.datetime = Later
really = time.time
time.time = lambda: really() + 4242.4 * 86400
"""
LOCALE_IN_FORCE = """
import locale
locale.setlocale(locale.LC_ALL, "")
assert locale.localeconv()["decimal_point"] == ",", locale.localeconv()
"""


def run(*words: str | Path, first: str = "", cwd: Path | None = None, **env: str) -> str:
    """``rig`` as a process of its own, with ``first`` carried out before; its standard output."""
    done = subprocess.run(
        [sys.executable, "-c", first + MAIN, *map(str, words)],
        capture_output=True, check=False, timeout=120, cwd=cwd, env={**os.environ, **env},
    )  # fmt: skip
    assert done.returncode in (0, 1), (done.returncode, done.stderr.decode())
    return done.stdout.decode("utf-8")


def certified(folder: Path, **how: Any) -> tuple[str, str]:
    """A certificate of the job: the text of its figures, and its page without the issue."""
    job = how.pop("job", folder)
    answer = json.loads(run("certify", job, "--json", **how))
    path = (how.get("cwd") or Path()) / answer["certificate"]
    record = json.loads(path.read_bytes())
    page = path.with_suffix(".html").read_text("utf-8")
    for name in OF_THE_ISSUE:
        page = page.replace(str(record.pop(name)), name)
    assert record["judgements"]
    return json.dumps(record, ensure_ascii=False), FINGERPRINT_OF_RECORD.sub("", page, 1)


@functools.cache
def usual() -> str:
    with tempfile.TemporaryDirectory() as home:
        return certified(copy_job(Path(home, "job")))[0]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return copy_job(tmp_path / "job")


def with_more_captures(job: Path) -> Path:
    """Other captures beside the golden one, older and newer, made in no order."""
    (golden,) = (job / "captures").glob("*.capture")
    for name in ("20260301-090000-2", "20270101-000000", "20250101-000000", "20260301-090000-10"):
        shutil.copy(golden, golden.with_name(f"{name}.capture"))
    return job


def locale_with_commas(folder: Path) -> dict[str, str]:
    """The environment of a locale with decimal commas, made in ``folder``; a skip where none can
    be made."""
    made = folder / "de_DE.UTF-8"
    words = ["localedef", "-i", "de_DE", "-f", "UTF-8", str(made)]
    if shutil.which("localedef"):
        subprocess.run(words, capture_output=True, check=False)
    if not (made / "LC_NUMERIC").exists():
        pytest.skip("this machine cannot make a locale with decimal commas")
    return {"LOCPATH": str(folder), "LC_ALL": made.name, "LANG": made.name}


def less_able_processor() -> dict[str, str]:
    """numpy takes another way through its loops for all that a processor can do: none of it."""
    found = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])
    return {"NPY_DISABLE_CPU_FEATURES": " ".join(found)}


@pytest.mark.slow
def test_elsewhere_on_another_day(job: Path, tmp_path: Path) -> None:
    """Day, files' times, zone, locale, order of listing, hashes, folder, processor: all at once."""
    for path in job.rglob("*"):
        os.utime(path, (1e9, 2e9))
    elsewhere = {
        "TZ": "Pacific/Kiritimati",
        "PYTHONHASHSEED": "1",
        **locale_with_commas(tmp_path),
        **less_able_processor(),
    }
    first = ANOTHER_DAY + ANOTHER_ORDER + LOCALE_IN_FORCE
    figures, _ = certified(job, first=first, cwd=job, job=".", **elsewhere)
    assert figures == usual()
    (made,) = (job / "certificates").iterdir()
    assert int(made.name[:4]) > 2036  # it was another day indeed


@pytest.mark.slow
def test_in_another_time_zone(job: Path) -> None:
    assert certified(job, TZ="XYZ+23:59")[0] == usual()


@pytest.mark.slow
def test_with_another_seed_of_hashes(job: Path) -> None:
    assert certified(job, PYTHONHASHSEED="4294967295")[0] == usual()


@pytest.mark.slow
def test_from_another_folder(job: Path) -> None:
    assert certified(job, cwd=Path("/"))[0] == usual()
    assert certified(job, cwd=job / "captures", job="..")[0] == usual()


@pytest.mark.slow
def test_on_a_processor_that_can_do_less(job: Path) -> None:
    assert certified(job, **less_able_processor())[0] == usual()


@pytest.mark.slow
def test_in_a_locale_with_decimal_commas(job: Path, tmp_path: Path) -> None:
    figures, page = certified(job, first=LOCALE_IN_FORCE, **locale_with_commas(tmp_path))
    assert figures == usual()
    issued = re.compile(r"\d\d-\d\d \d\d:\d\d UTC")  # the second is made later than the first
    assert issued.sub("", page) == issued.sub("", certified(job)[1])


@pytest.mark.slow
def test_files_listed_in_another_order(job: Path) -> None:
    with_more_captures(job)
    here, there = (run("results", job, "--json", first=first) for first in ("", ANOTHER_ORDER))
    assert here == there
    assert json.loads(here)["captures"] == [str(job / "captures/20270101-000000.capture")]
    assert certified(job)[0] == certified(job, first=ANOTHER_ORDER)[0]
    for folder in (job, job.parent):
        here, there = (run("trend", folder, "--json", first=first) for first in ("", ANOTHER_ORDER))
        assert here == there


@pytest.mark.slow
def test_a_figure_that_differs_is_seen(job: Path) -> None:
    """The comparison itself: a hundredth of a degree in the engine file shows."""
    text = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(text.replace("run_out_deg = 0.05", "run_out_deg = 0.06"))
    assert certified(job)[0] != usual()


def test_the_certificate_says_what_computed_it(job: Path) -> None:
    figures, page = certified(job)
    program = json.loads(figures)["program"]
    assert (program["name"], program["version"]) == ("timing-rig", __version__)
    assert program["python"] == sys.version.split()[0]
    for name in ("numpy", "scipy"):
        assert program["libraries"][name] == metadata.version(name)
        assert f"<bdi>{name}</bdi> <bdi>{metadata.version(name)}</bdi>" in page
