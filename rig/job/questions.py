"""The questions that make a new engine file: what each allows, and what it queries.

An ``Interview`` goes through them, with one step back at any time. An answer that cannot be is
refused; one that can be but is unlikely (a tolerance of 26 degrees) is asked about once. What is
usual on an engine, in the bounds of ``doubt``, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from math import pi

from rig.base.errors import InputError, shown
from rig.base.rounding import listed
from rig.engine.engine_file import MOST_CYLINDERS
from rig.engine.profile import MOST_MM
from rig.job.answers import (
    AUTOMATIC,
    BACK,
    FIXED,
    LEVER,
    NONE,
    a_count,
    a_drive,
    a_figure,
    a_length,
    a_name,
    a_source,
    a_tolerance,
    a_whole,
    an_order,
    at_least,
    equal_teeth,
    figure_keys,
    gear_teeth,
    in_mm,
    later_than,
    long_slot,
    one_of,
    one_or_each,
    some_of,
    two_teeth,
    unit_names,
    unlikely_figure,
    unusual,
    usual_order,
    wide,
)

YES = ("yes", "y")


def _no_doubt(_: str) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask. ``check`` takes the typed text and gives the answer to keep.

    ``check`` raises InputError, with what is allowed, for a text that will not do. ``doubt`` says
    what is unlikely about an answer that will do; empty for what is usual.
    """

    key: str
    text: str
    default: str
    check: Callable[[str], str]
    doubt: Callable[[str], str] = _no_doubt


def questions(answers: Mapping[str, str] | None = None) -> tuple[Question, ...]:
    """What to ask, in order. Which, their defaults and checks go by the answers so far."""
    so_far = dict(answers or {})
    parts = (_engine(so_far), _units(so_far), _figures(so_far), adjustments(so_far), _person())
    return tuple(chain.from_iterable(parts))


def next_question(answers: Mapping[str, str]) -> Question | None:
    """The first question that has no answer yet; None when all have."""
    return next((each for each in questions(answers) if each.key not in answers), None)


def checked(answers: Mapping[str, str]) -> dict[str, str]:
    """Every answer looked at, with defaults for those that are not there.

    Raises InputError naming the first that will not do, or is not known.
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

    def __init__(self, ask: Callable[[Mapping[str, str]], Sequence[Question]] = questions) -> None:
        self._ask = ask
        self.answers: dict[str, str] = {}
        self._earlier: dict[str, str] = {}  # from before a step back
        self._doubted = ""

    @property
    def question(self) -> Question | None:
        """What to ask now; None when everything is answered."""
        return next((q for q in self._ask(self.answers) if q.key not in self.answers), None)

    @property
    def default(self) -> str:
        """What an empty answer means: what was answered before a step back, or what is usual."""
        question = self.question
        if question is None:
            return ""
        earlier = self._earlier.get(question.key)
        if earlier is not None:
            try:
                return question.check(earlier)
            except InputError:  # an answer before it has changed
                return question.default
        return question.default

    def take(self, typed: str) -> str:
        """Take an answer, a step back or a yes; gives what is unlikely about the answer, which is
        kept once a yes follows.

        Raises InputError for an answer that will not do. The question stays in both cases.
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
        if doubt := question.doubt(answer):
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


def _engine(so_far: Mapping[str, str]) -> Iterator[Question]:
    cylinders = int(so_far.get("cylinders", "4"))
    yield Question("name", "What do you call the engine?", "My engine", a_name)
    yield Question("strokes", "Two-stroke or four-stroke: 2 or 4?", "4", one_of("2", "4"))
    yield Question("cylinders", "How many cylinders?", "4", a_whole(1, MOST_CYLINDERS))
    if cylinders > 1:
        yield Question("firing_order", "In which order do they fire?",
                       " ".join(map(str, usual_order(cylinders))), an_order(cylinders))  # fmt: skip
    yield Question(
        "rotation",
        "Seen from the flywheel end, does the crank turn clockwise or anticlockwise?",
        "clockwise",
        one_of("clockwise", "anticlockwise"),
    )
    yield Question(
        "counts_per_turn",
        "How many counts a turn has the encoder? (Four times its lines.)",
        "4096",
        a_count,
        unusual("counts a turn", 400, 40_000, "1440 to 10 000"),
    )


def _units(so_far: Mapping[str, str]) -> Iterator[Question]:
    strokes, cylinders = int(so_far.get("strokes", "4")), int(so_far.get("cylinders", "4"))
    names = so_far.get("units", "upper, lower").split(", ")
    each = f"One word for all, or one for each of {', '.join(names)}." if len(names) > 1 else ""

    def words(text: str, *allowed: str) -> tuple[str, Callable[[str], str]]:
        return f"{text} {each}".strip(), one_or_each(names, allowed)

    yield Question("units", "What do you call the ignition units? (Commas between.)",
                   "upper, lower", unit_names)  # fmt: skip
    text, check = words("Magneto or coil?", "magneto", "coil")
    yield Question("ignition", text, "magneto", check)
    yield Question(
        "drive",
        "How many turns does their cam or contact shaft make for one of the crank?",
        "1/2" if strokes == 4 else "1",
        a_drive(strokes, cylinders),
    )
    text, check = words("Seen from its drive end, does that shaft turn clockwise or anticlockwise?",
                        "clockwise", "anticlockwise")  # fmt: skip
    yield Question("unit_rotation", text, "clockwise", check)
    if "coil" not in so_far.get("ignition", "magneto").split(", ") or "magneto" in so_far.get(
        "ignition", "magneto"
    ):
        of = "Has it" if len(names) == 1 else "Which units have"
        answer = f"{names[0]} or none" if len(names) == 1 else "Names with commas, all or none"
        yield Question("coupling", f"{of} an impulse coupling? ({answer}.)", NONE, some_of(names))
    text, check = words("How is its advance set: fixed, lever or automatic?",
                        FIXED, LEVER, AUTOMATIC)  # fmt: skip
    yield Question("advance", text, FIXED, check)


def _figures(so_far: Mapping[str, str]) -> Iterator[Question]:
    has_lever = LEVER in so_far.get("advance", "").split(", ")
    where = "at full advance" if has_lever else "with the weights at rest" if (
        AUTOMATIC in so_far.get("advance", "").split(", ")
    ) else ""  # fmt: skip
    yield Question(
        "figure",
        f"Where shall the contacts open {where}".rstrip() + ", before top dead centre? "
        "(28, 28°, 5/16 in travel, 110 mm rim; after it 4 ATDC. Empty: not known yet.)",
        "",
        a_figure,
        unlikely_figure,
    )
    asked = set[str]()
    if so_far.get("figure"):
        yield from _measures(so_far, "figure", asked)
        yield _tolerance_of(so_far, "figure", "tolerance", "Within how much of it either way?")
        yield Question("source", "Where does that figure come from: manual and page?",
                       "not known", a_source)  # fmt: skip
    if has_lever:
        yield Question("retard", "And at full retard? (Empty: not known yet.)", "", a_figure,
                       later_than(so_far))  # fmt: skip
        if so_far.get("retard"):
            yield from _measures(so_far, "retard", asked)
            text = "Within how much of that either way?"
            yield _tolerance_of(so_far, "retard", "retard_tolerance", text)
            if not so_far.get("figure"):
                yield Question("source", "Where does that figure come from: manual and page?",
                               "not known", a_source)  # fmt: skip


def _measures(so_far: Mapping[str, str], figure: str, asked: set[str]) -> Iterator[Question]:
    """What it takes to turn a figure that is a length into degrees, each asked once."""
    key, size = figure_keys(so_far[figure])
    length = abs(in_mm(key, size))
    if "travel" in key and "stroke" not in asked:
        asked.add("stroke")
        yield Question(
            "stroke", "What is the stroke? (In mm, or 4 in.)", "100",
            at_least(a_length("mm", 5, 2000), length, "the figure is more travel than that stroke"),
            unusual("mm of stroke", 30, 500, "40 to 300"),
        )  # fmt: skip
        stroke_mm = float(so_far.get("stroke", "100"))
        yield Question(
            "rod", "How long is the connecting rod, centre to centre?", f"{1.9 * stroke_mm:g}",
            at_least(a_length("mm", 5, 4000), 0.501 * stroke_mm, "a rod is longer than the throw"),
            lambda answer: "" if 1.4 <= float(answer) / stroke_mm <= 3.0 else (
                f"A rod of {answer} mm is unusual with a stroke of {stroke_mm:g} mm"
                " (1.6 to 2.2 times the stroke is usual)."
            ),
        )  # fmt: skip
    if "rim" in key and "rim" not in asked:
        asked.add("rim")
        least = length if "rule" in key else 2.0 * length / pi
        yield Question(
            "rim_diameter", "What is the diameter of that rim? (In mm, or 16 in.)", "412",
            at_least(a_length("mm", 20, 10_000), least, "the figure does not fit that rim"),
            unusual("mm across the rim", 80, 2000, "150 to 1500"),
        )  # fmt: skip


def _tolerance_of(so_far: Mapping[str, str], figure: str, key: str, text: str) -> Question:
    kind, size = figure_keys(so_far[figure])
    units = "degrees" if kind == "deg_btdc" else "degrees, or 0.5 mm"
    return Question(
        key, f"{text} ({units[0].upper()}{units[1:]}.)", "1",
        a_tolerance(so_far, kind, size),
        lambda answer: wide(so_far, kind, size, answer),
    )  # fmt: skip


def adjustments(
    so_far: Mapping[str, str], kinds: Sequence[str] = ("slot", "coupling", "gear")
) -> Iterator[Question]:
    """What can be moved to correct the timing, of ``kinds``, and the sizes that this takes."""
    drive = Fraction(so_far.get("drive", "1"))
    yield Question(
        "adjustments",
        f"What can be moved to change the timing: {listed(kinds)}? (Commas between; "
        "none: not known yet.)",
        NONE,
        some_of(kinds),
    )
    chosen = so_far.get("adjustments", NONE).split(", ")
    if "slot" in chosen:
        yield Question(
            "slot_radius", "At which radius do the slots of the flange lie? (In mm.)", "45",
            a_length("mm", 1, MOST_MM), unusual("mm of radius", 12, 200, "25 to 80"),
        )  # fmt: skip
        radius_mm = float(so_far.get("slot_radius", "45"))
        for way in ("clockwise", "anticlockwise"):
            yield Question(
                f"slot_{way}",
                f"How far can the unit still be turned {way}, along the slot, seen from its drive"
                " end? (In mm; 0: it is at the end.)",
                "3",
                a_length("mm", 0, MOST_MM),
                lambda answer, way=way: long_slot(answer, way, radius_mm),  # type: ignore[misc]
            )
    if "coupling" in chosen:
        yield Question(
            "coupling_teeth",
            "How many teeth has the coupling towards the drive, and towards the unit? (19 20)",
            "19 20", two_teeth, equal_teeth,
        )  # fmt: skip
    if "gear" in chosen:
        usual = {Fraction(1, 2): "24 48", Fraction(1): "32 32", Fraction(3, 2): "36 24"}
        yield Question(
            "gear_teeth",
            "How many teeth has the crank's gear, and the unit's? (24 48; idlers do not count.)",
            usual.get(drive, f"{drive.numerator * 24} {drive.denominator * 24}"),
            gear_teeth(drive),
        )  # fmt: skip


def _person() -> Iterator[Question]:
    yield Question("person", "Who measures? (It goes on the certificate; may stay empty.)", "",
                   lambda typed: a_name(typed) if typed.strip() else "")  # fmt: skip


KEYS = (
    "name", "strokes", "cylinders", "firing_order", "rotation", "counts_per_turn", "units",
    "ignition", "drive", "unit_rotation", "coupling", "advance", "figure", "stroke", "rod",
    "rim_diameter", "tolerance", "source", "retard", "retard_tolerance", "adjustments",
    "slot_radius", "slot_clockwise", "slot_anticlockwise", "coupling_teeth", "gear_teeth",
    "person",
)  # fmt: skip
"""All keys that may be asked, in order; which are depends on the answers."""
