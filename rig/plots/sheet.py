"""The paper that all drawings share: ink, window, marks, and how a file is written.

Nothing rests on colour: a window has edges and hatching outside it, means are diamonds, bars are
about 95 %, readings are strokes, and words say the rest.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.base import files
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.job.folder import Job
from rig.timing.values import Assessment

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, LINE, PAPER = "#1c232e", "#5a6472", "#c5cbd4", "#ffffff"
BLUE, ALERT, HATCH = "#1f4e79", "#a8450c", "#c3c9d2"

KINDS = (".svg", ".png", ".pdf")
DOTS_PER_INCH = 160
NOTE_CHARACTERS = 19.0  # of a note fit into an inch

STYLE: Mapping[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "text.color": INK,
    "text.parse_math": False,  # a dollar sign in a name is no formula
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.titlesize": 9.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.width": 0.6,
    "ytick.major.size": 0.0,  # beside a figure it would read as a minus
    "hatch.linewidth": 0.5,
    "figure.facecolor": PAPER,
    "svg.hashsalt": "timing-rig",
}


@dataclass(frozen=True, slots=True)
class PlotRequest:
    """What a person wants drawn. Each plot takes of it what concerns it.

    ``what`` are the paths entered, one or more. ``tell`` takes a sentence for the person;
    ``open_job`` and ``newest_capture`` tell what they leave out, too.
    """

    what: tuple[Path, ...]
    tell: Callable[[str], None]
    open_job: Callable[[Path], Job]
    newest_capture: Callable[[Job], Path]
    unit: str | None = None
    opening: int | None = None  # from 1
    counts_per_turn: int | None = None
    tdc_deg: float | None = None  # degrees after the index
    engine: str = ""
    engine_serial: str = ""
    unit_serial: str = ""
    cylinders: bool = False
    face: Literal["working", "other", "both"] = "working"  # of a piece to mark
    paper: str = "A4"  # or "Letter"

    def job_and_capture(self) -> tuple[Job, Path]:
        """A job and the capture named with it, else its newest."""
        if len(self.what) > 2:
            raise InputError("a job, and one capture at most")
        job = self.open_job(self.what[0])
        return job, self.what[1] if len(self.what) > 1 else self.newest_capture(job)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing that was written, and what is in it; ``more`` are further sheets of it."""

    path: Path
    facts: Mapping[str, Any]
    more: tuple[Path, ...] = ()


@contextmanager
def styled() -> Iterator[None]:
    """The common style, whatever the person's own settings are."""
    import matplotlib as mpl

    with mpl.rc_context(dict(STYLE)):
        yield


def out_path(path: Path) -> Path:
    """``path`` when a drawing can be written there. Raises InputError when it cannot."""
    if path.suffix.lower() not in KINDS:
        raise InputError(f"{path}: a drawing is one of {', '.join(KINDS)}, by the file's ending")
    return path


def paper(width_in: float, height_in: float, title: str, under: str = "") -> Figure:
    """A new sheet with its title, and a line under it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    head: Mapping[str, Any] = {"fontsize": 13.0, "fontfamily": "DejaVu Serif", "color": INK}
    for text, below_in, style in (
        (title, 0.24, head),
        (under, 0.52, {"fontsize": 7.5, "color": SOFT}),
    ):
        if text:
            at = (0.35 / width_in, 1.0 - below_in / height_in)
            figure.text(*at, visible(text), va="top", **style)
    return figure


def axes(figure: Figure, left: float, bottom: float, width: float, height: float, **more: Any
         ) -> Axes:  # fmt: skip
    """Axes at a place in inches from the lower left corner."""
    wide, high = figure.get_size_inches()
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high), **more)


def note(figure: Figure, text: str) -> None:
    """Lines at the foot of the sheet."""
    wide, high = figure.get_size_inches()
    lines = textwrap.wrap(text, int(NOTE_CHARACTERS * (wide - 0.7)))
    figure.text(
        0.35 / wide, 0.16 / high, "\n".join(visible(line) for line in lines), fontsize=6.5,
        color=SOFT, va="bottom", linespacing=1.35,
    )  # fmt: skip


def write(figure: Figure, path: Path) -> Path:
    """Write the sheet; the ending of ``path`` says as what.

    The same figures give the same file. Raises InputError when the disk does not take it.
    """
    kind, drawn = path.suffix.lower().removeprefix("."), io.BytesIO()
    undated: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    figure.savefig(drawn, format=kind, dpi=DOTS_PER_INCH, metadata=undated)
    files.write_whole(path, drawn.getvalue(), replace=True)
    return path


def window(
    at: Axes, of: Assessment, rows: tuple[float, float] = (-1e6, 1e6), *, upright: bool = False
) -> None:
    """Hatch what is outside an assessment's window, up to the ends of the axis of angles, and mark
    its limits and nominal. That axis is x, or y if ``upright``; ``rows`` are ends on the other."""
    early, late = of.earliest_btdc, of.latest_btdc
    if early is None or late is None:
        return
    ends, across = at.get_xlim(), at.get_ylim()
    fill: Callable[..., object] = at.fill_between if upright else at.fill_betweenx
    along: Callable[..., object] = at.hlines if upright else at.vlines
    if upright:
        ends, across = across, ends
    low, high = max(rows[0], min(across)), min(rows[1], max(across))
    for first, last in ((min(ends), late), (early, max(ends))):
        if first < last:
            fill([low, high], first, last, facecolor="none", edgecolor=HATCH, hatch="////", lw=0.0,
                 zorder=0.5)  # fmt: skip
    along([early, late], low, high, color=INK, lw=0.9, zorder=1.5)
    if of.nominal_btdc is not None:
        along([of.nominal_btdc], low, high, color=SOFT, lw=0.8, ls=(0, (4, 3)), zorder=1.4)


def width_in(words: str, size: float) -> float:
    """About how wide words are, at a size in points; never less than they are (measured on the
    widest digits and letters of the font in use)."""
    return 0.0094 * size * len(words)


def degrees(value: float, _: object = None) -> str:
    """An angle on a scale of degrees before top dead centre."""
    text = f"{abs(value):.4f}".rstrip("0").rstrip(".") or "0"
    return f"{text}° ATDC" if value < -1e-9 else f"{text}°"
