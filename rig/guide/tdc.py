"""At the bench: dial gauge points with the crank held, and selecting the TDC to use."""

from __future__ import annotations

import re

from rig.base import rounding
from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.engine.geometry import MM_PER_INCH, geometry_of, plug_hole_offset_deg
from rig.engine.profile import Geometry
from rig.guide.action import DIGITS, Action, Bench, Host, Prompt
from rig.guide.advice import STOP
from rig.guide.procedure import Advice, Hand, Panel, PanelLine, Procedure, Sort
from rig.guide.state import tdc_moved
from rig.job.tdc import Candidate, GaugeDoubt, candidates, gauge_doubts
from rig.signal.events import Now
from rig.tdc.dial_gauge import GaugePoint, coarse_top_deg, drop_in_mm, near, within_stroke
from rig.tdc.gauge_points import (
    INCLINED,
    MARK,
    NOTE,
    DropUnit,
    GaugeReading,
    gauge_note,
    gauge_series,
    marks_tdc,
)
from rig.tdc.gauge_series import Series
from rig.tdc.reference import Method, TdcReference
from rig.words.diagnostics import mark_words
from rig.words.tdc import beside_words, gauge_doubt_words, taken_again_words

STILL_S = 0.5
STILL_DEG = 0.1
"""A crank that moves by no more than this in half a second is held (a quarter of its uncertainty
as entered of a gauge point comes of it; common practice, no source)."""

DIGIT = "123456789"
INCLINED_BY = "By how many degrees is the gauge inclined to the bore (0: not at all)?"
WHICH = "In which cylinder is the gauge?"
DIAL_ZERO = "dial zero"
ENOUGH = 3  # points a side after which no more are asked for (common practice, no source)
NEXT_SHARE = 0.6  # of the last drop, for the next point nearer to TDC

UNITS: dict[str, DropUnit] = {"": "mm", "mm": "mm", "in": "inch", "inch": "inch", '"': "inch"}
_DROP = re.compile(r"([0-9]*[.,]?[0-9]+|[0-9]+[.,])\s*([a-z\"]*)\.?")
_SHORT = {Method.FIT: "fit", Method.EQUAL_DROPS: "equal drops"}


def typed_drop(text: str, unit: DropUnit = "mm") -> tuple[float, DropUnit]:
    """A piston drop as typed (``2.0``, ``2,0 mm``, ``0.080 in``), in millimetres, and its unit.

    ``unit`` is taken where none is typed. Raises InputError for anything else.
    """
    match = _DROP.fullmatch(text.strip().casefold())
    if match is None or match[2] not in UNITS:
        raise InputError(f"{text!r} is no piston drop: enter it as 2.00, 2.00 mm or 0.080 in")
    used = UNITS[match[2]] if match[2] else unit
    drop_mm = drop_in_mm(float(match[1].replace(",", ".")), used)
    if drop_mm <= 0.0:
        raise InputError("enter how far the piston is below TDC: more than 0")
    return drop_mm, used


def still_deg(host: Host) -> float:
    """Where the crank is held, degrees. Raises InputError when it moves or is not known."""
    angle = host.stillness.mean_deg(STILL_S)
    if angle is None or host.session.crank_deg() is None:
        raise InputError("the crank's angle is not known yet: turn until the index passes")
    moved = host.stillness.moved_deg(STILL_S)
    if moved > max(STILL_DEG, 1.5 * host.session.settings.count_deg):
        raise InputError(f"the crank moves ({moved:.2f}° in half a second): hold it still first")
    return angle


class GaugePoints(Procedure):
    """Take points, see what they say, measure once more at the end."""

    def __init__(self, host: Host, prompt: Prompt) -> None:
        readings = host.session.gauge.readings
        self._host = host
        self._prompt = prompt
        self._cylinder = readings[-1].cylinder if readings else 1
        self._again = bool(readings) and readings[-1].again
        self._selected = False  # the TDC to use was asked for
        self._unit: DropUnit = "mm"
        self._at_deg = 0.0
        self._key: object = None
        self._found: tuple[Series | None, str, list[GaugeDoubt]] = (None, "", [])

    # -- what the points say --

    def _worked(self) -> tuple[Series | None, str, list[GaugeDoubt]]:
        """The series of the points so far, why there is none, and what is in doubt."""
        notes, profile = self._host.session.gauged, self._host.session.profile
        key = (tuple(notes.readings), notes.gauge, self._cylinder)
        if key != self._key:
            series, why = None, ""
            try:
                series = gauge_series(notes, profile, self._cylinder)
            except InputError as wrong:
                why = str(wrong)
            numbers = range(1, len(notes.points(self._cylinder)) + 1)
            doubts = gauge_doubts(series, notes, self._cylinder, numbers, self._geometry())
            self._key, self._found = key, (series, why, doubts)
        return self._found

    def _series(self, *, again: bool = False) -> list[GaugeReading]:
        readings = self._host.session.gauged.of(self._cylinder)
        return [each for each in readings if each.again == again]

    def _geometry(self) -> Geometry | None:
        return geometry_of(self._host.session.profile.engine, self._cylinder)

    def _tdc_deg(self) -> float | None:
        series, reference = self._worked()[0], self._host.session.reference
        if series is not None:
            return series.references[0].tdc_deg
        if reference is not None and reference.cylinder == self._cylinder:
            return reference.tdc_deg
        points = [each.point for each in self._series()]
        return coarse_top_deg(points, self._host.session.gauged.gauge, self._geometry())

    def _drops(self, *, again: bool = False) -> tuple[list[float], list[float]]:
        """Piston drops read before TDC, and after it; by the way in which the crank came only where
        angle and drop do not tell the side."""
        tdc = self._tdc_deg()
        sides: tuple[list[float], list[float]] = [], []
        for each in self._series(again=again):
            after = -each.direction if tdc is None else wrap(each.point.angle_deg - tdc) or 1
            if after:
                sides[after > 0].append(each.point.drop_mm)
        return sides

    # -- on the screen --

    def show(self, now: Now | None) -> Panel:
        """TDC so far, the points of either side, both methods, and what is in doubt."""
        series, why, doubts = self._worked()
        figure, below = "", "no TDC yet: points on both sides"
        if doubts:
            below = "in doubt: see below"
        elif series is not None:
            first = series.references[0]
            figure = rounding.after_index(first.tdc_deg, first.uncertainty.U_deg)
            below = f"TDC so far, {_SHORT[first.method]}"
        sides = zip(("before TDC", "after TDC"), self._drops(), strict=True)
        beside = [PanelLine(label, _drops_text(drops)) for label, drops in sides]
        lines = [PanelLine("DOUBT", gauge_doubt_words(doubt), "bad") for doubt in doubts]
        if series is None and self._series():
            lines.append(PanelLine("so far", why))
        if points := self._series(again=self._again):
            last = points[-1]
            way = {1: "approached forward", -1: "approached turning back"}.get(last.direction, "")
            text = (
                f"no. {len(points)}: {last.point.drop_mm:.2f} mm at"
                f" {rounding.after_index(last.point.angle_deg)}° after the index, {way}"
            )
            lines.append(PanelLine("last point", text))
        if self._again or self._series(again=True):
            before, after = map(len, self._drops(again=True))
            text = f"{before} before TDC, {after} after it; one on either side is wanted"
            if series is not None and series.again is not None:
                text = taken_again_words(series.again)
            lines.append(PanelLine("once more", text))
        where = f", cylinder {self._cylinder}" if self._cylinder != 1 else ""
        return Panel(
            f"TDC by dial gauge{where}", "the gauge is IN: no full turn", figure,
            below=below, beside=(*beside, *_methods(series)), lines=tuple(lines),
        )  # fmt: skip

    def advice(self) -> Advice:
        """Which point next, and from which side."""
        words, press, hand, what = "", "event_here", Hand.NOTHING, ""
        wanted = _where_next(*self._drops(again=self._again), self._again)
        if not self._zeroed and not self._series():
            words, press = "Bring the piston to TDC and set the dial to zero", "step_done"
            hand, what = Hand.WORK, DIAL_ZERO
        elif self._worked()[2]:
            words, press = "Undo the doubtful point and take it again", "undo"
        elif wanted is not None:
            words = f"{wanted[0]}, hold it, enter the drop"
            hand = Hand.TO_DROP_FORWARD if wanted[1] > 0 else Hand.TO_DROP_BACK
        elif not self._series(again=True):
            words, press = "Enough points: measure once more on each side", "again"
        elif not self._selected:
            words, press = "Select the TDC to use, then remove the gauge", "select_tdc"
        else:
            words, press, hand, what = "Remove the dial gauge", "leave", Hand.WORK, "gauge out"
        return Advice(
            "gauge", words, "Approach each point with the piston rising, or clearances matter.",
            press=press, hand=hand, what=what, mm=wanted[2] if wanted else None,
            caution=STOP,
        )  # fmt: skip

    # -- actions --

    def actions(self) -> tuple[Action, ...]:
        """A point, undo one, once more at the end, how the gauge is fitted."""
        again = "more points" if self._again else "once more"
        does = "back to the series" if self._again else "measure once more"
        one = self._host.session.profile.engine.cylinders == 1
        return (
            Action("step_done", "enter", "dial is zero", "the dial reads zero at the piston's top",
                   lambda bench, _: bench.note("the dial is zero", "said", {"step": DIAL_ZERO},
                                               step=DIAL_ZERO),
                   why_not=lambda _: "The dial is zero." if self._zeroed else ""),
            Action("event_here", "space", "piston drop", "the drop where the crank is held",
                   self._ask_drop, takes="DROP"),
            Action("undo", "backspace", "undo", "undo the last point, or the doubtful one",
                   self._undo, undo="enter it again", takes="POINT"),
            Action("again", "a", again, does, self._turn_again, undo="a"),
            Action("select_tdc", "t", "select TDC", "select which of the TDCs found is used",
                   self._select, undo="esc"),
            Action("inclined", "i", "inclined", "the gauge is inclined to the bore",
                   lambda bench, entered: bench.ask_for(INCLINED_BY, entered, self._inclined),
                   undo="i, then 0", takes="DEGREES; CASE"),
            Action("other_cylinder", "o", "other cylinder", "the gauge is in another cylinder",
                   lambda bench, entered: bench.ask_for(WHICH, entered, self._in_cylinder),
                   undo="o", takes="CYLINDER",
                   why_not=lambda _: "The engine has one cylinder." if one else ""),
        )  # fmt: skip

    def leave(self) -> None:
        """The gauge is still in."""
        self._prompt.say("Remove the dial gauge before a full turn.")

    @property
    def _zeroed(self) -> bool:
        return DIAL_ZERO in self._host.session.annotations.steps

    def _select(self, bench: Bench, _: str) -> None:
        self._selected = True
        bench.dashboard.begin(SelectTdc(bench.host))

    def _turn_again(self, _: Bench, __: str) -> None:
        self._again = not self._again

    def _ask_drop(self, bench: Bench, entered: str) -> None:
        self._at_deg = still_deg(self._host)
        number = len(self._series(again=self._again)) + 1
        forms = "mm (2.00, or 0.080 in)" if self._unit == "mm" else "inches (0.080, or 2.00 mm)"
        bench.ask_for(
            f"Point {number}: how far below TDC is the piston, in {forms}?",
            entered,
            lambda text: self._take(bench, text),
        )

    def _take(self, bench: Bench, text: str) -> None:
        drop_mm, unit = typed_drop(text, self._unit)
        now = still_deg(self._host)
        if abs(now - self._at_deg) > STILL_DEG + self._host.session.settings.count_deg:
            raise InputError("the crank moved while you typed: hold it, and enter it again")
        notes, geometry = self._host.session.gauge, self._geometry()
        if geometry is not None:
            try:
                within_stroke([GaugePoint(self._at_deg, drop_mm)], notes.gauge, geometry)
            except InputError as wrong:
                number = len(self._series()) + 1
                raise InputError(str(wrong).replace("point 1", f"point {number}")) from None
        self._unit = unit
        way = self._host.stillness.way
        note = gauge_note(
            drop_mm, self._at_deg, cylinder=self._cylinder, direction=way, again=self._again
        )
        self._host.annotate(NOTE, note)
        point = notes.readings[-1]
        with_unit = f"{drop_mm:.3f} mm"
        if unit != "mm":
            with_unit = f"{drop_mm / MM_PER_INCH:.4f} in, which is {with_unit}"
        bench.did(f"the point {with_unit}", lambda: self._take_back(point), point)
        doubts = self._worked()[2]
        self._prompt.say(gauge_doubt_words(doubts[0]) if doubts else f"noted: {with_unit}")

    def _undo(self, bench: Bench, entered: str) -> None:
        """The last thing done; a doubtful point is asked about, since it may be an earlier one."""
        blamed = [] if self._again else [d.point for d in self._worked()[2] if d.point]
        if not blamed and not entered:
            bench.prompt.say(f"Undone: {bench.undo()}.")
            return

        def take(text: str) -> None:
            series, wanted = self._series(again=self._again), text or str(blamed[0])
            if not wanted.isascii() or not wanted.isdigit() or not 1 <= int(wanted) <= len(series):
                raise InputError(f"point {wanted}: enter 1 to {len(series)}")
            point = series[int(wanted) - 1]
            self._take_back(point)
            bench.undone(point)
            self._prompt.say(f"Undone: point {wanted}, {point.point.drop_mm:.2f} mm.")

        text = f"Undo which point? Empty: number {blamed[0] if blamed else ''}"
        bench.ask_for(text, entered, take)

    def _take_back(self, point: GaugeReading) -> None:
        readings = self._host.session.gauge.readings
        at = next(n for n, each in enumerate(readings, 1) if each is point)
        self._host.annotate(NOTE, {"back": True, "reading": at})

    def _inclined(self, text: str) -> None:
        try:
            deg = float(text.replace(",", "."))
        except ValueError:
            raise InputError(f"{text!r} is no angle in degrees") from None
        if not 0.0 <= deg < 80.0:
            raise InputError(f"a gauge inclined by {text}° cannot be corrected: enter 0 to 80")

        def take(answer: str) -> None:
            case = {"s": "sliding", "p": "pinned"}.get(answer[:1].casefold())
            if case is None:
                raise InputError(f"{answer!r} is neither s nor p; press i and enter it again")
            self._host.annotate(INCLINED, {"inclined_deg": deg, "case": case})
            self._prompt.say(f"the gauge is taken to be inclined {deg:g}°, {case}")

        if deg == 0.0:
            self._host.annotate(INCLINED, {"inclined_deg": 0.0})
        else:
            self._prompt.ask_for(
                "Does its plunger slide on a flat crown (s), or is a rod pinned to one point of it"
                " (p)? On a domed crown neither rule holds.",
                take,
            )

    def _in_cylinder(self, text: str) -> None:
        if not text.isascii() or not text.isdigit():
            raise InputError(f"cylinder {text!r}: enter its number")
        plug_hole_offset_deg(self._host.session.profile.engine, int(text))
        self._cylinder = int(text)


def _with_U(tdc: TdcReference) -> str:  # noqa: N802
    return rounding.after_index_with(tdc.tdc_deg, tdc.uncertainty.U_deg)


def _drops_text(drops: list[float]) -> str:
    shown = " ".join(f"{drop:.2f}" for drop in drops[::-1])
    return f"{len(drops)}×  {shown} mm" if drops else "no point yet"


def _methods(series: Series | None) -> list[PanelLine]:
    """TDC by each method, or why it has none yet."""
    if series is None:
        return []
    lines = []
    for name, found, why in (
        ("curve", series.fit, series.fit_why), ("equal drops", series.drops, series.drops_why),
    ):  # fmt: skip
        if found is None:
            lines.append(PanelLine(name, f"not yet: {why}", "quiet"))
        else:
            lines.append(PanelLine(name, _with_U(found.reference), "now"))
    middles = series.drops.middles if series.drops else ()
    if together := sum(bool(each.apart_mm) for each in middles):
        lines.append(PanelLine("", f"{together} of {len(middles)} nearly equal", "quiet"))
    return lines


def _where_next(
    before: list[float], after: list[float], again: bool
) -> tuple[str, int, float | None] | None:
    """Where the next point lies, the way to it (1 forward, -1 back), and its drop in mm where not
    any will do: each drop on both sides, or one on each side to measure once more. None when there
    are enough."""
    if again and not before:
        return "Turn forward to before TDC once more", 1, None
    if again:
        return None if after else ("Turn back to after TDC once more", -1, None)
    if len(before) < ENOUGH and not after:
        if not before:
            return "Turn forward to some mm before TDC", 1, None
        mm = NEXT_SHARE * before[-1]
        return f"Turn forward to about {mm:.1f} mm", 1, mm
    for drop in before:
        if not any(near(each, drop) for each in after):
            return f"Past TDC, turn back to {drop:.2f} mm", -1, drop
    for drop in after:
        if not any(near(each, drop) for each in before):
            return f"Well back, turn forward to {drop:.2f} mm", 1, drop
    if len(before) >= ENOUGH:
        return None
    return "Well back, turn forward to another drop", 1, NEXT_SHARE * min(before)


class SelectTdc(Procedure):
    """TDC by each method beside the others and the engine's own mark."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._key: object = None
        self._found: list[Candidate] = []

    def _candidates(self) -> list[Candidate]:
        session = self._host.session
        notes = session.gauge
        key = (tuple(notes.readings), tuple(notes.marks), notes.gauge, tuple(session.references))
        if key != self._key:
            self._key, self._found = key, candidates(session, session.profile)
        return self._found

    def show(self, now: Now | None) -> Panel:
        """A line for each, the one in use first, then the marks that are of something else."""
        session = self._host.session
        lines = []
        for number, each in enumerate(self._candidates(), 1):
            reference = each.reference
            cylinder = f", cylinder {reference.cylinder}" if reference.cylinder != 1 else ""
            text = f"{_with_U(reference)} by {reference.by}{cylinder}"
            if each.in_use:
                text += ": IN USE"
            elif each.doubts:
                text += f": IN DOUBT: {gauge_doubt_words(each.doubts[0])}"
            elif each.beside:
                text += f": {beside_words(each.beside)}"
            sort: Sort = "now" if each.in_use else "bad" if each.doubts else "plain"
            lines.append(PanelLine(str(number), text, sort))
        lines += [
            PanelLine("mark", mark_words(mark, session.here), "quiet")
            for mark in session.gauge.marks
            if not marks_tdc(mark, session.here)
        ]
        if not lines:
            lines = [PanelLine("", "none was found yet", "now")]
        return Panel("select the TDC to use", "degrees after the index", lines=tuple(lines))

    def advice(self) -> Advice:
        """The one that was touched last where TDC has moved, the first where none is in use yet;
        else leave it as it is."""
        session = self._host.session
        last = session.references[-1] if tdc_moved(session) else None
        fits = [
            str(n)
            for n, each in enumerate(self._candidates()[:9], 1)
            if (each.reference == last if last else session.reference is None and not each.doubts)
        ]
        return Advice(
            "which", "Select the TDC to use by its number, or leave it",
            "The certificate says which one is used, and shows the others.",
            press=(*fits, "leave")[0],
        )  # fmt: skip

    def actions(self) -> tuple[Action, ...]:
        """A number for each, and the last mark undone."""
        return (
            Action("use_tdc", DIGITS, "use it", "use that TDC", self._ask, takes="NUMBER",
                   digits=lambda _: dict.fromkeys(DIGIT[: len(self._candidates())], "use it")),
            Action("undo", "backspace", "undo", "undo the last thing, or the engine's mark",
                   self._undo, undo="do it again"),
        )  # fmt: skip

    def _ask(self, bench: Bench, entered: str) -> None:
        found = self._candidates()
        if not entered.isdecimal() or not 1 <= int(entered) <= len(found):
            raise InputError(f"TDC {entered}: enter 1 to {len(found)}")
        each = found[int(entered) - 1]
        if each.in_use:
            raise InputError("this one is in use")
        if each.doubts:
            raise InputError(f"not used: {gauge_doubt_words(each.doubts[0])}")

        def use() -> None:
            found = self._host.use(each.which)
            bench.did(f"TDC by {found.by} is used", lambda: self._host.undo_tdc("use"))
            bench.prompt.say(f"In use now: {found.by}, {_with_U(found)}.")

        by = f"Use TDC as found by {each.reference.by} from now on?"
        bench.prompt.ask(f"{by} Every reading is worked out with it.", use)

    def _undo(self, bench: Bench, _: str) -> None:
        marks = self._host.session.gauge.marks
        if bench.done or not marks:
            bench.prompt.say(f"Undone: {bench.undo()}.")
            return
        what = marks[-1].what
        self._host.annotate(MARK, {"back": True})
        bench.prompt.say(f"Undone: the mark {what}.")
