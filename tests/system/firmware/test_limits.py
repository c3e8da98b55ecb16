"""The limits that the notes state, measured anew by the command that they give."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from typing import Any

import pytest
from simulated_chip import NOTES, Chip, first_chip, second_chip

__all__ = ["first_chip", "second_chip"]

pytestmark = pytest.mark.slow


def measured(board: str) -> dict[str, Any]:
    """By the command of the page; its figures are those on the page."""
    command = [sys.executable, str(NOTES / "simulator" / "measure.py"), "--json", "--board", board]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, Any] = json.loads(done.stdout)
    blocks = re.findall(r"```json\n(.*?)```", (NOTES / "limits.md").read_text(), re.DOTALL)
    _agree(json.loads(blocks[board == "rp2040"]), figures, "")
    return figures


def test_measured_limits(first_chip: Chip) -> None:
    """The aims: 20,000 counts a second with 40 contact edges in 3 ms; times within 5 us at rest
    and 20 us at worst; turning by hand in under half of the line.
    """
    figures = measured(first_chip.board)
    assert figures["fastest_counts_per_s"]["with chatter"] >= 20_000
    errors = figures["time_error"]
    assert errors["at rest, single edges"]["worst_us"] <= 5
    assert all(error["worst_us"] <= 20 for error in errors.values())
    loads = figures["line_load"]
    assert loads["turning by hand, chatter every second"]["share"] < 0.5
    assert all(edges >= 40 for edges in figures["edges_in_3_ms_reported_singly"].values())
    for said in figures["beyond"].values():  # never a wrong count in silence
        assert said["counts_told"] == said["counts_true"] or said["illegal_told"] > 0
        assert said["times_unwatched_told"] > 0
    assert figures["stack_bytes"]["used"] * 2 < figures["stack_bytes"]["room"]


def test_measured_limits_of_the_second_board(second_chip: Chip) -> None:
    """The same aims, five times as fast."""
    figures = measured(second_chip.board)
    assert figures["counts_per_s"]["100000"]
    assert all(error["worst_us"] <= 5 for error in figures["time_error"].values())
    assert figures["pulse_at_rest_seen_us"]["1.0"]
    assert all(load["share"] < 0.5 for load in figures["line_load"].values())
    assert figures["edges_in_3_ms_reported_singly"]["at rest"] >= 40
    assert figures["stack_bytes"]["used"] * 2 < figures["stack_bytes"]["room"]


def _agree(stated: Any, found: Any, where: str) -> None:
    """Another release of the compiler may move a figure a little."""
    if isinstance(stated, dict):
        assert stated.keys() == found.keys(), where
        for key, value in stated.items():
            _agree(value, found[key], f"{where} {key}")
    else:
        assert found == pytest.approx(stated, rel=0.25, abs=3), where
