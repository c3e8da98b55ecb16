"""What the commands have in common: options, the job and its captures, and what is printed.

Figures go to standard output: plain lines, or with ``--json`` one JSON object and nothing else.
Messages go to standard error. Names come from files, rigs and folders: what is printed is made
harmless first. Tables fit 80 columns; on a terminal, longer lines are wrapped at its width.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import shutil
import sys
import textwrap
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from rig.base.errors import InputError
from rig.base.escape import clean, message, shows_unicode
from rig.timing.values import Assessment, Comparison
from rig.words.assessments import RULES, assessment_in_full, comparison_in_full, what_decides
from rig.words.diagnostics import reason_code, reason_words

if TYPE_CHECKING:
    from rig.job.folder import Job
    from rig.job.results import JobResults

WIDTH, LEAST_WIDTH = 80, 6  # of lines, and of a column, in characters


def ratio(text: str) -> Fraction:
    """Turns of one shaft per turn of another. Raises ArgumentTypeError for what is none."""
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        words = f"{text!r} is not a ratio: enter one like 9/16 or 1.5"
        raise argparse.ArgumentTypeError(words) from None


def pair(text: str) -> tuple[str, str]:
    """A name and its value. Raises ArgumentTypeError for what is none."""
    name, equals, value = text.partition("=")
    if not (name and equals):
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form NAME=VALUE")
    return name, value


TYPES: dict[str, Callable[[str], Any]] = {
    "N": int,
    **dict.fromkeys(("DEG", "MM", "LENGTH", "S", "MS", "US", "PER_MIN", "TIMES"), float),
    **dict.fromkeys(("FILE", "FOLDER", "PATH"), Path),
    **dict.fromkeys(("KEY=ANSWER", "INPUT=LEVEL", "NAME=SIGNAL"), pair),
    "RATIO": ratio,
}
"""Types of the placeholders in a table of options; any other is text."""

JOB = "job PATH  the job folder\n"
JOB_AND_CAPTURES = f"{JOB}[capture...] PATH  default: the newest capture\n"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command found: figures for ``--json``, the same in lines, and the exit status.

    ``wrong`` are messages printed after the figures; with any, the input was wrong (status 2).
    """

    figures: Mapping[str, Any]
    lines: Iterable[str] = ()
    status: int = 0
    wrong: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Command:
    """A command. The docstring of ``run`` is its help.

    ``options`` is a table, an argument a line, its help after two spaces; ``more`` declares what
    does not fit into one:

        job PATH               a positional argument; [job] may be left out, job... may be several
        --readings             a flag
        --tdc-deg DEG          an option with a value: see ``TYPES``
        --cylinder N=1         its default
        --changed WORDS...     may be repeated; the values are a list
        --felt DEG+            one value or more
        --example [NAME=one]   the value may be left out, and is then one
        --change-of UNIT WORDS two values
        --direction {1,-1}     one of several

    ``parts`` are commands below one that does not ``run`` itself, whose help is ``about``.
    """

    run: Callable[[argparse.Namespace], Answer] | None
    options: str = ""
    more: Callable[[argparse.ArgumentParser], object] = lambda parser: None
    json: bool = True
    parts: Mapping[str, Command] = field(default_factory=dict)
    about: str = ""

    def declare(self, parser: argparse.ArgumentParser) -> None:
        """Give ``parser`` the options."""
        for line in filter(None, map(str.strip, self.options.splitlines())):
            spec, _, words = line.partition("  ")
            names, _, value = spec.partition(" ")
            settings = _settings(names, value) | {"help": words.strip()}
            parser.add_argument(*names.strip("[.]").split(","), **settings)
        self.more(parser)
        if self.json:
            words = "print one JSON object and nothing else"
            parser.add_argument("--json", action="store_true", help=words)


def _settings(names: str, value: str) -> dict[str, Any]:
    """The settings of an argument for ``argparse``."""
    if not value:
        return {"action": "store_true"}
    settings: dict[str, Any] = {}
    if value.endswith("..."):
        value, settings = value.removesuffix("..."), {"action": "append", "default": []}
    elif value.endswith("+"):
        value, settings = value.removesuffix("+"), {"nargs": "+", "default": []}
    elif value.startswith("["):
        value, _, const = value.strip("[]").partition("=")
        settings = {"nargs": "?", "const": const}
    elif "=" in value:
        value, _, default = value.partition("=")
        settings = {"default": default}  # argparse gives it its type
    if value.startswith("{"):
        choices = value.strip("{}").split(",")
        kind = int if all(each.lstrip("-").isdigit() for each in choices) else str
        return settings | {"choices": [kind(each) for each in choices], "type": kind}
    words = value.split()
    settings["type"] = TYPES.get(words[0], str)
    if len(words) > 1:
        settings["nargs"] = len(words)
    if names.startswith("-"):
        settings["metavar"] = tuple(words) if len(words) > 1 else value
    elif names.startswith("["):
        settings |= {"nargs": "*", "default": []} if "..." in names else {"nargs": "?"}
    elif "..." in names:
        settings["nargs"] = "+"
    return settings


def show(args: argparse.Namespace, answer: Answer) -> int:
    """Print an answer; the exit status."""
    if getattr(args, "json", False):
        text = json.dumps(plain(answer.figures), allow_nan=False) + "\n"
    else:
        text = "".join(line + "\n" for line in shown_lines(answer.lines))
    sys.stdout.write(text)
    sys.stdout.flush()
    for each in answer.wrong:
        tell(args, each)
    return InputError.status if answer.wrong else answer.status


def tell(args: argparse.Namespace, *texts: str) -> None:
    """Messages of a command, on standard error."""
    for text in texts:
        say(f"rig {args.command}: {text}")


def say(text: str) -> None:
    """Lines on standard error, wrapped on a terminal."""
    lines = text.split("\n")
    message("\n".join(folded(lines, _columns()) if sys.stderr.isatty() else lines))


def _columns() -> int:
    return max(40, shutil.get_terminal_size().columns)


def plain(value: Any) -> Any:
    """``value`` with dataclasses as dictionaries, and numbers that JSON cannot hold as null."""
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if not dataclasses.is_dataclass(value):
        return value
    found = fields_of(value)
    if isinstance(value, Assessment):
        found |= {"words": assessment_in_full(value), "settle": what_decides(value),
                  "rule": RULES.get(value.rule, value.rule)}  # fmt: skip
    elif isinstance(value, Comparison):
        found["words"] = comparison_in_full(value)
    elif "rejection" in found:  # an opening: whether it is a reading, and why not
        why = found.pop("rejection")
        found |= {"valid": why is None, "reason": reason_code(why), "why": reason_words(why)}
    return {key: plain(item) for key, item in found.items()}


def fields_of(value: Any, *names: str) -> dict[str, Any]:
    """Fields of a dataclass by name, as they are; all of them unless some are named."""
    return {name: getattr(value, name) for name in names or _names(cast(Hashable, type(value)))}


@cache
def _names(of: Hashable) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(cast(Any, of)))


def shown_lines(lines: Iterable[str]) -> list[str]:
    """Lines as standard output takes them: harmless, and on a terminal wrapped at its width."""
    unicode = shows_unicode(sys.stdout)
    found = [clean(line, unicode) for line in lines]
    if not sys.stdout.isatty():
        return found
    return folded(found, _columns())


def folded(lines: Iterable[str], width: int = WIDTH) -> list[str]:
    """Lines that fit ``width``; what continues a line is indented a little further. A label and a
    word, such as a path, stay together."""
    found = []
    for line in lines:
        if len(line.split()) < 3:
            found.append(line)
            continue
        inset = line[: len(line) - len(line.lstrip())]
        found += textwrap.wrap(
            line, width, subsequent_indent=f"{inset}    ", break_long_words=False,
            break_on_hyphens=False,
        ) or [""]  # fmt: skip
    return found


def table_lines(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    numeric: Collection[int] = (),
    notes: Sequence[str] = (),
) -> list[str]:
    """A table that fits 80 columns: the widest texts are wrapped. Columns in ``numeric`` are flush
    right; ``notes`` go below the rows, one for each, "" for none. Without ``heads`` no heading."""
    from rich.cells import cell_len
    from rich.console import Console
    from rich.text import Text

    def wrapped(cell: str, width: int) -> list[str]:
        if cell_len(cell) <= width:
            return [cell]
        return [line.plain.strip() for line in Text(cell).wrap(console, width)]

    every, notes = ([heads, *rows], ["", *notes]) if heads else (rows, notes)
    cells = [[clean(cell) for cell in row] for row in every]
    widths = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    while (over := sum(widths) + 2 * len(widths) - WIDTH) > 0:
        first, second = sorted([*widths, LEAST_WIDTH], reverse=True)[:2]
        widths[widths.index(first)] -= min(over, max(1, first - second))
    console, lines = Console(), []
    for row, note in zip_longest(cells, notes, fillvalue=""):
        for texts in zip_longest(*map(wrapped, row, widths), fillvalue=""):
            line = ""
            for place, (text, width) in enumerate(zip(texts, widths, strict=True)):
                spare = " " * (width - cell_len(text))
                line += "  " + (spare + text if place in numeric else text + spare)
            lines.append(line.rstrip())
        lines += [f"      {note}"] if note else []
    return lines


def open_job(args: argparse.Namespace, folder: Path | None = None) -> Job:
    """The job of a command; prints what is left out of it. Raises InputError as ``Job`` does."""
    from rig.job.folder import Job

    job = Job(folder or args.job)
    tell(args, *(each.words for each in job.left_out()))
    return job


def newest_capture(args: argparse.Namespace, job: Job) -> Path:
    """The job's newest capture. Raises InputError when it does not follow which one that is."""
    found = job.newest()
    tell(args, *(each.words for each in found.left))
    if found.by_clock:
        tell(
            args,
            f"{found.known.path}: taken as the newest by the computer's clock; captures of earlier"
            " versions do not record which came first",
        )
    return found.known.path


def job_results(
    args: argparse.Namespace, job: Job, captures: Sequence[Path] = (), *, assessed: bool = False
) -> JobResults:
    """The results of captures, or of the newest, and print remarks on them.

    Raises InputError when one cannot be read, and while TDC is not known if they must be
    ``assessed``.
    """
    from rig.job.results import work_job
    from rig.words.diagnostics import remarks_on

    worked = work_job(job, captures or [newest_capture(args, job)])
    tell(args, *remarks_on(worked))
    if assessed and worked.reference is None:
        raise InputError(f"{job.folder}: TDC is not known yet, so there are no verdicts")
    return worked
