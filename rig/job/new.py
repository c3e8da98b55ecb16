"""A new job.

Makes a new job: a folder with ``engine.toml``, from a few answers or from an example.

Asking is done elsewhere: ``questions`` says what to ask, ``write_job`` takes the answers. Nothing
is ever overwritten.

The pieces of text of which a new ``engine.toml`` is made; names in braces are filled in.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from importlib import resources
from pathlib import Path

from rig.base.codec import fraction_of, text_trouble
from rig.base.errors import InputError, reason, shown
from rig.base.rounding import many
from rig.engine.engine_file import FILE_NAME, MOST_CYLINDERS, MOST_LOBES, profile_from_bytes

FOLDERS = ("captures", "certificates")
MOST_NEW_UNITS = 4


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask. ``check`` takes the typed text and gives the answer to keep.

    ``check`` raises InputError, with what is allowed, for a text that will not do.
    """

    key: str
    text: str
    default: str
    check: Callable[[str], str]


def questions(answers: Mapping[str, str] | None = None) -> tuple[Question, ...]:
    """What to ask, in order. Defaults and checks go by the answers so far (key -> answer)."""
    so_far = dict(answers or {})
    cylinders = int(so_far.get("cylinders", "4"))
    strokes = int(so_far.get("strokes", "4"))
    drive = "1/2" if strokes == 4 else "1"
    asked = (
        Question("name", "What do you call the engine?", "My engine", _name),
        Question("strokes", "Two-stroke or four-stroke: 2 or 4?", "4", _one_of("2", "4")),
        Question("cylinders", "How many cylinders?", "4", _whole(1, MOST_CYLINDERS)),
        Question(
            "firing_order",
            "In which order do they fire?",
            " ".join(map(str, _usual_order(cylinders))),
            _order(cylinders),
        ),
        Question(
            "rotation",
            "Seen from the flywheel end, does the crank turn clockwise or anticlockwise?",
            "clockwise",
            _one_of("clockwise", "anticlockwise"),
        ),
        Question(
            "counts_per_turn",
            "How many counts a turn has the encoder? (Four times its lines.)",
            "4096",
            _counts,
        ),
        Question(
            "units",
            "What do you call the ignition units? (Commas between.)",
            "upper, lower",
            _units,
        ),
        Question(
            "drive",
            "How many turns does their cam or contact shaft make for one of the crank?",
            drive,
            _drive(strokes, cylinders),
        ),
        Question(
            "unit_rotation",
            "Seen from its drive end, does that shaft turn clockwise or anticlockwise?",
            "clockwise",
            _one_of("clockwise", "anticlockwise"),
        ),
        Question(
            "setting",
            "For which setting is the manual's figure: full advance, fixed, ...?",
            "full advance",
            _name,
        ),
        Question(
            "figure",
            "How many degrees before top dead centre shall they open? (Empty: not known yet.)",
            "",
            _figure,
        ),
        Question("tolerance", "Within how many degrees either way?", "1", _tolerance),
        Question(
            "source", "Where does that figure come from: manual and page?", "not known", _source
        ),
    )
    no_figure = so_far.get("figure") == ""
    return tuple(each for each in asked if not (no_figure and each.key in ("tolerance", "source")))


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
    known = [question.key for question in questions()]
    for key in answers:
        if key not in known:
            raise InputError(f"{shown(key)} is no question; they are {', '.join(known)}")
    return kept


def job_text(answers: Mapping[str, str]) -> str:
    """A commented ``engine.toml`` made of answers. Raises InputError as ``checked`` does."""
    kept = checked(answers)
    cylinders = int(kept["cylinders"])
    turns = int(kept["strokes"]) // 2 * Fraction(kept["drive"])
    names = kept["units"].split(", ")
    parts = [HEAD, _engine_text(kept), ENCODER.format(counts=kept["counts_per_turn"])]
    for number, name in enumerate(names, 1):
        unit = UNIT.format(
            name=json.dumps(name, ensure_ascii=False),
            input=number,
            drive=kept["drive"],
            lobes=int(cylinders / turns),
            rotation=kept["unit_rotation"],
        )
        parts += [unit, _setting_text(kept)]
    if len(names) > 1:
        first, second = (json.dumps(name, ensure_ascii=False) for name in names[:2])
        parts.append(TOGETHER.format(first=first, second=second))
    parts.append(TAIL)
    return "\n".join(parts)


def write_job(folder: str | Path, answers: Mapping[str, str]) -> Path:
    """Make a job's folder from answers; gives the path of its ``engine.toml``.

    Raises InputError for an answer that will not do, a folder that holds a job already, or one that
    cannot be made; nothing that is there is changed.
    """
    return _write(Path(folder), job_text(answers).encode("utf-8"))


def example_names() -> tuple[str, ...]:
    """The examples that can be taken whole; the first is the usual one."""
    more = resources.files("rig.job") / "examples"
    found = sorted(each.name.removesuffix(".toml") for each in more.iterdir())
    return ("example", *found)


def write_example(folder: str | Path, name: str = "example") -> Path:
    """Make a job's folder from an example taken whole; raises InputError as ``write_job``."""
    if name not in example_names():
        raise InputError(
            f"there is no example {shown(name)}; there are {', '.join(example_names())}"
        )
    home = resources.files("rig.job")
    source = home / "example.toml" if name == "example" else home / "examples" / f"{name}.toml"
    return _write(Path(folder), source.read_bytes())


def _write(folder: Path, data: bytes) -> Path:
    profile_from_bytes(data)  # never write a file that cannot be read
    path = folder / FILE_NAME
    where = str(folder) if str(folder).isprintable() else shown(str(folder))
    try:
        if path.exists():
            raise FileExistsError
        for each in FOLDERS:
            (folder / each).mkdir(parents=True, exist_ok=True)
        file = path.open("xb")
        try:
            with file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            path.unlink()
            raise
    except FileExistsError:
        raise InputError(
            f"{where}: there is a job already, or a file in the way; nothing was changed. "
            "Name another folder"
        ) from None
    except OSError as error:
        raise InputError(f"{where}: the job cannot be made: {reason(error)}") from error
    except ValueError:
        raise InputError(f"{where}: no folder can have such a name") from None
    return path


def _engine_text(kept: Mapping[str, str]) -> str:
    return ENGINE.format(
        name=json.dumps(kept["name"], ensure_ascii=False),
        strokes=kept["strokes"],
        cylinders=kept["cylinders"],
        order=", ".join(kept["firing_order"].split()),
        rotation=kept["rotation"],
    )


def _setting_text(kept: Mapping[str, str]) -> str:
    name = json.dumps(kept["setting"], ensure_ascii=False)
    if not kept["figure"]:
        return NO_FIGURE.format(name=name)
    source = json.dumps(kept["source"], ensure_ascii=False)
    return FIGURE.format(
        name=name, figure=kept["figure"], tolerance=kept["tolerance"], source=source
    )


def _usual_order(cylinders: int) -> tuple[int, ...]:
    """A firing order to offer (common practice, no source); the person says the true one."""
    usual = {4: (1, 3, 4, 2), 5: (1, 2, 4, 5, 3), 6: (1, 5, 3, 6, 2, 4)}
    return usual.get(cylinders, tuple(range(1, cylinders + 1)))


def _name(typed: str) -> str:
    typed = typed.strip()
    wrong = text_trouble(typed, 40) if typed else "is empty"
    if wrong:
        raise InputError(f"a name of at most 40 printable characters; this one {wrong}")
    return typed


def _source(typed: str) -> str:
    typed = typed.strip()
    wrong = text_trouble(typed, 300) if typed else "is empty"
    if wrong:
        raise InputError(f"one to 300 printable characters; this {wrong}")
    return typed


def _one_of(*words: str) -> Callable[[str], str]:
    def check(typed: str) -> str:
        found = typed.strip().lower()
        if found not in words:
            raise InputError(f"{' or '.join(words)}, not {shown(typed)}")
        return found

    return check


def _whole(low: int, high: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        found = typed.strip()
        if not (found.isascii() and found.isdigit() and len(found) < 10):
            raise InputError(f"a whole number from {low} to {high}, not {shown(typed)}")
        if not low <= int(found) <= high:
            raise InputError(f"from {low} to {high}, not {int(found)}")
        return str(int(found))

    return check


def _counts(typed: str) -> str:
    found = int(_whole(8, 1_000_000)(typed))
    if found % 4:
        raise InputError(f"{found} is not four times a number of lines; 600 lines are 2400 counts")
    return str(found)


def _order(cylinders: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        words = typed.replace(",", " ").replace("-", " ").split()
        if sorted(words) != sorted(str(each) for each in range(1, cylinders + 1)):
            usual = " ".join(map(str, _usual_order(cylinders)))
            raise InputError(f"each of the {many(cylinders, 'cylinder')} once, like {usual}")
        return " ".join(words)

    return check


def _units(typed: str) -> str:
    names = [_name(each) for each in typed.split(",")]
    if len({each.casefold() for each in names}) < len(names) or len(names) > MOST_NEW_UNITS:
        raise InputError(f"one to {MOST_NEW_UNITS} different names, with commas between")
    return ", ".join(names)


def _drive(strokes: int, cylinders: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        turns = fraction_of(typed)
        if turns is None or not Fraction(1, 100) <= turns <= 100:
            raise InputError(f"a number like 1.5 or a fraction like 1/2, not {shown(typed)}")
        lobes = cylinders / (strokes // 2 * turns)
        if lobes.denominator > 1 or not 1 <= lobes <= MOST_LOBES:
            raise InputError(
                f"with {many(turns, 'turn')} a lobe for each of the "
                f"{many(cylinders, 'cylinder')} does not come "
                f"out even ({many(lobes, 'lobe')}); usual are "
                f"{'1/2, 1 or 3/2' if strokes == 4 else '1'}. "
                "A unit that sparks on both strokes, or serves only some cylinders, is written "
                "into the engine file by hand"
            )
        return str(turns)

    return check


def _figure(typed: str) -> str:
    return _degrees(typed, -90.0, 90.0) if typed.strip() else ""


def _tolerance(typed: str) -> str:
    return _degrees(typed, 0.01, 30.0)


def _degrees(typed: str, low: float, high: float) -> str:
    value = fraction_of(typed)
    if value is None or not low <= value <= high:
        raise InputError(f"degrees from {low:g} to {high:g}, not {shown(typed)}")
    return f"{float(value):.9f}".rstrip("0").rstrip(".")


HEAD = """\
# What you state about this engine, its ignition units and the rig's encoder. It is yours to edit;
# what is wrong is told with its line. Degrees are degrees of crank. The maker's manual has the
# last word on every figure. All keys stand at the head of the example engine file.
"""

ENGINE = """\
[engine]
name = {name}
serial = ""
strokes = {strokes}
cylinders = {cylinders}
firing_order = [{order}]
# intervals_deg = []          # from each firing to the next; even when left out
rotation = "{rotation}"
seen_from = "flywheel end"
# rim_diameter_mm = 412       # for figures given as a length round the rim

# For figures given as piston travel, and to take the bias out of a positive stop. Take the #
# off and put your engine's figures in. offset_mm = 0 when you know that there is none.
# [engine.geometry]
# stroke_mm = 100
# rod_mm = 190
# offset_mm = 0
"""

ENCODER = """\
[encoder]
counts_per_turn = {counts}
forward_counts = "up"         # "down" when it counts down as the engine turns forwards
graduation_error_deg = 0      # its own error, as its maker states it, either way
run_out_deg = 0               # once-a-turn error of its mounting: measure it, and state it here
"""

UNIT = """\
[[unit]]
name = {name}
input = {input}
serial = ""
turns_per_crank_turn = "{drive}"
lobes = {lobes}
rotation = "{rotation}"
seen_from = "drive end"
opening_means = "lamp"        # "paper" when the manual means a slip of paper coming free
coupling = "none"             # "impulse", or "disabled" when it is held out of action
"""

FIGURE = """\
  [[unit.setting]]
  name = {name}
  nominal_deg_btdc = {figure}
  tolerance_deg = {tolerance}
  # or earliest_deg_btdc and latest_deg_btdc, or nominal_mm_travel, nominal_in_travel = "5/16", or
  # nominal_rim_tape_mm, nominal_rim_rule_mm (tape round the rim, rule across it)
  source = {source}
"""

NO_FIGURE = """\
  # No figure yet: this setting is read without a verdict. Take the # off when you have it.
  [[unit.setting]]
  name = {name}
  # nominal_deg_btdc = 36     # or nominal_mm_travel, nominal_in_travel, nominal_rim_tape_mm, ...
  # tolerance_deg = 1         # or earliest_deg_btdc and latest_deg_btdc
  # source = "workshop manual, page 12"
"""

TOGETHER = """\
[[together]]
first = {first}
second = {second}
stagger_deg = 0               # how much earlier the first opens, where the maker wants that
tolerance_deg = 1
source = "common practice; look into the manual"
"""

TAIL = """\
[certificate]
person = ""
workshop = ""
"""
