"""Every command with every standard stream open, closed or full: a sentence, a status, no more.

The commands are those of the registry; one that is new has to be given a call here.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

import pytest
from made_job import certificate_in, copied, finished

from rig.cli.main import COMMANDS, FAULT, SHOW_FAULTS, main, parser_of

Words = list[str]

CALLS: dict[str, Callable[[Path, Path], list[str | Path]]] = {
    "demo": lambda job, new: ["--job", job],  # it is there already: refused
    "new": lambda job, new: [new / "new", "--example"],
    "ports": lambda job, new: [],
    "live": lambda job, new: [job, "--port", "loop://", "--seconds", "0", "--plain"],
    "read": lambda job, new: [newest(job), "--tdc-deg", "277"],
    "check": lambda job, new: [job],
    "results": lambda job, new: [job, "--readings"],
    "range": lambda job, new: [job],
    "tdc": lambda job, new: ["show", job],
    "adjust": lambda job, new: [job],
    "convert": lambda job, new: [job, "--btdc-deg", "30"],
    "gears": lambda job, new: ["24", "24"],
    "bench": lambda job, new: [job, "--unit", "upper"],
    "certify": lambda job, new: [job],
    "verify": lambda job, new: [certificate_in(job), "--all-checks"],
    "compare": lambda job, new: [certificate_in(job), certificate_in(job)],
    "trend": lambda job, new: [job, "--csv", new / "all.csv"],
    "plot": lambda job, new: ["readings", job, "--out", new / "readings.svg"],
    "simulate": lambda job, new: ["--socket"],
}
"""A call of each command; ``job`` is a copy of a finished one, ``new`` an empty folder."""


def newest(job: Path) -> Path:
    return sorted((job / "captures").iterdir())[-1]


def closed() -> None:
    return None


def full() -> TextIO:
    return open("/dev/full", "w", encoding="utf-8")


STREAMS: dict[str, Callable[[], TextIO | None]] = {"closed": closed}
if Path("/dev/full").exists():
    STREAMS["full"] = full


@pytest.fixture(scope="module", autouse=True)
def _faults_are_shown() -> Iterator[None]:
    """A fault of the program fails the test with all that is known of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(SHOW_FAULTS, "1")
        yield


class Bench:
    """Runs calls, each on a fresh copy of the job where it changes something."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._pristine = copied(home)
        self._runs = 0

    def call(self, command: str) -> Words:
        """The words of a call whose folders are its own."""
        self._runs += 1
        here = self._home / str(self._runs)
        here.mkdir()
        job = here / "job"
        shutil.copytree(self._pristine, job)
        return [command, *map(str, CALLS[command](job, here))]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("streams"))


def run(words: Words, out: TextIO | None, err: TextIO | None) -> int:
    before = sys.stdin, sys.stdout, sys.stderr
    sys.stdin, sys.stdout, sys.stderr = None, out, err
    try:
        return main(words)
    finally:
        assert (sys.stdout, sys.stderr) == (out, err), "the streams are given back"
        sys.stdin, sys.stdout, sys.stderr = before
        with ExitStack() as stack:
            for stream in (out, err):
                if stream is not None and not isinstance(stream, io.StringIO):
                    stack.callback(stream.close)  # nothing may wait in it that is refused now


def test_every_command_has_a_call() -> None:
    assert list(CALLS) == list(COMMANDS)


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_with_every_stream_closed_or_full(bench: Bench, command: str) -> None:
    plain_out, plain_err = io.StringIO(), io.StringIO()
    usual = run(bench.call(command), plain_out, plain_err)
    assert usual in (0, 1, 2, 3)
    written = bool(plain_out.getvalue())
    if usual >= 2:
        assert plain_err.getvalue().startswith(f"rig {command}: ") or command == "live"
    for make in STREAMS.values():
        err = io.StringIO()
        status = run(bench.call(command), make(), err)
        if written:
            assert status == max(usual, 2), "what was to be said could not be"
            said = [line for line in err.getvalue().splitlines() if "standard output" in line]
            assert len(said) == 1, err.getvalue()
        else:
            assert status == usual
        for line in err.getvalue().splitlines():
            assert line.isprintable()
        out = io.StringIO()
        assert run(bench.call(command), out, make()) == usual
        assert bool(out.getvalue()) == written
        assert run(bench.call(command), make(), make()) == (max(usual, 2) if written else usual)


@pytest.mark.parametrize("command", ["", *COMMANDS])
@pytest.mark.parametrize("words", [["--help"], ["--none"], ["--\x1b[2J\udcff"], []])
def test_help_and_wrong_usage_with_every_stream_closed_or_full(
    command: str, words: Words, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    if command and not words and not _needs_words(command):
        return  # a whole call, as above
    call = [command, *words] if command else words
    err = io.StringIO()
    usual = run(call, io.StringIO(), err)
    helped = words == ["--help"] or not call
    assert usual == (0 if helped else 2)
    assert bool(err.getvalue()) != helped
    for make in STREAMS.values():
        err = io.StringIO()
        assert run(call, make(), err) == 2
        assert err.getvalue().count("standard output cannot be written") == helped
        assert run(call, io.StringIO(), make()) == usual
        assert run(call, make(), make()) == 2


def _needs_words(command: str) -> bool:
    return any(
        not each.option_strings and each.nargs not in ("?", "*")
        for each in parser_of(command)._actions
    )


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="the shell's way to close a stream")
@pytest.mark.parametrize("how", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_a_process_that_begins_with_closed_streams(bench: Bench, how: str) -> None:
    """What it writes to disk is as sound as ever: no file has got the number of a stream."""
    words = bench.call("certify")
    command = ["sh", "-c", f'exec "$@" {how}', "sh", sys.executable, "-m", "rig", *words]
    done = subprocess.run(command, capture_output=True, check=False)
    assert b"Traceback" not in done.stderr
    assert done.returncode == (2 if ">&-" in how.split() else 0), done.stderr
    records = sorted(Path(words[1], "certificates").glob("*/*.json"))
    records = records or sorted(Path(words[1], "certificates").rglob("*.json"))
    assert len(records) == 2, "the certificate is saved all the same"
    assert main(["verify", str(records[-1])]) == 0


def test_a_fault_of_the_program_is_one_sentence_and_no_verdict(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(*given: object) -> None:
        raise KeyError("a name\nof two lines")

    monkeypatch.setattr("rig.cli.tdc.job_reference", wrong)
    monkeypatch.delenv(SHOW_FAULTS)
    err = io.StringIO()
    assert run(bench.call("tdc"), io.StringIO(), err) == FAULT
    assert err.getvalue().startswith("rig tdc: this is a fault of the program (KeyError ")
    assert err.getvalue().count("\n") == 1


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text")
@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_in_folders_whose_names_are_no_text(
    command: str, tmp_path: Path, bench: Bench
) -> None:
    usual = run(bench.call(command), io.StringIO(), io.StringIO())
    home = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff\xfe"))
    shutil.copytree(finished().folder, home / "job")
    shutil.copyfile(newest(home / "job"), home / "job" / "captures" / "\udcff.capture")
    os.utime(home / "job" / "captures" / "\udcff.capture", (4e9, 4e9))
    for make in (home / "job", home / "new"):
        out, err = io.StringIO(), io.StringIO()
        words = [command, *map(str, CALLS[command](home / "job", make))]
        status = run(words, out, err)
        assert status in (usual, 2), err.getvalue()
        assert (out.getvalue() + err.getvalue()).replace("\n", "").isprintable()
