"""A history over a thousand jobs, against reading the same files as JSON and no more.

Loading the program and scipy takes as long as reading two thousand certificates, and the lines go
through no more than the latest sixty: so what sixty take is taken off, and the rest compared.

pytest -m bench -s tests/job/test_history_speed.py
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_job import certificate_in, finished

from rig.certificate import record as certificate
from rig.certificate import seal
from rig.timing.drift import LATEST

pytestmark = [
    pytest.mark.bench,
    pytest.mark.skipif(sys.platform == "win32", reason="processor time of children is of POSIX"),
]

JOBS = 1000
TRIES = 3
MOST = 5.0  # 2.4 measured, 3.4 with --json; processor time doubles on a busy machine
LOAD = """
import glob, json, sys
for path in glob.glob(sys.argv[1] + "/*/certificates/*/*.json"):
    with open(path, "rb") as file:
        json.load(file)
"""


def jobs(home: Path) -> None:
    """A real certificate a thousand times over thirty years, each with its own date and seal."""
    record = certificate.load(certificate_in(finished().folder))
    for n in range(JOBS):
        when = datetime(1996, 3, 1, tzinfo=UTC) + timedelta(days=11 * n)
        utc = f"{when:%Y-%m-%dT%H:%M:%SZ}"
        name = f"{when:%Y%m%d-%H%M%S}-{n:06x}"
        dated = record | {
            "identification": name, "issued_utc": utc,
            "measured_from_utc": utc, "measured_until_utc": utc,
            "reference": record["reference"] | {"made_utc": utc},
        }  # fmt: skip
        folder = home / f"job-{n:04}" / "certificates" / name
        folder.mkdir(parents=True)
        (folder / f"{name}.json").write_bytes(seal.file_bytes(dated, b""))


def spent(*command: str) -> tuple[float, float]:
    """Processor time of a program, and how long it took: the least of a few tries, seconds."""
    import resource

    best = (float("inf"), float("inf"))
    for _ in range(TRIES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.monotonic()
        subprocess.run([sys.executable, *command], stdout=subprocess.DEVNULL, check=True)
        took = time.monotonic() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        best = min(best, (used, took))
    return best


def test_a_thousand_jobs(tmp_path: Path) -> None:
    jobs(tmp_path)
    load, load_s = spent("-c", LOAD, str(tmp_path))
    print(f"\n{JOBS} certificates as JSON: {load:.2f} s of processor ({load_s:.2f} s)")
    few = tmp_path / "few"
    few.mkdir()
    for n in range(LATEST):
        shutil.copytree(tmp_path / f"job-{n:04}", few / f"job-{n:04}")
    start, _ = spent("-m", "rig", "trend", str(few))
    shutil.rmtree(few)
    print(f"the first {LATEST}: {start:.2f} s of processor")
    for more in ([], ["--json"], ["--cylinders"]):
        used, took_s = spent("-m", "rig", "trend", str(tmp_path), *more)
        ratio = (used - start) / (load * (1.0 - LATEST / JOBS))
        print(
            f"rig trend {' '.join(more):<12}: {used:.2f} s of processor ({took_s:.2f} s), each"
            f" further one {ratio:.2f} times the JSON"
        )
        if "--cylinders" not in more:
            assert ratio <= MOST
