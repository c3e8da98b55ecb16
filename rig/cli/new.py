"""Make a job folder: from a few questions, or from an example."""

from __future__ import annotations

import argparse
import sys

from rig.base.errors import InputError
from rig.base.escape import message
from rig.cli.output import Answer, Command, say, tell
from rig.job.answers import BACK
from rig.job.new import example_names, write_example, write_job
from rig.job.questions import YES, Interview, Question


def run(args: argparse.Namespace) -> Answer:
    """Make a job folder: from a few questions, or from a complete example."""
    if args.example:
        path = write_example(args.job, args.example)
    else:
        path = write_job(args.job, _answers(args))
    figures = {"job": str(args.job), "engine_file": str(path)}
    return Answer(
        figures,
        [
            f"{path} is made: check it and correct it; it is yours to edit",
            f"At the engine, with the rig plugged in: rig live {args.job}",
        ],
    )


def _answers(args: argparse.Namespace) -> dict[str, str]:
    before: dict[str, str] = dict(args.answer)
    interview, taken = Interview(), []
    if sys.stdin.isatty():
        message(f"Enter alone takes the answer in brackets; {BACK} goes one question back.")
    while (question := interview.question) is not None:
        if question.key in before:
            try:
                doubt = interview.take(before.pop(question.key) or question.default)
            except InputError as wrong:
                raise InputError(f"--answer {question.key}: {wrong}") from None
            if doubt:
                tell(args, f"{question.key}: {doubt}")
                interview.take(YES[0])
        elif not sys.stdin.isatty():
            taken.append(f"{question.key}={interview.default}")
            interview.take("")
        else:
            _ask(interview, question)
    if taken:  # answers that were piped in would be ignored in silence
        tell(
            args,
            "there is no terminal to ask at, so the usual answers were used:"
            f" {', '.join(taken)}. Give others with --answer KEY=ANSWER",
        )
    return interview.answers | before


def _ask(interview: Interview, question: Question) -> None:
    """Ask one question; an answer that is wrong or unlikely gets a sentence and is asked again."""
    shown = interview.default
    say(f"{question.text} [{shown}]" if shown else question.text)
    typed = sys.stdin.readline()
    if not typed:
        raise InputError("not all questions were answered; nothing was made")
    try:
        if doubt := interview.take(typed):
            say(f"{doubt} Enter yes to keep it, or another answer.")
    except InputError as wrong:
        say(str(wrong))


OPTIONS = f"""
job PATH                 the folder to make
--example [NAME=example]  copy an example: {", ".join(example_names())}
--answer KEY=ANSWER...   answer a question beforehand; repeatable
"""
COMMANDS = {"new": Command(run, OPTIONS)}
