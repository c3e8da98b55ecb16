"""The small files of a job as somebody may write them: unit reports, predictions, gauge points."""

from __future__ import annotations

import atexit
import functools
import json
import shutil
import tempfile
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

from fuzzing import bounded, cases, spoilt, trees
from hypothesis import given
from hypothesis import strategies as st
from ran import run
from recorded import session

from rig.unit_bench import trend

CAPTURE = "20260514-090203.capture"
MEANS = """
[[adjustment.slot]]
unit = "upper"
radius_mm = 40
clockwise_mm = 9
anticlockwise_mm = 9
"""
EARLIER = "2026-05-14T09:00:00Z"


@functools.cache
def job() -> tuple[Path, dict[str, Any], dict[str, Any]]:
    """A job; a report of its unit as the program wrote it, and a prediction."""
    home = Path(tempfile.mkdtemp(prefix="fuzz-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    (home / "captures").mkdir()
    example = (resources.files("rig.job") / "example.toml").read_text("utf-8")
    (home / "engine.toml").write_text(example + MEANS, "utf-8")
    capture = home / "captures" / CAPTURE
    capture.write_bytes(session()[1])
    words = ("--counts-per-turn", 4096, "--lobes", 2, "--type", "M", "--save-in", home)
    assert run("bench", capture, *words, "--serial", "1") == 0
    assert run("adjust", home, "--take", 1) in (0, 1)
    (report,) = home.glob("*.json")
    report.rename(home / "sound.json")
    (prediction,) = (home / "predictions").glob("*.json")
    sheet = json.loads(prediction.read_bytes()) | {"made_utc": EARLIER}  # than the readings
    return home, json.loads((home / "sound.json").read_bytes()), sheet


def compared(data: bytes) -> None:
    """A report against a sound one, both ways; and a history that finds it."""
    home = job()[0]
    (home / "units").mkdir(exist_ok=True)
    path = home / "units" / "z.json"
    path.write_bytes(data)
    with bounded(data):
        run("bench", path, home / "sound.json")
        run("bench", home / "sound.json", path, "--json")
        trend.series(trend.read(home, []))


def confirmed(data: bytes) -> None:
    """A prediction, when the next reading is set beside it."""
    home = job()[0]
    (home / "z.json").write_bytes(data)
    with bounded(data):
        run("adjust", home, "--confirm", "--prediction", home / "z.json")


def gauged(data: bytes) -> None:
    home = job()[0]
    (home / "points.txt").write_bytes(data)
    with bounded(data):
        run("tdc", "gauge", home, home / "points.txt")


@cases(20)
@given(data=st.data())
def test_unit_reports_with_wrong_values(data: st.DataObject) -> None:
    compared(json.dumps(data.draw(spoilt(job()[1]))).encode())


@cases(10)
@given(data=st.data())
def test_predictions_with_wrong_values(data: st.DataObject) -> None:
    confirmed(json.dumps(data.draw(spoilt(job()[2]))).encode())


@cases(8)
@given(tree=trees, raw=st.binary(max_size=40))
def test_any_json_and_any_bytes(tree: Any, raw: bytes) -> None:
    _, report, prediction = job()
    compared(json.dumps(report | {"found": tree}).encode())
    compared(json.dumps(report | {"unit": tree}).encode())
    compared(json.dumps({"kind": "unit report", "found": tree}).encode() + raw)
    confirmed(json.dumps(prediction | {"predictions": [tree]}).encode())


figures = st.floats().map(str) | st.integers().map(str) | st.sampled_from(
    ["", "1,5", "-", "nan", "5/16", "1 3/8", "1/0", "lift_mm", "lift_in", "crank_deg", "9" * 5000,
     "#", ";", "\x1b[2J", "\u202e", "1e999", "0x1", "\ud800", "٣", "after_index_deg"]
)  # fmt: skip
rows = st.lists(st.tuples(figures, st.sampled_from([" ", ",", ";", "\t", ", "]), figures))


@cases(30)
@given(rows=rows, raw=st.binary(max_size=10))
def test_gauge_points_of_any_sort(rows: list[tuple[str, str, str]], raw: bytes) -> None:
    lines = ["# angle lift", *("".join(row) for row in rows)]
    gauged("\n".join(lines).encode("utf-8", "surrogatepass") + raw)


def guided(home: Path) -> tuple[st.SearchStrategy[Any], Callable[[Any], None]]:
    """For the long run by hand."""
    _, report, prediction = job()
    table = rows.map(lambda rows: "\n".join("".join(row) for row in rows))
    points = table.map(lambda text: (text.encode("utf-8", "replace"), gauged))
    one = spoilt(report).map(lambda tree: (json.dumps(tree).encode(), compared))
    two = spoilt(prediction).map(lambda tree: (json.dumps(tree).encode(), confirmed))
    return one | two | points, lambda case: case[1](case[0])
