"""Drift over certificates: each opening over the years, against its window.

Hollow circles are as found, filled ones as left; bars are about 95 %. A change that was noted, or
a setting, is a step: a new line starts there with the same slope. Earlier is above.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from rig.base.errors import InputError
from rig.base.escape import visible
from rig.base.rounding import btdc, many, within
from rig.history.series import History, Point, Series, chosen, history
from rig.history.visits import look
from rig.plots import sheet
from rig.plots.axis import Rows, angles_of, interval_of
from rig.plots.sheet import Drawn, PlotRequest
from rig.timing.drift import DAYS_A_YEAR
from rig.words.assessments import verdict_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, HEAD_IN, PANEL_IN, GAP_IN, FOOT_IN = 8.3, 0.9, 1.75, 0.95, 0.45
LEFT_IN, RIGHT_IN = 1.05, 0.45
MOST_PANELS = 12
WORDS_WIDE = 108  # characters of a line under a panel
TITLE_SIZE = 10.5  # points: those of a title, and as much more as bold letters are wider
STEP_ROWS, STEP_WIDE, STEP_SIZE = 4, 44, 6.2  # rows, characters, points
EPOCH = date(1970, 1, 1)
LEAST_DAYS = 60.0
AHEAD = 0.35  # the line is drawn on by this part of the years that were read, and no further


@sheet.styled()
def draw(history: History, shown: Sequence[Series], path: Path) -> Path:
    """Draw the series that are to be shown. Raises InputError when the file cannot be written."""
    return sheet.write(sheet_of(history, shown), path)


def sheet_of(history: History, shown: Sequence[Series]) -> Figure:
    """The sheet: a panel for each series, all with the same days and degrees across."""
    panels = list(shown[:MOST_PANELS])
    high = HEAD_IN + len(panels) * (PANEL_IN + GAP_IN) + FOOT_IN
    of = history.engine + (f", serial {history.serial}" if history.serial else "")
    if history.unit_serial:
        of = f"unit {history.unit_serial}, on {of}"
    n = len(history.certificates)
    under = (
        f"{many(n, 'certificate')}; contacts open, degrees BTDC, earlier above; hollow: as found,"
        " filled: as left; bars: ± U (about 95 %)"
    )
    figure = sheet.paper(WIDTH_IN, high, of, under)
    top = high - HEAD_IN
    ends = _span([point for series in panels for point in series.points])
    high_deg = max(high - low for low, high in (_reach(each.points) for each in panels))
    for series in panels:
        at = sheet.axes(
            figure, LEFT_IN, top - PANEL_IN - 0.1, WIDTH_IN - LEFT_IN - RIGHT_IN, PANEL_IN
        )
        _panel(at, series, ends, high_deg)
        top -= PANEL_IN + GAP_IN
    more = len(shown) - len(panels)
    said = f"{more} more are not drawn. " if more > 0 else ""
    sheet.note(figure, said + history.caution)
    return figure


def _span(points: Sequence[Point]) -> tuple[float, float]:
    """The days that the drawing reaches over."""
    first, last = min(p.day for p in points), max(p.day for p in points)
    long = max(last - first, LEAST_DAYS)
    return first - 0.06 * long, last + AHEAD * long


def _panel(at: Axes, series: Series, ends: tuple[float, float], high_deg: float) -> None:
    """One series; all panels have the same height in degrees, ``high_deg``."""
    points = series.points
    name, words = visible(series.name), visible(series.words)
    last = points[-1].assessment
    figure = f"{btdc(last.mean_btdc, last.U_deg)} {within(last.U_deg)}".strip()
    now = f"{figure}, {verdict_words(points[-1].verdict)}"
    at.set_title(name)
    if sheet.width_in(f"{name}  {now}", TITLE_SIZE) <= WIDTH_IN - LEFT_IN - RIGHT_IN:
        at.set_title(now, loc="right")
    else:  # the two would meet
        words = f"{now}; {words}"
    middle = sum(_reach(points)) / 2.0
    low, high = middle - high_deg / 2.0, middle + high_deg / 2.0
    at.set_ylim(low, high)
    at.set_xlim(*ends)
    at.tick_params(axis="x", pad=5.0)  # clear of the lowest figure at the left
    _dates(at, ends)
    sheet.window(at, last, upright=True)
    _line(at, series, ends)
    for point in points:
        mean, uncertainty = point.assessment.mean_btdc, point.assessment.uncertainty
        if mean is None:
            continue
        filled = point.phase == "as left"
        U = uncertainty.U_deg if uncertainty else 0.0
        at.errorbar([point.day], [mean], yerr=[[U], [U]], fmt="o", ms=5.0, capsize=2.4,
                    color=sheet.INK, elinewidth=1.0, mec=sheet.INK, mew=1.0, zorder=5,
                    mfc=sheet.INK if filled else sheet.PAPER)  # fmt: skip
        if point.step:
            at.axvline(point.day, color=sheet.ALERT, lw=0.9, ls=":", zorder=2)
    _steps(at, [point for point in points if point.step], ends)
    at.yaxis.set_major_formatter(sheet.degrees)
    at.text(
        0.0, -0.19, textwrap.fill(words, WORDS_WIDE), transform=at.transAxes, fontsize=7.2, va="top"
    )


def _dates(at: Axes, ends: tuple[float, float]) -> None:
    """Dates under the axis, which counts days since 1970, far enough apart not to touch."""
    at.xaxis_date()
    apart = (sheet.width_in("2000-01-01", 7.5) + 0.1) * _days_an_inch(ends)
    kept: list[float] = []
    for day in at.get_xticks():
        if ends[0] <= day <= ends[1] and (not kept or day - kept[-1] >= apart):
            kept.append(float(day))
    at.set_xticks(kept, [f"{EPOCH + timedelta(days=day):%Y-%m-%d}" for day in kept])


def _days_an_inch(ends: tuple[float, float]) -> float:
    return (ends[1] - ends[0]) / (WIDTH_IN - LEFT_IN - RIGHT_IN)


def _steps(at: Axes, points: Sequence[Point], ends: tuple[float, float]) -> None:
    """Why a level is a new one, beside its line; in rows where they are near one another."""
    rows = Rows(STEP_ROWS)
    for point in points:
        words = textwrap.shorten(visible(point.step), STEP_WIDE, placeholder=" …")
        wide = (sheet.width_in(words, STEP_SIZE) + 0.1) * _days_an_inch(ends)
        right = point.day + wide > ends[1]
        begins = point.day - wide if right else point.day
        row = rows.take(begins, begins + wide)
        if row is not None:  # else only its line: the list of certificates has the words
            at.annotate(words, (point.day, 1.0), (-3.0 if right else 3.0, -1.5 - 9.5 * row),
                        xycoords=at.get_xaxis_transform(), textcoords="offset points", va="top",
                        ha="right" if right else "left", fontsize=STEP_SIZE, color=sheet.ALERT,
                        bbox={"boxstyle": "square,pad=0.05", "fc": sheet.PAPER, "ec": "none"},
                        zorder=6)  # fmt: skip


def _reach(points: Sequence[Point]) -> tuple[float, float]:
    angles = [deg for point in points for deg in interval_of(point.assessment)]
    angles += angles_of(points[-1].assessment)
    low, high = min(angles), max(angles)
    margin = max(0.14 * (high - low), 0.1)
    return low - margin, high + margin


def _line(at: Axes, series: Series, ends: tuple[float, float]) -> None:
    """The line through the last level, drawn on beyond it, with its uncertainty."""
    line = series.line
    if line is None:
        return
    through = [point for point in series.points if point.weighs]
    until = through[-1].day
    since = next(p.day for p in through if p.level == through[-1].level)
    years = [(day - until) / DAYS_A_YEAR for day in (since, until, ends[1])]
    heights = [line.at(each) for each in years]
    at.plot([since, until], heights[:2], color=sheet.BLUE, lw=1.4, zorder=3)
    at.plot([until, ends[1]], heights[1:], color=sheet.BLUE, lw=1.1, dashes=(5, 3), zorder=3)
    ahead = [years[2] * k / 20.0 for k in range(21)]
    at.fill_between(
        [until + each * DAYS_A_YEAR for each in ahead],
        [line.at(each) - line.expanded_at(each) for each in ahead],
        [line.at(each) + line.expanded_at(each) for each in ahead],
        color=sheet.BLUE, alpha=0.13, lw=0.0, zorder=2,
    )  # fmt: skip


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw the certificates of an engine over the years.

    Raises InputError when there is nothing to draw.
    """
    if len(asked.what) > 1:
        raise InputError("one folder: a job, or a folder of many jobs")
    listing = look(asked.what[0])
    found = history(
        listing.files, asked.engine, asked.engine_serial,
        cylinders=asked.cylinders, unit_serial=asked.unit_serial,
    )  # fmt: skip
    for text in (*(each.words for each in listing.left), *found.troubles):
        asked.tell(text)
    shown = chosen(found.series, asked.unit, cylinders=asked.cylinders)
    if not shown:
        raise InputError("no series of that unit, or no figure with an uncertainty, to draw")
    facts = {"certificates": list(found.certificates), "words": [s.words for s in shown]}
    return Drawn(draw(found, shown, out), facts)
