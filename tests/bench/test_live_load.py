"""What the live dashboard takes of a processor while the virtual rig turns."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from rig.job.new import write_example
from rig.live.demo import VirtualRigProcess
from rig.wire.capture import CaptureReader
from rig.wire.records import Health, LineError

pty = pytest.importorskip("pty", reason="the screen needs a terminal, which is made here")
pytestmark = pytest.mark.bench

SETTLE_S = 6.0
SECONDS = 18.0
AIM = 0.15
CASES = {
    "screen 80x24, 45 deg/s": (45.0, (80, 24)),
    "screen 120x40, 20,000 counts a second": (1758.0, (120, 40)),
    "plain lines, 45 deg/s": (45.0, None),
}


def share_of_a_processor(folder: Path, speed: float, size: tuple[int, int] | None) -> float:
    """The live program's processor time over the time that passed; and that nothing was lost."""
    write_example(folder)
    result = folder / "load.json"
    with VirtualRigProcess(folder / "engine.toml", 3, use_socket=True) as rig:
        rig.tell(f"turn {speed * 2 * SECONDS:g} at {speed:g}")
        words = ["live", str(folder), "--port", rig.port, "--seconds", f"{SECONDS:g}"]
        if size is None:
            words.append("--plain")
        _run([sys.executable, "live_load.py", str(result), f"{SETTLE_S:g}", *words], size)
        rig.tell("halt")
        rig.tell("quit")
    _, cpu_s, passed_s = json.loads(result.read_text(encoding="utf-8"))
    _nothing_lost(next((folder / "captures").glob("*.capture")), speed)
    return float(cpu_s / passed_s)


def _run(command: list[str], size: tuple[int, int] | None) -> None:
    here = Path(__file__).parent
    if size is None:
        subprocess.run(command, cwd=here, stdout=subprocess.DEVNULL, check=True)
        return
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color"}
    environment |= {"COLUMNS": str(size[0]), "LINES": str(size[1])}
    _set_size(theirs, size)
    with subprocess.Popen(
        command, cwd=here, stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    ) as process:
        os.close(theirs)
        drawn = bytearray()
        reader = threading.Thread(target=_drain, args=(ours, drawn))
        reader.start()
        assert process.wait(timeout=SECONDS + 60.0) == 0, bytes(drawn[-2000:])
        reader.join()
        os.close(ours)
    assert len(drawn) > 2000, "nothing was drawn"


def _set_size(terminal: int, size: tuple[int, int]) -> None:
    import termios

    termios.tcsetwinsize(terminal, (size[1], size[0]))


def _drain(terminal: int, into: bytearray) -> None:
    while True:
        try:
            data = os.read(terminal, 1 << 16)
        except OSError:  # the other side is closed
            return
        if not data:
            return
        into += data


def _nothing_lost(capture: Path, speed: float) -> None:
    batches = list(CaptureReader(capture).batches())
    others = [other for batch in batches for other in batch.others]
    # The port may be opened in the middle of a line.
    trouble = [o.detail for o in others if isinstance(o, LineError)][1:]
    assert not trouble, trouble[:5]
    health = [other for other in others if isinstance(other, Health)]
    assert health[-1].lost_lines == health[-1].lost_edges == health[-1].illegal == 0
    counts = np.concatenate([batch.positions["count"] for batch in batches])
    assert counts[-1] - counts[0] > 0.7 * speed / 360.0 * 4096 * (SECONDS - 2.0)


@pytest.mark.parametrize("case", CASES)
def test_share_of_a_processor(case: str, tmp_path: Path) -> None:
    share = share_of_a_processor(tmp_path / "job", *CASES[case])
    print(f"\nlive, {case}: {100 * share:.1f} % of one processor, aim {100 * AIM:g}")
    assert share <= AIM
