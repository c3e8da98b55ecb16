"""What goes to standard output and standard error, and how a command ends."""

from __future__ import annotations

import argparse
import io
import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_job import certificate_in, copied, finished, process, refused, rig

from rig import __version__
from rig.cli.main import COMMANDS, RENAMED, parser_of

ROOT = Path(__file__).parents[3]
PINS = ROOT / "fixtures" / "pins"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copied(tmp_path_factory.mktemp("output"))


def commands(job: Path, new: Path) -> list[tuple[str | Path, ...]]:
    """One call of each command that prints figures."""
    capture = job / "captures" / finished().capture.name
    return [
        ("read", capture, "--tdc-deg", "277"),
        ("read", PINS / "coarse.vcd", "--counts-per-turn", "2400"),
        ("results", job),
        ("results", job, "--readings"),
        ("certify", job),
        ("verify", certificate_in(finished().folder)),
        ("verify", certificate_in(finished().folder), "--all-checks"),
        ("compare", certificate_in(finished().folder), certificate_in(finished().folder)),
        ("tdc", "show", job),
        ("ports",),
        ("new", new, "--example"),
    ]


def test_with_json_standard_output_is_one_object_and_nothing_else(
    job: Path, tmp_path: Path
) -> None:
    for words in commands(job, tmp_path / "new"):
        ran = rig(*words, "--json")
        assert ran.status == 0, ran.err
        assert ran.out.endswith("\n")
        assert ran.out.count("\n") == 1
        assert isinstance(json.loads(ran.out), dict)
        assert ran.out.isascii()
        assert "NaN" not in ran.out
        assert "Infinity" not in ran.out


def test_what_is_refused_says_so_on_standard_error_alone(job: Path) -> None:
    for words in (
        ("read", job / "none"), ("results", job / "none"), ("certify", job / "none"),
        ("verify", job / "none"), ("compare", job / "none", job / "none"),
        ("tdc", "show", job / "none"),
        ("live", job / "none"), ("new", job, "--example"),
    ):  # fmt: skip
        options = [] if words[0] == "live" else ["--json"]
        assert str(job) in refused(2, *words, *options)


def test_plain_lines_hold_no_control_codes(job: Path, tmp_path: Path) -> None:
    for words in commands(job, tmp_path / "new"):
        ran = rig(*words)
        assert ran.status == 0, ran.err
        assert ran.out
        assert (ran.out + ran.err).replace("\n", "").isprintable()


@pytest.mark.slow
def test_colour_is_never_sent_to_what_is_no_terminal(job: Path) -> None:
    env = {"TERM": "xterm-256color", "COLUMNS": "40", "CLICOLOR_FORCE": "1", "FORCE_COLOR": "1"}
    ran = process("results", job, env=env)
    assert (ran.status, ran.err) == (0, "")
    assert "\x1b" not in ran.out
    assert ran.out == rig("results", job).out


@pytest.mark.slow
def test_an_output_that_knows_ascii_only(job: Path) -> None:
    env = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "LC_ALL": "C"}
    ran = process("results", job, env=env)
    assert ran.status == 0
    assert ran.out.isascii()
    assert " deg BTDC" in ran.out
    as_json = process("tdc", "show", job, "--json", env=env)
    assert as_json.answer == rig("tdc", "show", job, "--json").answer


def test_help_of_every_command() -> None:
    for command in COMMANDS:
        ran = rig(command, "--help")
        assert (ran.status, ran.err) == (0, "")
        assert ran.out.startswith(f"usage: rig {command}")
    for words in ((), ("--help",), ("-h",), ("help",)):
        ran = rig(*words)
        assert (ran.status, ran.err) == (0, "")
        for command, what in COMMANDS.items():
            assert f"{command} " in ran.out
            assert what in ran.out
    assert rig("--version").out == f"timing-rig {__version__}\n"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("raed", "x"), "there is no command 'raed'. Did you mean read? Try rig --help."),
        (("\x1b[2J",), "there is no command '\\x1b[2J'."),
        (("read",), "the following arguments are required: recording"),
        (("results",), "the following arguments are required: job\n"),
        (("results", "job", "--jsno"), "unrecognized arguments: --jsno"),
        (("results", "job", "--\x1b[2J"), "unrecognized arguments: --?[2J"),
        (("compare", "one"), "the following arguments are required: second"),
    ],
)
def test_wrong_usage(words: tuple[str, ...], sentence: str) -> None:
    ran = rig(*words)
    assert (ran.status, ran.out) == (2, "")
    assert sentence in ran.err
    assert ran.err.replace("\n", "").isprintable()


@pytest.mark.parametrize(("old", "new"), RENAMED.items())
def test_an_old_name_gets_the_new_one_in_a_sentence(old: str, new: str) -> None:
    ran = rig(old, "job")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == f"rig: '{old}' is now called '{new}': enter rig {new}.\n"
    assert new.split(maxsplit=1)[0] in COMMANDS
    assert old not in COMMANDS


def test_each_part_of_tdc_has_help() -> None:
    for part in ("show", "set", "gauge"):
        ran = rig("tdc", part, "--help")
        assert (ran.status, ran.err) == (0, "")
        assert ran.out.startswith(f"usage: rig tdc {part}")
    assert "show|set|gauge" in refused(2, "tdc")


def test_both_names_are_installed() -> None:
    """Another package of some systems has a program named rig."""
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["scripts"]
    assert scripts == {"rig": "rig.cli.main:main", "timing-rig": "rig.cli.main:main"}


@pytest.mark.slow
def test_a_process_ends_with_the_same_status_and_words(job: Path) -> None:
    missing = process("results", job / "none")
    assert (missing.status, missing.out) == (2, "")
    assert missing.err == refused(2, "results", job / "none")
    assert process("--version").out == f"timing-rig {__version__}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="there are no broken pipes of this kind")
def test_a_reader_that_goes_away_ends_it_quietly(job: Path) -> None:
    """As with head or a pager that is left."""
    capture = job / "captures" / finished().capture.name
    with subprocess.Popen(
        [sys.executable, "-m", "rig", "read", str(capture)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        said = running.stderr.read()
    assert (running.returncode, said) == (0, b"")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no full device")
def test_an_output_that_takes_nothing_is_said(job: Path) -> None:
    with open("/dev/full", "wb", buffering=0) as full:
        done = subprocess.run(
            [sys.executable, "-m", "rig", "tdc", "show", str(job)],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
        )
    said = done.stderr.decode()
    assert done.returncode == 2
    assert "Traceback" not in said
    assert "the disk is full" in said


def test_rig_help_loads_none_of_the_large_libraries() -> None:
    code = (
        "import sys; from rig.cli.main import main; main(['--help'])\n"
        "large = {'numpy', 'scipy', 'rich', 'matplotlib', 'serial'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {large}' if large else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=False, env=dict(os.environ)
    )
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_stream_without_an_encoding_is_written_to(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rig.cli.main import main

    out = io.StringIO()
    monkeypatch.setattr("sys.stdout", out)
    assert main(["tdc", "show", str(job)]) == 0
    assert "° after the index" in out.getvalue()


def float_options() -> list[tuple[str, str]]:
    return [
        (command, action.option_strings[0])
        for command in COMMANDS
        for parser in all_parsers(parser_of(command))
        for action in parser._actions
        if action.type is float and action.option_strings
    ]


def all_parsers(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for each in action.choices.values():
                yield from all_parsers(each)


def test_only_a_finite_number_is_a_number(capsys: pytest.CaptureFixture[str]) -> None:
    """``--seconds nan`` would never end."""
    options = float_options()
    assert ("live", "--seconds") in options
    assert ("tdc", "--tdc-deg") in options
    for command, option in options:
        every = all_parsers(parser_of(command))
        parser = next(each for each in every if option in each._option_string_actions)
        for word in ("nan", "inf", "-inf", "1e999", "ten", "1,5"):
            with pytest.raises(SystemExit):
                parser.parse_args([f"{option}={word}"])
            assert f"{option}: {word!r} is not a number" in capsys.readouterr().err
