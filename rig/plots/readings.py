"""Readings against the window: a panel for each unit and setting, a row for each cylinder."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.base.errors import InputError
from rig.base.escape import visible
from rig.job.results import work_job
from rig.plots import sheet
from rig.plots.axis import Axis, Lane, reach
from rig.plots.sheet import Drawn, PlotRequest
from rig.timing.values import Assessment, Reading
from rig.words.diagnostics import assessment_words, remarks_on

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, ROW_IN, LEFT_IN, RIGHT_IN = 8.3, 0.29, 1.1, 2.6
HEAD_IN, GAP_IN, FOOT_IN = 0.85, 0.72, 0.36
MOST_WORDS, TITLE_WIDE = 52, 72
KIND = {"turned": "", "set": ", set with the crank held", "impulse": ", impulse coupling"}

_Group = tuple[str, str, str, str]


@sheet.styled
def draw(
    title: str,
    assessments: Sequence[Assessment],
    readings: Sequence[Reading],
    path: Path,
) -> Path:
    """Draw all judgements that have a mean, with their readings. Earlier is at the left."""
    return sheet.write(sheet_of(title, assessments, readings), path)


def sheet_of(title: str, assessments: Sequence[Assessment], readings: Sequence[Reading]) -> Figure:
    """The sheet. Panels of one setting have the same axis, all panels the same scale."""
    groups: dict[_Group, list[Assessment]] = {}
    for each in assessments:
        if each.mean_btdc is not None:
            groups.setdefault((each.unit, each.setting, each.phase, each.kind), []).append(each)
    rows = sum(len(group) for group in groups.values())
    high = HEAD_IN + rows * ROW_IN + len(groups) * GAP_IN + FOOT_IN
    figure = sheet.paper(WIDTH_IN, high, title, "where the contacts open, degrees of crank BTDC")
    top = high - HEAD_IN
    own = {key: [r for r in readings if r.valid and r.btdc_deg is not None
                 and (r.unit, r.setting, r.phase, r.kind) == key] for key in groups}  # fmt: skip
    axes = _axes(groups, own)
    for key, group in groups.items():
        height = len(group) * ROW_IN
        at = sheet.axes(figure, LEFT_IN, top - height - 0.22, _inner(), height)
        _panel(at, group, own[key], axes[key])
        top -= height + GAP_IN
    sheet.note(
        figure,
        "earlier at the left, all panels at the same scale; hatched: outside the window; "
        "dashed: nominal; strokes: readings; "
        "diamond and bar: mean and about 95 %",
    )
    return figure


def _inner() -> float:
    return WIDTH_IN - LEFT_IN - RIGHT_IN


def _panel(at: Axes, group: Sequence[Assessment], own: Sequence[Reading], axis: Axis) -> None:
    first = group[0]
    at.set_title(textwrap.fill(visible(f"{first.unit}, {first.setting}, {first.phase}"
                                       f"{KIND.get(first.kind, '')}"), TITLE_WIDE))  # fmt: skip
    at.set_xlim(axis.early_btdc, axis.late_btdc)
    at.set_ylim(len(group) - 0.5, -0.5)
    windows = {(j.earliest_btdc, j.latest_btdc) for j in group}
    for row, judged in enumerate(group):
        _window(at, judged, row, alone=len(windows) > 1)
        _row(at, judged, row, own)
    if len(windows) == 1 and first.latest_btdc is not None and first.earliest_btdc is not None:
        sheet.outside(at, first.latest_btdc, first.earliest_btdc, across=True)
        if first.nominal_btdc is not None:
            at.axvline(first.nominal_btdc, color=sheet.SOFT, lw=0.8, dashes=(4, 3), zorder=1.4)
    at.set_yticks(range(len(group)), [_name(j, len(group)) for j in group])
    at.xaxis.set_major_formatter(sheet.degrees)
    at.set_xticks(axis.ticks())
    at.spines["left"].set_visible(False)


def _name(judged: Assessment, rows: int) -> str:
    if judged.cylinder is not None:
        return f"cylinder {judged.cylinder}"
    return "all" if rows > 1 else "all cylinders"


def _axes(
    groups: Mapping[_Group, Sequence[Assessment]], own: Mapping[_Group, Sequence[Reading]]
) -> dict[_Group, Axis]:
    """An axis for each panel: the same for one setting, and as many degrees across for all."""
    angles: dict[tuple[str, str], list[float]] = {}
    for key, group in groups.items():
        angles.setdefault(_alike(key), []).extend(_angles(group, own[key]))
    ends = {alike: reach(of, margin=0.12) for alike, of in angles.items()}
    half_deg = max(early - late for early, late in ends.values()) / 2.0
    middle = {alike: (early + late) / 2.0 for alike, (early, late) in ends.items()}
    return {
        key: Axis(middle[_alike(key)] + half_deg, middle[_alike(key)] - half_deg) for key in groups
    }


def _alike(key: _Group) -> tuple[str, str]:
    """Setting and kind: what is read in both of these lies near together."""
    return key[1], key[3]


def _angles(group: Sequence[Assessment], own: Sequence[Reading]) -> list[float]:
    angles = [r.btdc_deg for r in own if r.btdc_deg is not None]
    for each in group:
        U = each.uncertainty.U_deg if each.uncertainty else 0.0
        mean = each.mean_btdc or 0.0
        angles += [mean - min(U, 20.0), mean + min(U, 20.0)]
        angles += [a for a in (each.earliest_btdc, each.latest_btdc) if a is not None]
    return angles


def _window(at: Axes, judged: Assessment, row: int, *, alone: bool) -> None:
    """A window of a row's own, where the cylinders' windows differ."""
    early, late = judged.earliest_btdc, judged.latest_btdc
    if not alone or early is None or late is None:
        return
    for edge in (early, late):
        at.plot([edge, edge], [row - 0.42, row + 0.42], color=sheet.INK, lw=0.9)
    ends = at.get_xlim()
    for begin, end in ((min(ends), late), (early, max(ends))):
        at.fill_betweenx([row - 0.42, row + 0.42], begin, end, facecolor="none", lw=0.0,
                         edgecolor=sheet.HATCH, hatch="////", zorder=0.5)  # fmt: skip
    if judged.nominal_btdc is not None:
        at.plot([judged.nominal_btdc] * 2, [row - 0.42, row + 0.42], color=sheet.SOFT, lw=0.8,
                dashes=(3, 2))  # fmt: skip


def _row(at: Axes, judged: Assessment, row: int, own: Sequence[Reading]) -> None:
    lane = Lane.of(judged, (r.btdc_deg for r in own if judged.cylinder in (None, r.cylinder)))
    if lane.mean_btdc is None:
        return
    weight, U = 1.0 if judged.cylinder is None else 0.8, lane.U_deg
    at.vlines(lane.btdc_deg, row - 0.34, row - 0.06, color=sheet.BLUE, lw=0.9, zorder=3)
    if U is not None:
        at.errorbar([lane.mean_btdc], [row + 0.16], xerr=[[U], [U]], fmt="none", zorder=4,
                    ecolor=sheet.INK, elinewidth=1.2 * weight, capsize=2.6)  # fmt: skip
    at.plot([lane.mean_btdc], [row + 0.16], marker="D", ms=5.2 * weight, color=sheet.INK,
            mec=sheet.PAPER, mew=0.7, zorder=5)  # fmt: skip
    bold = "bold" if judged.verdict == "outside" else "normal"
    x = 1.0 + 0.08 / _inner()
    transform = at.get_yaxis_transform()
    at.text(x, row - 0.19, sheet.figure_text(lane.mean_btdc, U), transform=transform,
            va="center", fontsize=7.6)  # fmt: skip
    at.text(x + 2.35 / _inner(), row - 0.19, f"n {judged.n}", transform=transform, va="center",
            ha="right", fontsize=6.2, color=sheet.SOFT)  # fmt: skip
    words = textwrap.shorten(visible(assessment_words(judged)), MOST_WORDS, placeholder=" …")
    at.text(x, row + 0.23, words, transform=transform, va="center", fontsize=6.0, fontweight=bold,
            color=sheet.ALERT if judged.verdict == "outside" else sheet.SOFT)  # fmt: skip


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw each opening of a capture against its window.

    Raises InputError when there is nothing to draw.
    """
    job, capture = asked.job_and_capture()
    worked = work_job(job, [capture])
    for text in remarks_on(worked):
        asked.tell(text)
    if not any(each.mean_btdc is not None for each in worked.assessments):
        raise InputError(f"{capture}: no valid opening yet, or TDC is not known")
    title = f"{job.profile.engine.name}, {capture.stem}"
    path = draw(title, worked.assessments, worked.readings, out)
    return Drawn(path, {"capture": str(capture), "figures": len(worked.assessments)})
