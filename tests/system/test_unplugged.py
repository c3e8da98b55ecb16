"""A rig that is unplugged and comes back: under its old name, another name, or as another rig.

The program runs as a process of its own and reads pseudo-terminals. These are in no list of serial
ports, so that the list is read from a file which the test writes.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from made_job import copied, rig
from paced_rig import SLOW_S, PacedRig, speech, wait_for

from rig.wire.line import decode, encode

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX systems"),
]

CODE = """
import sys
from pathlib import Path
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

def listed():
    for line in Path(sys.argv[1]).read_text().splitlines():
        port = ListPortInfo(line.split()[0])
        if " " in line:
            port.vid, port.pid, port.serial_number = 0x1209, 1, line.split()[1]
        yield port

list_ports.comports = lambda: list(listed())
from rig.cli.main import main
sys.exit(main(sys.argv[2:]))
"""


class Live:
    """``rig live`` on a job; its output goes to a file that can be read while it runs."""

    def __init__(self, home: Path) -> None:
        self.job = copied(home)
        self._list = home / "ports"
        self._said = home / "said"
        self._running: subprocess.Popen[str] | None = None

    def ports(self, *ports: str) -> None:
        """The system knows these ports: names, each with the serial of its USB adapter or not."""
        made = self._list.with_name("ports-made")
        made.write_text("".join(f"{port}\n" for port in ports))
        made.replace(self._list)

    def begin(self, port: str) -> None:
        with self._said.open("w") as said:
            self._running = subprocess.Popen(
                [sys.executable, "-u", "-c", CODE, str(self._list),
                 "live", str(self.job), "--plain", "--port", port],
                stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT, text=True,
            )  # fmt: skip
        self.until(lambda: len(list((self.job / "captures").iterdir())) == 2)

    @property
    def said(self) -> str:
        return self._said.read_text("utf-8")

    def until(self, found: Callable[[], object]) -> None:
        assert self._running is not None
        wait_for(self._running, found)

    def end(self) -> Path:
        """End it in order; the capture."""
        assert self._running is not None
        self._running.send_signal(signal.SIGINT)
        self._running.wait(SLOW_S)
        assert "Traceback" not in self.said
        return max((self.job / "captures").iterdir(), key=lambda path: path.stat().st_mtime)

    def kill(self) -> None:
        if self._running is not None:
            self._running.kill()
            self._running.wait(SLOW_S)


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    made = Live(tmp_path)
    yield made
    made.kill()


def named(name: str, lines: tuple[tuple[float, bytes], ...]) -> tuple[tuple[float, bytes], ...]:
    """The same speech by a rig of another name."""
    said = []
    for due_s, line in lines:
        parts = decode(line.rstrip(b"\n")) or []
        fields = [part.decode() for part in parts[2:5]]
        hello = bool(parts) and parts[0] == b"I"
        said.append((due_s, encode("I", int(parts[1], 16), *fields, name) if hello else line))
    return tuple(said)


def openings(text: str) -> int:
    return text.count("° BTDC")


def test_it_comes_back_under_another_name(live: Live) -> None:
    """The adapter has no serial: it is known by what the rig says of itself."""
    with PacedRig(speech()) as before, PacedRig(speech()) as after, PacedRig(()) as other:
        live.ports(before.port, other.port)
        live.begin(before.port)
        before.begin()
        live.until(lambda: openings(live.said) > 3)
        live.ports(other.port)
        before.unplug()
        live.until(lambda: "RIG LOST: " in live.said)
        after.begin()
        live.ports(other.port, after.port)
        live.until(lambda: "the rig is back" in live.said)
        read = openings(live.said)
        live.until(lambda: openings(live.said) > read + 3)
        capture = live.end()
        assert other.heard() == b""  # a port that was there all along is not spoken to
    text = capture.read_text("ascii")
    assert f"RIG LOST: {before.port}: the rig was unplugged, or lost its power\n" in live.said
    assert text.index("# gap ") < text.index(f'# back {{"port":"{after.port}"')
    ran = rig("read", capture, "--json")
    assert ran.status == 0
    assert len(ran.answer["openings"]) >= 6
    ended = rig("certify", live.job, capture, "--json")
    assert ended.status in (0, 1)
    assert rig("verify", ended.answer["certificate"]).status == 0


def test_its_adapter_is_known_by_its_serial(live: Live) -> None:
    """Nothing is heard at once, as of a board that starts slowly; it is taken all the same."""
    with PacedRig(speech()) as before, PacedRig(speech()) as after:
        live.ports(f"{before.port} Q7")
        live.begin(before.port)
        before.begin()
        live.until(lambda: openings(live.said) > 1)
        live.ports(f"{after.port} Q7")
        before.unplug()
        live.until(lambda: "the rig is back" in live.said or "# back" in newest(live))
        after.begin()
        read = openings(live.said)
        live.until(lambda: openings(live.said) > read + 1)
        live.end()


def newest(live: Live) -> str:
    path = max((live.job / "captures").iterdir(), key=lambda each: each.stat().st_mtime)
    return path.read_text("ascii")


def test_another_rig_is_not_taken_for_it(live: Live, tmp_path: Path) -> None:
    """Not even under the same name; it is said, and the right one is taken when it comes."""
    link = tmp_path / "rig-port"
    with (
        PacedRig(speech(), link) as before,
        PacedRig(named("another-one", speech())) as another,
        PacedRig(speech()) as after,
    ):
        live.ports()
        live.begin(before.port)
        before.begin()
        live.until(lambda: openings(live.said) > 1)
        before.unplug()
        link.unlink()
        live.until(lambda: "RIG LOST: " in live.said)
        link.symlink_to(another.port)
        another.begin()
        live.until(lambda: "another rig is on " in live.said)
        assert "another-one" in live.said
        assert "the rig is back" not in live.said.partition("RIG LOST: ")[2]
        link.unlink()
        link.symlink_to(after.port)
        after.begin()
        live.until(lambda: "the rig is back" in live.said.partition("RIG LOST: ")[2])
        capture = live.end()
    assert "another-one" not in capture.read_text("ascii")


def test_a_sleeping_computer(live: Live) -> None:
    """The program stands still; the rig goes on, and what it says meanwhile is lost."""
    with PacedRig(speech()) as board:
        live.ports(board.port)
        live.begin(board.port)
        board.begin()
        live.until(lambda: openings(live.said) > 2)
        assert live._running is not None
        live._running.send_signal(signal.SIGSTOP)
        board.unheard.set()
        time.sleep(3.0)
        board.unheard.clear()
        live._running.send_signal(signal.SIGCONT)
        live.until(lambda: "line errors: gap" in live.said)
        read = openings(live.said)
        live.until(lambda: openings(live.said) > read + 2)
        capture = live.end()
    assert rig("read", capture, "--json").status == 0
    ended = rig("certify", live.job, capture, "--json")
    assert ended.status in (0, 1)
    assert rig("verify", ended.answer["certificate"]).status == 0
