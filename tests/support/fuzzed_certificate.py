"""A certificate with anything in it, its seals right, before every command that reads one."""

from __future__ import annotations

import atexit
import csv
import functools
import hashlib
import json
import math
import shutil
import tempfile
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import Any

from fuzzing import bounded
from page_reader import PageReader
from ran import run
from recorded import session

from rig.base.errors import InputError
from rig.certificate import page
from rig.certificate.issue import save_for_job
from rig.job.folder import Job
from rig.job.results import results_of

ENGINE = "Launch engine (example)"


@functools.cache
def job() -> tuple[Path, dict[str, Any]]:
    """A job with a certificate of a recorded session, and its record."""
    home = Path(tempfile.mkdtemp(prefix="fuzz-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    (home / "captures").mkdir()
    (home / "engine.toml").write_bytes((resources.files("rig.job") / "example.toml").read_bytes())
    capture = home / "captures" / "20260514-090203.capture"
    capture.write_bytes(session()[1])
    record_path, _ = save_for_job(Job(home), results_of(Job(home).profile, [capture]))
    data = record_path.read_bytes()
    record: dict[str, Any] = json.loads(data)
    assert sealed(record, page.render(record)) == data
    for name in ("a", "b"):
        (home / "certificates" / name).mkdir()
    (home / "certificates" / "b" / "b.json").write_bytes(data)
    return home, record


def sealed(record: Any, drawn: str = "") -> bytes:
    """A record's file with seals that hold, whatever the record is."""
    body = record
    if isinstance(record, dict):
        body = {name: value for name, value in record.items() if name != "seals"}
    text = json.dumps(body, indent=1).removesuffix("\n}") + ",\n"
    record_sha256 = hashlib.sha256(text.encode()).hexdigest()
    page_sha256 = hashlib.sha256(drawn.encode()).hexdigest()
    seals = {"record_sha256": record_sha256, "page_sha256": page_sha256}
    closing = json.dumps({"seals": seals}, indent=1).removeprefix("{\n") + "\n"
    return (text + closing).encode()


def read(tree: Any) -> None:
    """The page is drawn; verify, compare and history answer, or say in harmless words why not."""
    drawn = ""
    if isinstance(tree, dict):
        with suppress(InputError):
            drawn = page.render(tree)
            assert PageReader(drawn).faults == []
    written(sealed(tree, drawn), drawn)


def written(data: bytes, drawn: str) -> None:
    home = job()[0]
    file, sound = (home / "certificates" / name / f"{name}.json" for name in ("a", "b"))
    file.write_bytes(data)
    file.with_suffix(".html").write_text(drawn, "utf-8")
    with bounded(data):
        run("verify", file, "--all-checks")
        run("compare", file, sound)
        run("compare", sound, file, "--json")
        run("trend", home, "--csv", home / "all.csv", "--engine", ENGINE)
        no_formulas(home / "all.csv")


def no_formulas(path: Path) -> None:
    """A spreadsheet takes none of the texts for a formula (common practice, no source)."""
    with path.open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    for cell in cells:
        assert not cell.lstrip().startswith(("=", "+", "@")), cell
        assert not cell.startswith("-") or math.isfinite(float(cell)), cell
