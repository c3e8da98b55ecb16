"""The virtual rig as a program of its own: ports, pacing, commands, what it prints."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
import tiny_parser as wire
from made_job import refused

from rig.job.new import write_example
from rig.virtual.rig import demo_profile, run

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")


class Program:
    """The program running, and a port opened as a reader would."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig", "simulate", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.first = self.tell()

    def tell(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        said: dict[str, Any] = json.loads(self.process.stdout.readline())
        return said

    def say(self, *lines: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{line}\n" for line in lines))
        self.process.stdin.flush()

    def open(self, port: str = "") -> serial.SerialBase:
        return serial.serial_for_url(port or self.first["port"], baudrate=500_000, timeout=0.05)


@contextmanager
def running(*arguments: str) -> Iterator[Program]:
    program = Program(*arguments)
    try:
        yield program
    finally:
        program.process.kill()
        program.process.communicate()


def read_until(port: serial.SerialBase, kind: str, seconds: float = 5.0) -> list[wire.Line]:
    """Good lines up to one of that kind."""
    data, end = b"", time.monotonic() + seconds
    while time.monotonic() < end:
        data += port.read(4096)
        lines, _ = wire.good_lines(data[: data.rfind(b"\n") + 1])
        if any(line.kind == kind for line in lines):
            return lines
    pytest.fail(f"no {kind} within {seconds} s")


@pytest.mark.parametrize("door", [["--socket"], pytest.param([], marks=posix_only)])
def test_at_full_speed_the_very_bytes_of_a_run_come_through(
    tmp_path: Path, door: list[str]
) -> None:
    plan = ["turn 400 at 90", "fault reset in 0.5", "stop in", "touch", "back 90", "rest 0.5"]
    wanted = run(plan, demo_profile(), 3)
    (tmp_path / "plan").write_text("\n".join(plan), encoding="utf-8")
    files = ["--plan", str(tmp_path / "plan"), "--truth", str(tmp_path / "truth.json")]
    with running("--seed", "3", "--speed", "0", *files, *door) as program:
        program.say("quit")
        data = b""
        with program.open() as port:
            while len(data) < len(wanted.data):
                data += port.read(4096)
        assert data == wanted.data
        told = [program.tell() for _ in range(len(plan) + 1)]
        assert [t.get("done") for t in told] == [*plan, None]
        assert told[3]["blocked"] is True
        assert told[-1]["end"] is True
        assert program.process.wait(5) == 0
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert truth == json.loads(json.dumps(wanted.truth))


@pytest.mark.parametrize("door", [["--socket"], pytest.param([], marks=posix_only)])
def test_live_it_keeps_time_answers_and_obeys(door: list[str]) -> None:
    with running("--wait", *door) as program, program.open() as port:
        lines = read_until(port, "P")
        assert [line.kind for line in lines[:2]] == ["R", "I"]
        began = time.monotonic()
        port.write(b"?\n")
        first = read_until(port, "I", 1.5)  # the next of its own comes after two seconds
        assert wire.of_kind(first, "I")[0].fields[3] == "virtual-rig"
        program.say("turn 3600 at 90")
        read_until(port, "Z", 8.0)
        program.say("halt")
        halted = program.tell()
        assert halted["halted"] is True
        # The rig's clock is the clock on the wall.
        assert halted["t_s"] == pytest.approx(time.monotonic() - began, abs=0.5)
        program.say("no such thing", "turn 10", "quit")
        assert "allowed" in program.tell()["error"]
        assert program.tell()["done"] == "turn 10"
        assert program.tell()["end"] is True
        assert program.process.wait(5) == 0


@posix_only
def test_unplugged_it_comes_back_as_another_port() -> None:
    with running() as program:
        with program.open() as port:
            read_until(port, "P")
            program.say("fault unplug 0.5")
            assert program.tell()["done"] == "fault unplug 0.5"
            with pytest.raises((serial.SerialException, OSError)):
                read_until(port, "no such kind")
            again = program.tell()
        with program.open(again["port"]) as port:
            assert read_until(port, "P")
        program.say("quit")
        assert program.process.wait(5) == 0


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--profile", "none.toml"),
        ("--plan", "none"),
        ("--truth", "none/truth.json"),
        ("--vcd", "none/pins.vcd"),
        ("--speed", "-1"),
        ("--noise", "loud"),
        *(("--counts", value) for value in ("4095", "0", "-4", "9" * 20)),
        *((f"--{name}", value) for name in ("seed", "clock-start") for value in ("-1", "9" * 20)),
        *(("--count-start", value) for value in ("9" * 20, "-" + "9" * 20)),
    ],
)
def test_bad_arguments_get_a_sentence(
    option: str, value: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything is served, so that no run is lost at its end."""
    monkeypatch.chdir(tmp_path)
    said = refused(2, "simulate", f"{option}={value}")
    assert value in said or option in said


def test_it_says_how_to_connect(tmp_path: Path) -> None:
    job = tmp_path / "my engine"
    write_example(job)
    with running("--socket", "--profile", str(job / "engine.toml")) as program:
        assert program.first["connect"] == f"rig live '{job}' --port {program.first['port']}"
    with running("--socket") as program:
        assert program.first["connect"].startswith("rig live JOB --port socket://")
