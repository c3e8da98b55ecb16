"""The drawings of the page, inline SVG: strips of readings against their window, verdict signs.

Earlier is on the left, as the crank comes to it first. Nothing depends on colour: the window has
edges and hatching outside it, means are diamonds, bars are uncertainty, readings are strokes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.plots.axis import Axis, Lane
from rig.timing.values import Verdict
from rig.words.figures import entered

MM = 4.0


"""Units of a drawing to a millimetre of paper."""


_HATCH = (
    '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path class="hatch" d="M0 0V5"/></pattern></defs>'
)

SCALE_HEIGHT = 16.0


@dataclass(frozen=True, slots=True)
class Scale(Axis):
    """The axis of a drawing ``width`` wide, in units of the drawing."""

    width: float

    def x(self, btdc_deg: float) -> float:
        """Place of an angle across the drawing; beyond its ends, the end."""
        return round(self.width * self.share(btdc_deg), 1)


def row(
    scale: Scale,
    window: tuple[float, float, float] | None,
    lanes: Sequence[Lane],
    label: str,
    rows: int,
) -> str:
    """Draw one of ``rows`` rows: ``window`` (earliest, nominal, latest) and the lanes in it.

    ``label`` says in words what is drawn, already escaped. The more rows, the lower each.
    """
    if len(lanes) > 1:
        height, drawn = (
            18.0,
            [_lane(scale, *each) for each in zip(lanes, (4.5, 13.5), strict=False)],
        )
    elif rows > 6:
        height, drawn = 13.0, [_lane(scale, each, 6.5) for each in lanes]
    elif rows > 1:
        height, drawn = 17.0, [_lane(scale, each, 12.2, 0.8, 6) for each in lanes]
    else:
        height, drawn = 44.0, [_lane(scale, each, 31, 7, 14) for each in lanes]
    drawn.insert(0, _window(scale, window, height))
    return _svg(scale, height, f'role="img" aria-label="{label}"', "".join(drawn), "strip")


def scale_row(scale: Scale) -> str:
    """Draw the scale above the rows: round angles, with the degrees before top dead centre."""
    parts = []
    for each in scale.ticks():
        x = scale.x(each)
        text = entered(each) if each >= 0 else f"{entered(-each)} ATDC"
        if 3 * len(text) < x < scale.width - 3 * len(text):
            parts.append(f'<text class="tick" x="{x}" y="9.5">{text}</text>')
        parts.append(f'<path class="edge" d="M{x} 12.5V{SCALE_HEIGHT}"/>')
    return _svg(scale, SCALE_HEIGHT, 'aria-hidden="true"', "".join(parts), "scale")


def mark(verdict: Verdict, late: bool = False) -> str:
    """Draw a verdict: the window as two bars and a dot in it, beyond it, or on its edge."""
    bars = '<path class="bars" d="M9.5 1.5V10.5M20.5 1.5V10.5"/>'
    if verdict == "inside":
        drawn = bars + '<circle class="dot" cx="15" cy="6" r="3.1"/>'
    elif verdict == "outside":
        drawn = bars + f'<path class="cross" d="M{23.5 if late else 1.2} 3l5.4 6m0 -6l-5.4 6"/>'
    elif verdict == "inconclusive":
        x = 20.5 if late else 9.5
        drawn = bars + f'<circle class="ring" cx="{x}" cy="6" r="3.1"/>'
    else:
        drawn = '<circle class="dots" cx="15" cy="6" r="3.1"/>'
    return f'<svg class="mark" viewBox="0 0 30 12" aria-hidden="true">{drawn}</svg>'


def drawing_key() -> str:
    """Draw the explanation of the strips."""
    samples = (
        ("window", 34, '<path class="edge" d="M8 0V12M26 0V12"/><rect fill="url(#hatch)" width="8" '
         'height="12"/><rect fill="url(#hatch)" x="26" width="8" height="12"/>'),
        ("nominal", 6, '<path class="nominal" d="M3 0V12"/>'),
        ("reading", 10, '<path class="reading" d="M2 2v8M5 2v8M9 2v8"/>'),
        ("mean ± U (about 95 %)", 26, '<path class="bar" d="M1 6H25M1 3v6M25 3v6"/>'
         '<path class="mean" d="M13 1.4l4 4.6l-4 4.6l-4 -4.6z"/>'),
    )  # fmt: skip
    shown = "".join(
        f'<span><svg viewBox="0 0 {width} 12" width="{width}" height="12" aria-hidden="true">'
        f"{drawn}</svg> {name}</span>"
        for name, width, drawn in samples
    )
    return f'<p class="key"><span>earlier at the left</span>{shown}</p>'


def rim() -> str:
    """Draw the line under the title, a stretch of a degree scale, and keep the hatching."""
    strokes = []
    for degree in range(121):
        length = 9 if degree % 10 == 0 else 6 if degree % 5 == 0 else 3.5
        strokes.append(f"M{degree * 6 + 1} 0v{length}")
    return (
        '<svg class="rim" viewBox="0 0 722 10" preserveAspectRatio="none" aria-hidden="true">'
        f'{_HATCH}<path d="M1 0.4H721{"".join(strokes)}"/></svg>'
    )


def _window(scale: Scale, window: tuple[float, float, float] | None, height: float) -> str:
    if window is None:
        return ""
    earliest, nominal, latest = (scale.x(each) for each in window)
    rest = f'width="{scale.width - latest:.1f}" height="{height}"'
    return (
        f'<rect fill="url(#hatch)" width="{earliest}" height="{height}"/>'
        f'<rect fill="url(#hatch)" x="{latest}" {rest}/>'
        f'<path class="edge" d="M{earliest} 0V{height}M{latest} 0V{height}"/>'
        f'<path class="nominal" d="M{nominal} 0V{height}"/>'
    )


def _lane(scale: Scale, lane: Lane, y: float, top: float | None = None, length: float = 7) -> str:
    """The mean and its bar at ``y``, the readings as strokes across it or down from ``top``."""
    top = y - 3.5 if top is None else top
    past = " past" if lane.past else ""
    places = sorted({scale.x(each) for each in lane.btdc_deg})
    strokes = "".join(f"M{x} {top}v{length}" for x in places)
    drawn = f'<path class="reading{past}" d="{strokes}"/>' if strokes else ""
    if lane.mean_btdc is None:
        return drawn
    middle = scale.x(lane.mean_btdc)
    if lane.bar is not None:
        left, right = map(scale.x, lane.bar)
        ends = f"M{left} {y - 3}v6M{right} {y - 3}v6"
        drawn += f'<path class="bar{past}" d="M{left} {y}H{right}{ends}"/>'
    return drawn + f'<path class="mean{past}" d="M{middle} {y - 4.6}l4 4.6l-4 4.6l-4 -4.6z"/>'


def _svg(scale: Scale, height: float, about: str, drawn: str, name: str) -> str:
    size = f'width="{scale.width / MM:g}mm" height="{height / MM:g}mm"'
    box = f'viewBox="0 0 {scale.width:g} {height:g}"'
    return f'<svg class="{name}" {box} {size} {about}>{drawn}</svg>'
