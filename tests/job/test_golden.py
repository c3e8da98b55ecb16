"""Golden figures: what a small capture came to once, it comes to again, whatever the libraries."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from golden import COMPARED, FIGURES, certify, copy_job

REL = 1e-12
"""What sums of a few hundred float64 may differ by from one library or processor to another; the
figures of numpy 1.26 with scipy 1.12 and of numpy 2.4 with scipy 1.17 were equal to the last bit.
"""


def same(golden: Any, found: Any, where: str) -> None:
    """Equal in shape, words and whole numbers; numbers to the last three of their digits."""
    if isinstance(golden, dict):
        assert golden.keys() == found.keys(), where
        for key, value in golden.items():
            same(value, found[key], f"{where}.{key}")
    elif isinstance(golden, list):
        assert len(golden) == len(found), where
        for i, (one, other) in enumerate(zip(golden, found, strict=True)):
            same(one, other, f"{where}[{i}]")
    elif isinstance(golden, float):
        assert math.isclose(golden, found, rel_tol=REL, abs_tol=REL), (where, golden, found)
    else:
        assert golden == found, where


def test_the_golden_figures_hold(tmp_path: Path) -> None:
    golden = json.loads(FIGURES.read_text("utf-8"))
    record = certify(copy_job(tmp_path / "job"))
    assert sum(j["n"] for j in golden["judgements"]) > 20
    for name in COMPARED:
        same(golden[name], record[name], name)


@pytest.mark.parametrize(
    ("path", "changed"),
    [
        (("judgements", 0, "mean_btdc"), lambda value: value * (1.0 + 3e-12)),
        (("reference", "uncertainty", "U_deg"), lambda value: value + 2e-12),
        (("judgements", 0, "words"), lambda value: value + "."),
        (("judgements", 0, "n"), lambda value: value + 1),
        (("readings", 0, "btdc_deg"), lambda value: value[:-1]),
    ],
)
def test_a_golden_figure_that_is_off_is_seen(path: tuple[str | int, ...], changed: Any) -> None:
    golden, found = (json.loads(FIGURES.read_text("utf-8")) for _ in range(2))
    within = found
    for step in path[:-1]:
        within = within[step]
    within[path[-1]] = changed(within[path[-1]])
    with pytest.raises(AssertionError):
        same(golden, found, "")
