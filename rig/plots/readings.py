"""Readings against the window: a panel for each unit and setting, a row for each cylinder."""

from __future__ import annotations

import textwrap
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rig.base.errors import InputError
from rig.base.escape import visible
from rig.base.rounding import btdc_with
from rig.job.results import work_job
from rig.plots import sheet
from rig.plots.axis import Axis, Lane, angles_of, reach
from rig.plots.sheet import Drawn, PlotRequest
from rig.timing.values import Assessment, Reading
from rig.words.diagnostics import assessment_words, remarks_on

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, ROW_IN, LEFT_IN, RIGHT_IN = 8.3, 0.29, 1.1, 2.6
INNER_IN = WIDTH_IN - LEFT_IN - RIGHT_IN
HEAD_IN, GAP_IN, FOOT_IN = 0.85, 0.72, 0.36
MOST_WORDS, TITLE_WIDE = 52, 72
KIND = {"turned": "", "set": ", set with the crank held", "impulse": ", impulse coupling"}


class _Panel(NamedTuple):
    """One unit in one setting and phase, read in one way."""

    unit: str
    setting: str
    phase: str
    kind: str

    @staticmethod
    def of(each: Assessment | Reading) -> _Panel:
        return _Panel(each.unit, each.setting, each.phase, each.kind)

    @property
    def alike(self) -> tuple[str, str]:
        """Readings of the same setting and kind are near one another."""
        return self.setting, self.kind


def sheet_of(title: str, assessments: Sequence[Assessment], readings: Sequence[Reading]) -> Figure:
    """The sheet. Panels of one setting have the same axis, all panels the same scale."""
    panels: defaultdict[_Panel, list[Assessment]] = defaultdict(list)
    own: defaultdict[_Panel, list[Reading]] = defaultdict(list)
    for one in assessments:
        if one.mean_btdc is not None:
            panels[_Panel.of(one)].append(one)
    for each in readings:
        if each.valid and each.btdc_deg is not None:
            own[_Panel.of(each)].append(each)
    rows = sum(map(len, panels.values()))
    high = HEAD_IN + rows * ROW_IN + len(panels) * GAP_IN + FOOT_IN
    figure = sheet.paper(WIDTH_IN, high, title, "where the contacts open, degrees of crank BTDC")
    top, axes = high - HEAD_IN, _axes(panels, own)
    for panel, group in panels.items():
        height = len(group) * ROW_IN
        at = sheet.axes(figure, LEFT_IN, top - height - 0.22, INNER_IN, height)
        _draw(at, panel, group, own[panel], axes[panel.alike])
        top -= height + GAP_IN
    sheet.note(
        figure,
        "earlier at the left, all panels at the same scale; hatched: outside the window; "
        "dashed: nominal; strokes: readings; "
        "diamond and bar: mean and about 95 %",
    )
    return figure


def _axes(
    panels: Mapping[_Panel, Sequence[Assessment]], own: Mapping[_Panel, Sequence[Reading]]
) -> dict[tuple[str, str], Axis]:
    """An axis for each setting and kind, as many degrees across for all."""
    angles: defaultdict[tuple[str, str], list[float]] = defaultdict(list)
    for panel, group in panels.items():
        angles[panel.alike] += [deg for each in group for deg in angles_of(each)]
        angles[panel.alike] += [r.btdc_deg for r in own[panel] if r.btdc_deg is not None]
    ends = {alike: reach(of, margin=0.12) for alike, of in angles.items()}
    half_deg = max(early - late for early, late in ends.values()) / 2.0
    middles = {alike: (early + late) / 2.0 for alike, (early, late) in ends.items()}
    return {alike: Axis(deg + half_deg, deg - half_deg) for alike, deg in middles.items()}


def _draw(
    at: Axes, panel: _Panel, group: Sequence[Assessment], own: Sequence[Reading], axis: Axis
) -> None:
    title = f"{panel.unit}, {panel.setting}, {panel.phase}{KIND.get(panel.kind, '')}"
    at.set_title(textwrap.fill(visible(title), TITLE_WIDE))
    at.set_xlim(axis.early_btdc, axis.late_btdc)
    at.set_ylim(len(group) - 0.5, -0.5)
    alike = len({(one.earliest_btdc, one.latest_btdc) for one in group}) == 1
    for row, one in enumerate(group):
        if not alike:
            sheet.window(at, one, (row - 0.42, row + 0.42))
        _row(at, one, row, own)
    if alike:
        sheet.window(at, group[0])
    over_all = "all" if len(group) > 1 else "all cylinders"
    names = [over_all if one.cylinder is None else f"cylinder {one.cylinder}" for one in group]
    at.set_yticks(range(len(group)), names)
    at.xaxis.set_major_formatter(sheet.degrees)
    at.set_xticks(axis.ticks())
    at.spines["left"].set_visible(False)


def _row(at: Axes, one: Assessment, row: int, own: Sequence[Reading]) -> None:
    lane = Lane.of(one, (r.btdc_deg for r in own if one.cylinder in (None, r.cylinder)))
    mean, U_deg = lane.mean_btdc, lane.U_deg
    if mean is None:
        return
    weight = 1.0 if one.cylinder is None else 0.8
    at.vlines(lane.btdc_deg, row - 0.34, row - 0.06, color=sheet.BLUE, lw=0.9, zorder=3)
    if U_deg is not None:
        at.errorbar([mean], [row + 0.16], xerr=U_deg, fmt="none", zorder=4, ecolor=sheet.INK,
                    elinewidth=1.2 * weight, capsize=2.6)  # fmt: skip
    at.plot([mean], [row + 0.16], marker="D", ms=5.2 * weight, color=sheet.INK, mec=sheet.PAPER,
            mew=0.7, zorder=5)  # fmt: skip
    words = textwrap.shorten(visible(assessment_words(one)), MOST_WORDS, placeholder=" …")
    loud = {"color": sheet.ALERT, "fontweight": "bold"}
    soft = {"color": sheet.SOFT, "fontweight": "normal"}
    texts: tuple[tuple[float, float, str, dict[str, Any]], ...] = (
        (0.08, -0.19, btdc_with(mean, U_deg), {"fontsize": 7.6}),
        (2.43, -0.19, f"n {one.n}", {"fontsize": 6.2, "ha": "right", "color": sheet.SOFT}),
        (0.08, 0.23, words, {"fontsize": 6.0, **(loud if one.verdict == "outside" else soft)}),
    )
    for beside_in, below, text, style in texts:
        at.text(1.0 + beside_in / INNER_IN, row + below, text, va="center",
                transform=at.get_yaxis_transform(), **style)  # fmt: skip


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
    with sheet.styled():
        sheet.write(sheet_of(title, worked.assessments, worked.readings), out)
    return Drawn(out, {"capture": str(capture), "figures": len(worked.assessments)})
