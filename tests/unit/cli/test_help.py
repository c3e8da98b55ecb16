"""The help of every command: it fits 80 columns, says what each option does, and its examples
are commands."""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_job import on_terminal, rig

from rig.cli.main import COMMANDS, parser_of
from rig.cli.output import Answer, Command

WIDTH = 80


def parsers(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for each in action.choices.values():
                yield from parsers(each)


EVERY = {each.prog: each for name in COMMANDS for each in parsers(parser_of(name))}


@pytest.mark.parametrize("prog", EVERY)
def test_it_fits_80_columns(prog: str) -> None:
    ran = on_terminal(*prog.split()[1:], "--help")
    assert ran.status == 0
    long = [line for line in ran.out.splitlines() if len(line) > WIDTH]
    assert not long
    assert not [line for line in ran.out.splitlines() if line.startswith("rig ")], "not indented"


def test_the_list_of_commands_fits_80_columns() -> None:
    assert max(map(len, on_terminal("--help").out.splitlines())) <= WIDTH


@pytest.mark.parametrize("prog", EVERY)
def test_each_option_has_one_short_sentence(prog: str) -> None:
    for action in EVERY[prog]._actions:
        if action.dest in ("help", "command") or isinstance(action, argparse._SubParsersAction):
            continue
        words = action.help or ""
        assert 3 <= len(words) <= WIDTH, (action.dest, words)
        assert not words.endswith("."), (action.dest, words)
        assert ". " not in words, (action.dest, words)


PLACES = {
    "SIZE": "0.5", "DEG": "161.9", "NAME": "upper", "S": "417", "JOB|RECORDING": "job",
}  # fmt: skip
EXAMPLES = [
    line.strip()
    for parser in EVERY.values()
    for line in (parser.description or "").splitlines()
    if line.startswith("    rig ")
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_each_example_is_a_command(example: str) -> None:
    """What stands in brackets may be left out; what follows three spaces is its explanation."""
    words = shlex.split(re.sub(r"\[[A-Z]+\]", "", example.partition("   ")[0]))
    assert words[0] == "rig"
    args = parser_of(words[1]).parse_args([PLACES.get(word, word) for word in words[2:]])
    assert args.command == words[1]


def test_there_are_examples() -> None:
    assert len(EXAMPLES) > 15


def test_a_table_of_options_says_what_each_takes() -> None:
    table = """
    job PATH                 the folder
    [capture...] PATH        captures
    --readings               a flag
    --tdc-deg,--tdc DEG      a number
    --cylinder N=1           with a default
    --how WORDS=by hand      of two words
    --changed WORDS...       repeated
    --felt DEG+              one or more
    --example [NAME=one]     may be left out
    --change-of UNIT WORDS   a pair
    --way {1,-1}             one of two numbers
    --unit {mm,inch}=mm      one of two words
    """
    parser = argparse.ArgumentParser()
    Command(lambda args: Answer({}), table).declare(parser)
    plain = vars(parser.parse_args(["job"]))
    assert plain == {
        "job": Path("job"), "capture": [], "readings": False, "tdc_deg": None, "cylinder": 1,
        "how": "by hand", "changed": [], "felt": [], "example": None, "change_of": None,
        "way": None, "unit": "mm", "json": False,
    }  # fmt: skip
    words = "job a b --readings --tdc 1.5 --cylinder 3 --changed x --changed y --example"
    words += " --change-of upper heel --way -1 --unit inch --felt 1 2.5"
    full = vars(parser.parse_args(words.split()))
    assert full == {
        "job": Path("job"), "capture": [Path("a"), Path("b")], "readings": True, "tdc_deg": 1.5,
        "cylinder": 3, "how": "by hand", "changed": ["x", "y"], "felt": [1.0, 2.5],
        "example": "one", "change_of": ["upper", "heel"], "way": -1, "unit": "inch", "json": False,
    }  # fmt: skip


def test_all_names_of_a_command_are_known() -> None:
    assert "unrecognized arguments" in rig("results", "job", "--what").err
