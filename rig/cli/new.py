"""Make a job folder: a few questions, or an example taken whole."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rig.base.errors import InputError
from rig.base.escape import message
from rig.cli.output import figures, folded, json_option
from rig.job.answers import BACK
from rig.job.new import example_names, write_example, write_job
from rig.job.questions import YES, Interview, Question


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig new``."""
    parser.add_argument("job", type=Path, help="the folder to make")
    parser.add_argument(
        "--example", nargs="?", const="example", metavar="NAME",
        help=f"take an example whole: {', '.join(example_names())}",
    )  # fmt: skip
    parser.add_argument(
        "--answer", action="append", default=[], metavar="KEY=ANSWER",
        help="answer a question beforehand; what is not answered is asked",
    )  # fmt: skip
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Ask, and write the folder."""
    if args.example:
        path = write_example(args.job, args.example)
    else:
        path = write_job(args.job, _answers(args.answer))
    lines = [f"{path} is made; look it through and correct it, it is yours to edit"]
    figures(args, {"job": str(args.job), "engine_file": str(path)}, lines)
    return 0


def _answers(given: list[str]) -> dict[str, str]:
    before: dict[str, str] = {}
    for answer in given:
        key, equals, text = answer.partition("=")
        if not equals:
            raise InputError(f"--answer {answer!r} is not of the form KEY=ANSWER")
        before[key] = text
    interview, taken = Interview(), []
    if sys.stdin.isatty():
        message(f"Enter alone takes what stands in brackets; {BACK} goes one question back.")
    while (question := interview.question) is not None:
        if question.key in before:
            try:
                doubt = interview.take(before.pop(question.key) or question.default)
            except InputError as wrong:
                raise InputError(f"--answer {question.key}: {wrong}") from None
            if doubt:
                message(f"rig new: {question.key}: {doubt}")
                interview.take(YES[0])
        elif not sys.stdin.isatty():
            taken.append(f"{question.key}={interview.default}")
            interview.take("")
        else:
            _ask(interview, question)
    if taken:  # answers that were piped in would be passed over in silence
        message(
            "rig new: there is no terminal to ask at, so what is usual was taken:"
            f" {', '.join(taken)}. Give others with --answer KEY=ANSWER"
        )
    return interview.answers | before


def _ask(interview: Interview, question: Question) -> None:
    """Ask one question; what will not do, or is unlikely, is said and asked again."""
    shown = interview.default
    _say(f"{question.text} [{shown}]" if shown else question.text)
    typed = sys.stdin.readline()
    if not typed:
        raise InputError("the questions were not answered to the end; nothing was made")
    try:
        if doubt := interview.take(typed):
            _say(f"{doubt} Enter yes to keep it, or another answer.")
    except InputError as wrong:
        _say(str(wrong))


def _say(text: str) -> None:
    """Words for the person, cut between words where the terminal ends."""
    message("\n".join(folded([text])))
