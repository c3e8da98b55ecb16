"""The questions that make a new engine file: what each allows, and what it queries.

An ``Interview`` goes through them, with one step back at any time. An answer that cannot be is
refused; one that can be but is unlikely (a tolerance of 26 degrees) is asked about once. What is
usual on an engine, in the bounds of ``doubt``, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from math import pi

from rig.base.errors import InputError, shown
from rig.base.rounding import listed
from rig.engine.engine_file import MOST_CYLINDERS
from rig.engine.profile import MOST_MM, MOST_TEETH
from rig.job import answers as checks
from rig.job.answers import AUTOMATIC, BACK, FIXED, LEVER, NONE, Answers, Figure

YES = ("yes", "y")
WAYS = ("clockwise", "anticlockwise")


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask. ``check`` takes the typed text and returns the answer to keep.

    ``check`` raises InputError, with what is allowed, for any other text. ``doubt`` says what is
    unlikely about an answer that is allowed; empty for what is usual.
    """

    key: str
    text: str
    default: str
    check: Callable[[str], str]
    doubt: Callable[[str], str] = lambda _: ""


def questions(answers: Answers | None = None) -> tuple[Question, ...]:
    """What to ask, in order. The answers so far decide which, their defaults and checks."""
    so_far = dict(answers or {})
    person = Question("person", "Who measures? (It goes on the certificate; may stay empty.)", "",
                      lambda typed: checks.a_name(typed) if typed.strip() else "")  # fmt: skip
    return (*_engine(so_far), *_units(so_far), *_figures(so_far), *adjustments(so_far), person)


def next_question(
    answers: Answers, ask: Callable[[Answers], Sequence[Question]] = questions
) -> Question | None:
    """The first question that has no answer yet; None when all have."""
    return next((each for each in ask(answers) if each.key not in answers), None)


def checked(answers: Answers) -> dict[str, str]:
    """Every answer checked, with defaults for those that are missing.

    Raises InputError naming the first that is not allowed, or not known.
    """
    kept: dict[str, str] = {}
    while (question := next_question(kept)) is not None:
        kept[question.key] = question.check(answers.get(question.key, question.default))
    for key in answers:
        if key not in kept and key not in KEYS:
            raise InputError(f"{shown(key)} is no question; they are {', '.join(KEYS)}")
    return kept


class Interview:
    """The questions one after the other. ``answers`` are those that were taken, in order."""

    def __init__(self, ask: Callable[[Answers], Sequence[Question]] = questions) -> None:
        self._ask = ask
        self.answers: dict[str, str] = {}
        self._earlier: dict[str, str] = {}  # from before a step back
        self._doubted = ""

    @property
    def question(self) -> Question | None:
        """What to ask now; None when everything is answered."""
        return next_question(self.answers, self._ask)

    @property
    def default(self) -> str:
        """What an empty answer means: what was answered before a step back, or what is usual."""
        question = self.question
        if question is None:
            return ""
        try:
            return question.check(self._earlier[question.key])
        except (KeyError, InputError):  # none, or an answer before it has changed
            return question.default

    def take(self, typed: str) -> str:
        """Take an answer, a step back or a yes; returns what is unlikely about the answer, which is
        kept once a yes follows.

        Raises InputError for an answer that is not allowed. The question stays in both cases.
        """
        question, typed = self.question, typed.strip()
        if question is None:
            return ""
        if typed == BACK:
            self.back()
            return ""
        doubted, self._doubted = self._doubted, ""
        if doubted and typed.casefold() in YES:
            self.answers[question.key] = doubted
            return ""
        answer = question.check(typed or self.default)
        if typed and (doubt := question.doubt(answer)):  # what is offered is not queried
            self._doubted = answer
            return doubt
        self.answers[question.key] = answer
        return ""

    def back(self) -> None:
        """One question back; its answer becomes what an empty one means. At the first one, none."""
        self._doubted = ""
        if self.answers:
            key, answer = self.answers.popitem()
            self._earlier[key] = answer


# -- the questions --------------------------------------------------------------------------------


def _engine(so_far: Answers) -> Iterator[Question]:
    cylinders = int(so_far.get("cylinders", "4"))
    yield Question("name", "What do you call the engine?", "My engine", checks.a_name)
    yield Question("strokes", "Two-stroke or four-stroke: 2 or 4?", "4", _one_of("2", "4"))
    yield Question("cylinders", "How many cylinders?", "4",
                   partial(checks.a_whole, low=1, high=MOST_CYLINDERS))  # fmt: skip
    if cylinders > 1:
        usual = checks.usual_order(cylinders)
        yield Question("firing_order", "In which order do they fire?", usual,
                       partial(checks.an_order, cylinders=cylinders))  # fmt: skip
    yield Question("rotation",
                   "Seen from the flywheel end, does the crank turn clockwise or anticlockwise?",
                   WAYS[0], _one_of(*WAYS))  # fmt: skip
    yield Question("counts_per_turn",
                   "How many counts a turn does the encoder have? (Four times its lines.)", "4096",
                   checks.a_count,
                   _unusual("counts a turn", 400, 40_000, "1440 to 10 000"))  # fmt: skip


def _units(so_far: Answers) -> Iterator[Question]:
    strokes, cylinders = int(so_far.get("strokes", "4")), int(so_far.get("cylinders", "4"))
    names = so_far.get("units", "upper, lower").split(", ")
    several = len(names) > 1
    each = f" One word for all, or one for each of {', '.join(names)}." if several else ""

    def of_each(key: str, text: str, default: str, *words: str) -> Question:
        check = partial(checks.one_or_each, words=words, names=names)
        return Question(key, text + each, default, check)

    yield Question("units", "What do you call the ignition units? (Commas between.)",
                   "upper, lower", checks.unit_names)  # fmt: skip
    yield of_each("ignition", "Magneto or coil?", "magneto", "magneto", "coil")
    yield Question("drive",
                   "How many turns does their cam or contact shaft make for one of the crank?",
                   "1/2" if strokes == 4 else "1",
                   partial(checks.a_drive, strokes=strokes, cylinders=cylinders))  # fmt: skip
    yield of_each("unit_rotation",
                  "Seen from its drive end, does that shaft turn clockwise or anticlockwise?",
                  WAYS[0], *WAYS)  # fmt: skip
    if so_far.get("ignition") != "coil":  # a coil set has no coupling
        text = (
            "Which units have an impulse coupling? (Names with commas, all or none.)" if several
            else f"Does it have an impulse coupling? ({names[0]} or none.)"
        )  # fmt: skip
        yield Question("coupling", text, NONE, partial(checks.some_of, names=names))
    yield of_each("advance", "How is its advance set: fixed, lever or automatic?",
                  FIXED, FIXED, LEVER, AUTOMATIC)  # fmt: skip


def _figures(so_far: Answers) -> Iterator[Question]:
    figure, retard = so_far.get("figure", ""), so_far.get("retard", "")
    advances = so_far.get("advance", "").split(", ")
    where = " at full advance" if LEVER in advances else (
        " with the weights at rest" if AUTOMATIC in advances else ""
    )  # fmt: skip
    source = Question("source", "Where does that figure come from: manual and page?", "not known",
                      partial(checks.a_text, longest=300,
                              allowed="one to 300 printable characters; this"))  # fmt: skip
    yield Question(
        "figure",
        f"Where should the contacts open{where}, before top dead centre? "
        "(28, 28°, 5/16 in travel, 110 mm rim; after it 4 ATDC. Empty: not known yet.)",
        "", checks.a_figure, checks.unlikely_figure,
    )  # fmt: skip
    if figure:
        yield from _measures(so_far, figure)
        yield _tolerance(so_far, figure, "tolerance", "Within how much of it either way?")
        yield source
    if LEVER in advances:
        yield Question("retard", "And at full retard? (Empty: not known yet.)", "", checks.a_figure,
                       partial(checks.later_than, figure=figure))  # fmt: skip
        if retard:
            yield from _measures(so_far, retard, but=figure)
            yield _tolerance(so_far, retard, "retard_tolerance",
                             "Within how much of that either way?")  # fmt: skip
            if not figure:
                yield source


def _measures(so_far: Answers, figure: str, but: str = "") -> Iterator[Question]:
    """What is needed to turn a figure that is a length into degrees; not what ``but``, a figure
    before it, has asked already."""
    of, asked = Figure.of_answer(figure), Figure.of_answer(but).of
    if of.of == "travel" != asked:
        yield Question(
            "stroke", "What is the stroke? (In mm, or 4 in.)", _usual(100, abs(of.size), 2000),
            partial(checks.a_length, low=5, high=2000, least=abs(of.size),
                    why="the figure is more travel than that stroke"),
            _unusual("mm of stroke", 30, 500, "40 to 300"),
        )  # fmt: skip
        stroke_mm = float(so_far.get("stroke", "100"))
        yield Question(
            "rod", "How long is the connecting rod, centre to centre?", f"{1.9 * stroke_mm:g}",
            partial(checks.a_length, low=5, high=4000, least=0.501 * stroke_mm,
                    why="a rod is longer than the throw"),
            lambda answer: "" if 1.4 <= float(answer) / stroke_mm <= 3.0 else (
                f"A rod of {answer} mm is unusual with a stroke of {stroke_mm:g} mm"
                " (1.6 to 2.2 times the stroke is usual)."
            ),
        )  # fmt: skip
    if of.of in ("tape", "rule") and asked not in ("tape", "rule"):
        least = abs(of.size) * (1.0 if of.of == "rule" else 2.0 / pi)
        yield Question(
            "rim_diameter", "What is the diameter of that rim? (In mm, or 16 in.)",
            _usual(412, least, 10_000),
            partial(checks.a_length, low=20, high=10_000, least=least,
                    why="the figure does not fit that rim"),
            _unusual("mm across the rim", 80, 2000, "150 to 1500"),
        )  # fmt: skip


def _usual(mm: float, least_mm: float, most_mm: float) -> str:
    """A usual length to offer; a longer one where the figure needs it."""
    return f"{mm if mm > least_mm else min(4.0 * least_mm, most_mm):g}"


def _tolerance(so_far: Answers, figure: str, key: str, text: str) -> Question:
    of = Figure.of_answer(figure)
    units = "Degrees, or 0.5 mm" if of.unit else "Degrees"
    check, doubt = (
        partial(each, of=of, so_far=so_far) for each in (checks.a_tolerance, checks.wide)
    )
    return Question(key, f"{text} ({units}.)", "1", check, doubt)


ADJUSTMENTS = ("slot", "coupling", "gear")
"""What is asked for that can be moved: the names of their questions and of their tables."""


def adjustments(so_far: Answers) -> Iterator[Question]:
    """What can be moved to correct the timing, and the sizes needed for it."""
    drive = Fraction(so_far.get("drive", "1"))
    chosen = so_far.get("adjustments", NONE).split(", ")
    yield Question(
        "adjustments",
        f"What can be moved to change the timing: {listed(ADJUSTMENTS)}? (Commas between; "
        "none: not known yet.)",
        NONE, partial(checks.some_of, names=ADJUSTMENTS),
    )  # fmt: skip
    if "slot" in chosen:
        yield Question("slot_radius", "At which radius are the slots of the flange? (In mm.)",
                       "45", partial(checks.a_length, low=1, high=MOST_MM),
                       _unusual("mm of radius", 12, 200, "25 to 80"))  # fmt: skip
        radius_mm = float(so_far.get("slot_radius", "45"))
        for way in WAYS:
            yield Question(
                f"slot_{way}",
                f"How far can the unit still be turned {way}, along the slot, seen from its drive"
                " end? (In mm; 0: it is at the end.)",
                "3", partial(checks.a_length, low=0, high=MOST_MM),
                partial(checks.long_slot, way=way, radius_mm=radius_mm),
            )  # fmt: skip
    if "coupling" in chosen:
        yield Question("coupling_teeth",
                       "How many teeth does the coupling have towards the drive, and towards the"
                       " unit? (19 20)", "19 20", checks.two_teeth, checks.equal_teeth)  # fmt: skip
    if "gear" in chosen:
        most = min(24, MOST_TEETH // max(drive.numerator, drive.denominator)) or 1
        usual = {Fraction(1, 2): "24 48", Fraction(1): "32 32", Fraction(3, 2): "36 24"}
        yield Question(
            "gear_teeth",
            "How many teeth does the crank's gear have, and the unit's? (24 48; idlers do not"
            " count.)",
            usual.get(drive, f"{drive.numerator * most} {drive.denominator * most}"),
            partial(checks.gear_teeth, drive=drive),
        )  # fmt: skip


def _one_of(*words: str) -> Callable[[str], str]:
    return partial(checks.one_of, words=words)


def _unusual(what: str, low: float, high: float, usual: str) -> Callable[[str], str]:
    return partial(checks.unusual, what=what, low=low, high=high, usual=usual)


KEYS = (
    "name", "strokes", "cylinders", "firing_order", "rotation", "counts_per_turn", "units",
    "ignition", "drive", "unit_rotation", "coupling", "advance", "figure", "stroke", "rod",
    "rim_diameter", "tolerance", "source", "retard", "retard_tolerance", "adjustments",
    "slot_radius", "slot_clockwise", "slot_anticlockwise", "coupling_teeth", "gear_teeth",
    "person",
)  # fmt: skip
"""All keys that may be asked, in order; which are depends on the answers."""
