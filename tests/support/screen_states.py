"""Views of the states that a job goes through, for the tests of the screen."""

from __future__ import annotations

from dataclasses import replace

from rig.guide.action import ActionLine, Key, Question
from rig.guide.procedure import GoToView, Panel, PanelLine
from rig.live.view import (
    STEPS,
    ComparisonView,
    CrankView,
    CylinderView,
    ReferenceView,
    RigView,
    TouchesView,
    UnitView,
    View,
)

RIG = RigView(port="/dev/ttyUSB0", name="bench-rig", silent_s=0.02, lines=18240)
KEYS = (
    Key("space", "mark firing stroke"),
    Key("s", "setting"),
    Key("t", "tightened"),
    Key("g", "go to angle"),
    Key("c", "certificate"),
    Key("q", "quit"),
)
UPPER = UnitView(
    name="upper",
    input=1,
    setting="full advance",
    contacts="closed",
    last_btdc=36.24,
    last_cylinder=1,
    last_words="0.24° early, inside",
    earliest_btdc=37.0,
    nominal_btdc=36.0,
    latest_btdc=35.0,
    readings_btdc=(36.31, 36.22, 36.18, 36.27, 36.12, 36.24),
    mean_btdc=36.223,
    sd_deg=0.066,
    U_deg=0.16,
    verdict="inside",
    words="0.22° early, inside",
    cylinders=(
        CylinderView(1, 3, 36.28, 0.04, 0.17, "inside", "inside"),
        CylinderView(3, 2, 36.20, 0.05, 0.21, "inside", "inside"),
        CylinderView(4, 1, 36.12),
    ),
    counted=6,
)
LOWER = replace(
    UPPER,
    name="lower",
    input=2,
    contacts="open",
    last_btdc=34.56,
    last_words="1.44° late: 0.44° outside",
    readings_btdc=(34.61, 34.49, 34.58, 34.56),
    mean_btdc=34.56,
    sd_deg=0.05,
    U_deg=0.17,
    verdict="outside",
    words="0.44° later than permitted",
    cylinders=(),
    counted=4,
    not_counted=1,
    why_not_counted="the run-up was 14° of 20°",
)
CRANK = CrankView(
    btdc_deg=152.4,
    direction=1,
    speed_deg_s=31.0,
    run_up_deg=14.2,
    run_up_needed_deg=20.0,
    why_not="run-up still too short",
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
    comparisons=(
        ComparisonView("upper", "lower", "upper opens 1.66° ± 0.14° before lower", 1.66, 0.14,
                       "outside"),
    ),
    elapsed_s=727.0,
    capture="2024-05-04-1012.rig",
    next="Turn on gently in the normal direction through the next opening.",
    why="Six readings of a unit give the mean an uncertainty that the window can be judged by.",
    message="upper, cylinder 1: 36.24° BTDC, counted",
    keys=KEYS,
)  # fmt: skip
ONE = replace(READING, units=(UPPER,), comparisons=(), crank=replace(
    CRANK, run_up_deg=212.0, will_count=True, why_not="", btdc_deg=-4.0))  # fmt: skip
IMPULSE = replace(
    LOWER, name="rear", input=3, last_kind="impulse", last_btdc=-4.0, readings_btdc=(-4.0,),
    mean_btdc=None, sd_deg=None, U_deg=None, verdict="no window set", last_words="late on purpose",
    why_not_counted="", earliest_btdc=2.0, nominal_btdc=0.0, latest_btdc=-10.0,
    notes=("impulse lag 38.2° of crank",),
)  # fmt: skip
EMPTY = UnitView(name="front", input=4, setting="fixed", earliest_btdc=10.0, nominal_btdc=8.0,
                 latest_btdc=6.0)  # fmt: skip
FOUR = replace(READING, units=(UPPER, LOWER, IMPULSE, EMPTY))
THREE = replace(READING, units=(UPPER, LOWER, EMPTY))
EIGHT = replace(READING, units=tuple(replace(UPPER, name=f"unit {n}", input=n)
                                     for n in range(1, 9)))  # fmt: skip
START = View(
    job="Launch engine, four cylinders",
    rig=replace(RIG, lines=0, silent_s=None, name=""),
    crank=CrankView(why_no_angle="the index has not passed yet", after_index_deg=None),
    units=(replace(EMPTY, name="upper", input=1), replace(EMPTY, name="lower", input=2)),
    next="Turn the crank one whole turn forward, all plugs out.",
    why="The index pulse has to pass once before any angle can be told.",
    caution="Reading a magneto makes it live: plugs out, high-tension leads on an earthed gap, "
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
    next="Turn back gently to the stop once more.",
    why="Three touches from each side show how well the stop repeats.",
    caution="By hand only. The stop must meet the piston crown and clear both valves; take it "
    "out before a full turn.",
    message="",
)
STOP_FIRST = replace(STOP_IN, touches=TouchesView())
LOST = replace(
    READING,
    rig=replace(RIG, connected=False, silent_s=4.2, troubles=(("checksum", 3), ("gap", 1)),
                detail="Nothing heard from /dev/ttyUSB0. Check the cable; the session goes on "
                "by itself when the rig is back."),
    message="the rig went silent at 12:03; everything up to then is saved",
)  # fmt: skip
RESET = replace(
    READING,
    reference=replace(READING.reference, holds=False, why_not="the rig began anew"),
    crank=CrankView(why_no_angle="the rig was reset; the index has to pass again"),
    stroke="lost",
    units=(replace(UPPER, marks=("stroke not stated", "one crank turn out")), LOWER),
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
        "top dead centre by gauge", "the gauge is IN: no full turn", "161.94",
        below="TDC so far, fit",
        beside=(PanelLine("before top", "3×  1.87 4.57 8.35 mm"),
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
    shaft="its shaft", after_index_deg=203.4, run_up_deg=30.0, will_count=True))  # fmt: skip
NAMELESS = View()
STATES: dict[str, View] = {
    "reading": READING, "one": ONE, "four": FOUR, "three": THREE, "eight": EIGHT, "start": START,
    "stop in": STOP_IN, "stop first": STOP_FIRST, "lost": LOST, "reset": RESET, "asked": ASKED,
    "typed": TYPED, "goto": GOTO, "goto past": GOTO_PAST, "nameless": NAMELESS,
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
        UPPER, name=text, setting=text, last_words=text, words=text, settle=text,
        marks=(text, text), notes=(text,), why_not_counted=text, counted=9, not_counted=9,
    )  # fmt: skip
    return replace(
        READING, job=text, tag=text, units=(unit, replace(unit, readings_btdc=(), mean_btdc=None)),
        rig=replace(READING.rig, port=text, name=text, detail=text, troubles=((text, 3),)),
        reference=replace(READING.reference, text=text, why_not=text),
        crank=replace(READING.crank, of=text, why_not=text, why_no_angle=text),
        comparisons=(ComparisonView(text, text, text),), capture=text, next=text, why=text,
        caution=text, message=text,
    )  # fmt: skip
