"""Views of the states that a job goes through, for the tests of the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from fabricated_record import profile, reference

from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Setting, Unit, Window
from rig.guide.action import ActionLine, Key, Question
from rig.guide.procedure import GoToView, Panel, PanelLine
from rig.live.view import (
    STEPS,
    CrankView,
    ReferenceView,
    RigView,
    TouchesView,
    UnitView,
    View,
)
from rig.timing.assess import UnitVerdict, assess, unit_figure, unit_verdict
from rig.timing.values import Comparison, Reading

RIG = RigView(port="/dev/ttyUSB0", name="bench-rig", silent_s=0.02, lines=18240)
KEYS = (
    Key("space", "mark firing stroke"),
    Key("s", "setting"),
    Key("t", "tightened"),
    Key("g", "go to angle"),
    Key("c", "certificate"),
    Key("q", "quit"),
)
ADVANCE = Setting("full advance", Window(37.0, 36.0, 35.0, "manual, page 12"))


def made(
    name: str,
    number: int,
    angles: Sequence[float],
    setting: Setting = ADVANCE,
    *,
    contacts_open: bool | None = False,
    kind: Literal["turned", "set", "impulse"] = "turned",
) -> UnitView:
    """A unit with readings of cylinders 1, 3, 4 in turn, assessed by the program itself."""
    unit = Unit(name, number, Fraction(1, 2), 4, (setting,))
    readings = tuple(
        Reading(
            name, setting.name, (1, 3, 4)[n % 3], n % 3, angle, 360.0 * n - angle, float(n), None,
            kind=kind,
        )
        for n, angle in enumerate(angles)
    )  # fmt: skip
    found = assess(readings, replace(profile(), units=(unit,)), reference())
    key = (name, setting.name)
    return UnitView(
        unit, setting, contacts_open=contacts_open, readings=readings,
        assessments=tuple(j for j in found if j.kind == "turned"),
        whole=unit_figure(found, *key), verdict=unit_verdict(found, *key),
        valid=len(readings), last_valid=bool(readings),
    )  # fmt: skip


UPPER = made("upper", 1, (36.31, 36.22, 36.18, 36.27, 36.12, 36.24))
LOWER = replace(
    made("lower", 2, (34.61, 34.49, 34.58, 34.56), contacts_open=True),
    rejected=1,
    why_rejected="approach of 14.2° only; 20° needed",
    last_valid=False,
)
DOUBTFUL = made("lower", 2, (36.95, 36.98, 36.93, 37.01), contacts_open=True)
EARLY = made("upper", 1, (61.11, 61.02, 61.07, 61.05, 61.03, 61.06))
BOTH = Comparison(
    "upper", "lower", "full advance", None, 1.66,
    combine([Contribution(Source.REPEATABILITY, 0.07, 20.0, "A", "test")]), 0.0, 1.0, "outside",
    "upper opens 1.66 degrees before lower",
)  # fmt: skip


def _turn_out() -> UnitView:
    """The unit upper, read on the other stroke."""
    readings = tuple(replace(each, wrong_stroke=True) for each in UPPER.readings)
    found = assess(readings, replace(profile(), units=(UPPER.unit,)), reference())
    return replace(UPPER, readings=readings, assessments=tuple(found),
                   whole=unit_figure(found, "upper", "full advance"),
                   verdict=unit_verdict(found, "upper", "full advance"))  # fmt: skip


CRANK = CrankView(
    btdc_deg=152.4,
    direction=1,
    speed_deg_s=31.0,
    approach_deg=14.2,
    approach_needed_deg=20.0,
    why_not="approach still too short",
)
READING = View(
    job="Launch engine, four cylinders",
    tag="virtual rig",
    step="reading",
    done=STEPS[:4],
    rig=RIG,
    crank=CRANK,
    reference=ReferenceView("stop, 3 + 3 touches", 0.12, True),
    stroke="stated",
    units=(UPPER, LOWER),
    comparisons=((BOTH,),),
    elapsed_s=727.0,
    capture="2024-05-04-1012.rig",
    next="Turn slowly forward past the openings",
    then=", then press l",
    why="Five readings a unit, each with the backlash taken up.",
    message="upper: lever now at full advance",
    keys=KEYS,
)  # fmt: skip
ONE = replace(READING, units=(UPPER,), comparisons=(), crank=replace(
    CRANK, approach_deg=212.0, valid_now=True, why_not="", btdc_deg=-4.0))  # fmt: skip
RETARD = Setting("full retard", Window(2.0, 0.0, -10.0, "manual, page 12"))
IMPULSE = replace(
    made("rear", 3, (-4.0,), RETARD, kind="impulse"), notes=("impulse lag 38.2° of crank",)
)
EMPTY = made("front", 4, (), Setting("fixed", Window(10.0, 8.0, 6.0, "plate")), contacts_open=None)
FOUR = replace(READING, units=(UPPER, LOWER, IMPULSE, EMPTY))
THREE = replace(READING, units=(UPPER, LOWER, EMPTY))
EIGHT = replace(READING, units=tuple(made(f"unit {n}", n, (36.24, 36.2, 36.3))
                                     for n in range(1, 9)))  # fmt: skip
START = View(
    job="Launch engine, four cylinders",
    rig=replace(RIG, lines=0, silent_s=None, name=""),
    crank=CrankView(why_no_angle="the index has not passed yet", after_index_deg=None),
    units=(made("upper", 1, (), contacts_open=None), made("lower", 2, (), contacts_open=None)),
    next="Turn slowly forward until the index passes",
    why="All angles are counted from the index.",
    warning="Reading a magneto makes it live: plugs out, high-tension leads on an earthed gap, "
    "keep clear of the arc of anything bolted to the crank. The maker's manual comes first.",
    keys=(Key("space", "go on"), Key("q", "quit")),
)
TOUCHES = TouchesView(
    forward_deg=(121.52, 121.58, 121.49),
    backward_deg=(202.31, 202.22),
    middle_deg=161.9,
    spread_deg=0.09,
    U_deg=0.14,
    note="the last touch back was unsteady: 0.4° of shaking; touch it once more",
)
STOP_IN = replace(
    READING,
    step="top dead centre",
    done=STEPS[:2],
    crank=CrankView(
        why_no_angle="top dead centre is not found yet",
        after_index_deg=118.4,
        direction=-1,
        speed_deg_s=6.0,
        why_not="no reference",
    ),
    reference=ReferenceView(),
    stroke="not stated",
    touches=TOUCHES,
    comparisons=(),
    next="Turn gently back to the piston stop",
    why="Three touches from each side show how well it repeats.",
    warning="By hand only. The stop must meet the piston crown and clear both valves; take it "
    "out before a full turn.",
    message="",
)
STOP_FIRST = replace(STOP_IN, touches=TouchesView())
LOST = replace(
    READING,
    rig=replace(RIG, connected=False, silent_s=4.2, line_errors=(("checksum", 3), ("gap", 1)),
                detail="Nothing heard from /dev/ttyUSB0. Check the cable; the session goes on "
                "by itself when the rig is back."),
    message="the rig went silent at 12:03; everything up to then is saved",
)  # fmt: skip
TURN_OUT = _turn_out()
RESET = replace(
    READING,
    reference=replace(READING.reference, valid=False, why_not="the rig began anew"),
    crank=CrankView(why_no_angle="the rig was reset; the index has to pass again"),
    stroke="lost",
    units=(TURN_OUT, LOWER),
)
ASKED = replace(READING, question=Question(
    "Save a certificate now? Two cylinders of lower have not been read yet.",
    "save it", "go on reading"))  # fmt: skip
TYPED = replace(READING, question=Question("Go to which angle, degrees BTDC?", "go", "leave",
                                           entry="36.5"))  # fmt: skip
GOTO = replace(READING, goto=GoToView(36.0, 12.4, True, "forward, gently", 125.66))
GOING = GoToView(
    36.0, -0.8, False, "past it: go back well past and come forward again", None, "upper"
)
GOTO_PAST = replace(READING, goto=GOING)
GAUGE = replace(
    START,
    panel=Panel(
        "TDC by dial gauge", "the gauge is IN: no full turn", "161.94",
        below="TDC so far, fit",
        beside=(PanelLine("before TDC", "3×  1.87 4.57 8.35 mm"),
                PanelLine("curve", "161.94° ± 0.03°", "now")),
        lines=(PanelLine("DOUBT", "gauge point 3 does not fit; read it again", "bad"),
               PanelLine("last point", "no. 6: 1.87 mm")),
    ),
)  # fmt: skip
VERDICTS = replace(
    START,
    panel=Panel(
        "rig check: verdicts",
        "18 of 20 good",
        lines=tuple(
            PanelLine("good", f"thing {n}: measured and found as stated", "good") for n in range(20)
        ),
    ),
)
PAGE = replace(READING, actions=(
    ActionLine("space", "cylinder 1 stands at its firing dead centre", "asked first"),
    ActionLine("1 2", "lever to its next setting: upper, lower", "the same key again"),
    ActionLine("q", "end here; the capture is kept", "asked first")))  # fmt: skip
BENCH = replace(START, instead="a unit on the bench", crank=CrankView(
    shaft="its shaft", after_index_deg=203.4, approach_deg=30.0, valid_now=True))  # fmt: skip
INCONCLUSIVE = replace(READING, units=(UPPER, DOUBTFUL))
NAMELESS = View()
STATES: dict[str, View] = {
    "reading": READING, "one": ONE, "four": FOUR, "three": THREE, "eight": EIGHT, "start": START,
    "stop in": STOP_IN, "stop first": STOP_FIRST, "lost": LOST, "reset": RESET, "asked": ASKED,
    "typed": TYPED, "goto": GOTO, "goto past": GOTO_PAST, "nameless": NAMELESS,
    "inconclusive": INCONCLUSIVE, "far": replace(READING, units=(EARLY, LOWER)),
    "gauge": GAUGE, "verdicts": VERDICTS, "page": PAGE, "bench": BENCH,
}  # fmt: skip

HOSTILE = [
    "\x1b[2J\x1b[31mred", "\x9b31m", "a\nb\rc\td", "[bold red]markup[/bold red]",
    "\u202eesrever", "\u2066iso\u2069", "\u200bzero\u200dwidth", "e\u0301" + "\u0336" * 50,
    "漢字の名前", "\U0001f469\u200d\U0001f527\U0001f1e9\U0001f1ea\U0001f44d\U0001f3fd",
    "\x00\x07\x08\x7f", "\ue000\ufdd0\U000e0041", "x" * 10_000, "\ud800",
    "<script>alert(1)</script>",
]  # fmt: skip


def spread_over(text: str) -> View:
    """A view that says ``text`` wherever text may stand."""
    unit = replace(
        UPPER,
        unit=replace(UPPER.unit, name=text),
        setting=replace(UPPER.setting, name=text),
        notes=(text,), why_rejected=text, rejected=9, last_valid=False,
    )  # fmt: skip
    unread = replace(unit, readings=(), assessments=(), whole=None, verdict=UnitVerdict())
    return replace(
        READING, job=text, tag=text, units=(unit, unread),
        rig=replace(READING.rig, port=text, name=text, detail=text, line_errors=((text, 3),)),
        reference=replace(READING.reference, text=text, why_not=text),
        crank=replace(READING.crank, of=text, why_not=text, why_no_angle=text),
        comparisons=((replace(BOTH, first=text, second=text),),), capture=text,
        next=text, then=text, why=text, warning=text, caution=text, message=text,
    )  # fmt: skip
