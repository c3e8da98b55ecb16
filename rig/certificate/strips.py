"""The drawings of the page, inline SVG: strips of readings against their window, verdict signs.

Earlier is on the left, as the crank reaches it first. Nothing depends on colour: the window has
edges and hatching outside it, means are diamonds, bars are uncertainty, readings are strokes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.plots.axis import Axis, Lane
from rig.timing.values import Verdict
from rig.words.figures import entered

MM = 4.0  # units of a drawing to a millimetre of paper
SCALE_HEIGHT = 16.0


@dataclass(frozen=True, slots=True)
class Scale(Axis):
    """The axis of a drawing ``width`` wide, in units of the drawing.

    ``from_nominal``: angles count from each cylinder's own nominal.
    """

    width: float
    from_nominal: bool = False

    def x(self, btdc_deg: float) -> float:
        """Place of an angle across the drawing; beyond its ends, the end."""
        return round(self.width * self.share(btdc_deg), 1)

    def tick(self, btdc_deg: float) -> str:
        """The text at an angle: "36°", "4° ATDC"; from nominal "+1°" (earlier), "−1°"."""
        text = entered(abs(btdc_deg))
        if self.from_nominal:
            return ("+" if btdc_deg > 0 else "−" if btdc_deg < 0 else "") + text
        return text if btdc_deg >= 0 else f"{text} ATDC"


def row(
    scale: Scale,
    window: tuple[float, float, float] | None,
    lanes: Sequence[Lane],
    label: str,
    rows: int,
) -> str:
    """Draw one of ``rows`` rows: ``window`` (early limit, nominal, late limit) and the lanes in it.

    ``label`` says in words what is drawn, already escaped. The more rows, the lower each.
    """
    if len(lanes) > 1:
        height, places = 14.8, [(3.9, 0.4, 7.0), (10.9, 7.4, 7.0)]
    elif rows > 6:
        height, places = 13.0, [(6.5, 3.0, 7.0)]
    elif rows > 1:
        height, places = 17.0, [(12.2, 0.8, 6.0)]
    else:
        height, places = 44.0, [(31.0, 7.0, 14.0)]
    drawn = [_lane(scale, lane, *at) for lane, at in zip(lanes, places, strict=False)]
    about = f'role="img" aria-label="{label}"'
    return _svg(scale, height, about, _window(scale, window, height) + "".join(drawn), "strip")


def scale_row(scale: Scale) -> str:
    """Draw the scale above the rows: round angles, with the degrees before top dead centre."""
    parts = []
    for each in scale.ticks():
        x, text = scale.x(each), scale.tick(each)
        if 3 * len(text) < x < scale.width - 3 * len(text):
            parts.append(f'<text class="tick" x="{x}" y="9.5">{text}</text>')
        parts.append(f'<path class="edge" d="M{x} 12.5V{SCALE_HEIGHT}"/>')
    return _svg(scale, SCALE_HEIGHT, 'aria-hidden="true"', "".join(parts), "scale")


def mark(verdict: Verdict, late: bool = False) -> str:
    """Draw a verdict: the window as two bars and a dot in it, beyond it, or on its edge."""
    if verdict == "inside":
        drawn = '<circle class="dot" cx="15" cy="6" r="3.1"/>'
    elif verdict == "outside":
        drawn = f'<path class="cross" d="M{23.5 if late else 1.2} 3l5.4 6m0 -6l-5.4 6"/>'
    elif verdict == "inconclusive":
        drawn = f'<circle class="ring" cx="{20.5 if late else 9.5}" cy="6" r="3.1"/>'
    else:
        drawn = '<circle class="dots" cx="15" cy="6" r="3.1"/>'
    bars = "" if verdict == "no window set" else '<path class="bars" d="M9.5 1.5v9M20.5 1.5v9"/>'
    return f'<svg class="mark" viewBox="0 0 30 12" aria-hidden="true">{bars}{drawn}</svg>'


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
    strokes = "".join(
        f"M{degree * 6 + 1} 0v{9 if degree % 10 == 0 else 6 if degree % 5 == 0 else 3.5}"
        for degree in range(121)
    )
    return (
        '<svg class="rim" viewBox="0 0 722 10" preserveAspectRatio="none" aria-hidden="true">'
        '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M0 0V5"/></pattern></defs>'
        f'<path d="M1 0.4H721{strokes}"/></svg>'
    )


def _window(scale: Scale, window: tuple[float, float, float] | None, height: float) -> str:
    if window is None:
        return ""
    early, nominal, late = (scale.x(each) for each in window)
    rest = f'width="{scale.width - late:.1f}" height="{height}"'
    return (
        f'<rect fill="url(#hatch)" width="{early}" height="{height}"/>'
        f'<rect fill="url(#hatch)" x="{late}" {rest}/>'
        f'<path class="edge" d="M{early} 0V{height}M{late} 0V{height}"/>'
        f'<path class="nominal" d="M{nominal} 0V{height}"/>'
    )


def _lane(scale: Scale, lane: Lane, y: float, top: float, length: float) -> str:
    """The mean and its bar at ``y``, the readings as strokes of ``length`` down from ``top``."""
    past = " past" if lane.past else ""
    strokes = "".join(f"M{x} {top}v{length}" for x in sorted({scale.x(a) for a in lane.btdc_deg}))
    drawn = f'<path class="reading{past}" d="{strokes}"/>' if strokes else ""
    if lane.mean_btdc is None:
        return drawn
    if lane.bar is not None:
        left, right = map(scale.x, lane.bar)
        ends = f"M{left} {y - 3}v6M{right} {y - 3}v6"
        drawn += f'<path class="bar{past}" d="M{left} {y}H{right}{ends}"/>'
    middle = scale.x(lane.mean_btdc)
    return drawn + f'<path class="mean{past}" d="M{middle} {y - 4.6}l4 4.6l-4 4.6l-4 -4.6z"/>'


def _svg(scale: Scale, height: float, about: str, drawn: str, name: str) -> str:
    size = f'width="{scale.width / MM:g}mm" height="{height / MM:g}mm"'
    box = f'viewBox="0 0 {scale.width:g} {height:g}"'
    return f'<svg class="{name}" {box} {size} {about}>{drawn}</svg>'
