"""Figures in lines: judgements and comparisons as a person reads them."""

from __future__ import annotations

from collections.abc import Sequence

from rig.command.say import angle
from rig.engine.uncertainty import round_for_show
from rig.timing.results import Comparison, Judgement


def judgement_lines(
    judgements: Sequence[Judgement], comparisons: Sequence[Comparison] = ()
) -> list[str]:
    """One line a judgement, one a comparison."""
    lines = []
    for one in judgements:
        where = "all cylinders" if one.cylinder is None else f"cylinder {one.cylinder}"
        kind = "" if one.kind == "turned" else f", {one.kind}"
        head = f"{one.unit}, {one.setting}, {where}, {one.phase}{kind}"
        if one.mean_btdc is None:
            lines.append(f"{head}: {one.words}")
            continue
        figure = angle(one.mean_btdc)
        if one.uncertainty is not None:
            value, U = round_for_show(abs(one.mean_btdc), one.uncertainty.U_deg)
            side = "ATDC" if one.mean_btdc < 0 else "BTDC"
            figure = f"{value}° {side} ± {U}°"
        marks = "".join(f" ({mark})" for mark in one.marks)
        settle = f"; {one.settle}" if one.settle else ""
        lines.append(
            f"{head}: {figure}, {one.n} readings: {one.verdict}; {one.words}{marks}{settle}"
        )
    lines += [f"{one.first} against {one.second}: {one.words}" for one in comparisons]
    return lines


def verdict_status(judgements: Sequence[Judgement], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict is negative, else 0."""
    verdicts = [one.verdict for one in judgements] + [one.verdict for one in comparisons]
    verdicts += [one.spread_verdict for one in judgements]
    return 1 if "outside" in verdicts else 0
