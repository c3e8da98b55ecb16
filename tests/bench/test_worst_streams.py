"""What the worst legal streams take: time as a ratio to an ordinary one, memory over their length.

Nobody waits for a day of a full line. Measured is what a longer stretch takes beyond a shorter one.
Openings, index passes and positions with the piston stop in are kept one by one up to a limit
(``rig.session.kept``, ``rig.tdc.piston_stop``). With the limits made small the memory reaches a
plateau: that shows that nothing else grows."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from itertools import count

import pytest
from played import PROFILE
from ratio import least_s

from rig.session import kept as session_kept
from rig.session.session import Session
from rig.signal import integrity, rig_statistics, track
from rig.signal import openings as openings_of
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc import index_resolver, piston_stop
from rig.tdc.piston_stop import StopTouches
from rig.wire.line import encode, hexadecimal
from rig.wire.reader import LineReader

pytestmark = pytest.mark.bench

PIECE = 3_300  # of a fifteenth of a second, as the dashboard takes them
SHORT, LONG = 200_000, 600_000

NEAR = ("+64", "+64", "+64", "+64")
Lines = Iterator[bytes]


def line(kind: str, number: int, *fields: int | str) -> bytes:
    told = (each if isinstance(each, str) else hexadecimal(each) for each in fields)
    return encode(kind, number, *told)


def turned(number: int, t_us: int, levels: int = 0) -> bytes:
    """A position at 45 crank degrees a second, 4096 counts a turn."""
    count = t_us * 512 // 1_000_000
    pins = levels | (0, 1, 3, 2)[count % 4]
    return line("P", number, t_us, count, 1, 0, pins, 0)


def health(number: int, t_us: int, illegal: int = 0) -> bytes:
    return line("H", number, t_us, t_us // 1_000_000, illegal, 0, 0, 5000)


def ordinary() -> Lines:
    """Positions, and an opening and a closing of one input every two seconds."""
    numbers = count()
    for n in count():
        t_us = n * 20_000
        if n % 50 == 0:
            yield health(next(numbers), t_us)
            at = t_us * 512 // 1_000_000
            yield line("C", next(numbers), 1, n // 50 % 2, t_us, at, *NEAR)
        yield turned(next(numbers), t_us + 1, 16 * (n // 50 % 2))


def openings() -> Lines:
    """Sixteen inputs open and close, each as fast as it can be an opening."""
    numbers = count()
    for n in count():
        t_us = n * 12_000
        if t_us % 1_000_000 == 0:
            yield health(next(numbers), t_us)
        for contact in range(1, 17):
            at = (t_us + contact) * 512 // 1_000_000
            yield line("C", next(numbers), contact, n % 2, t_us + contact, at, *NEAR)
        yield turned(next(numbers), t_us + 100, 0xFFFF0 * (n % 2))


def passes() -> Lines:
    """The index comes and goes."""
    numbers = count()
    for n in count():
        t_us = n * 5_000
        if t_us % 1_000_000 == 0:
            yield health(next(numbers), t_us)
        yield line("Z", next(numbers), n % 2, t_us, t_us * 512 // 1_000_000, *NEAR)
        if n % 4 == 0:
            yield turned(next(numbers), t_us + 1, 0)


def illegal() -> Lines:
    """The encoder jumps five times a second, and the rig says so each time."""
    numbers = count()
    for n in count():
        t_us = n * 20_000
        yield turned(next(numbers), t_us)
        if n % 10 == 0:
            yield health(next(numbers), t_us + 1, n // 10)


def cuts() -> Lines:
    """Bursts too long for the line, one after the other."""
    numbers = count()
    for n in count():
        t_us = n * 20_000
        if n % 50 == 0:
            yield health(next(numbers), t_us)
        for contact in range(1, 17):
            yield line("X", next(numbers), contact, 900, t_us + 1, t_us + 900, 400, 500)
        yield turned(next(numbers), t_us + 1000)


def restarts() -> Lines:
    """The rig restarts as soon as it has said where the crank is."""
    for n in count():
        yield line("R", 0, 8)
        yield turned(1, n % 50 * 20_000)


STREAMS = {each.__name__: each for each in (ordinary, openings, passes, illegal, cuts, restarts)}


def stream(name: str, size: int) -> bytes:
    made = bytearray(line("I", 0xFFFF, 1, 4096, 16, "worst"))
    for each in STREAMS[name]():
        made += each
        if len(made) >= size:
            break
    return bytes(made)


def taken(data: bytes, *, stop_in: bool = False) -> tuple[Session, StatisticsCollector]:
    """A live session without a file and without a screen."""
    lines, session = LineReader(), Session(PROFILE)
    if stop_in:
        session.stop = StopTouches(0.0, 1, "reference")
    survey = StatisticsCollector(session.settings)
    for at in range(0, len(data), PIECE):
        for batch in lines.feed(data[at : at + PIECE]):
            survey.take(batch, session.take(batch))
    return session, survey


def kept(data: bytes, *, stop_in: bool = False) -> int:
    """Bytes of memory that are held when ``data`` has been taken."""
    tracemalloc.start()
    try:
        held = taken(data, stop_in=stop_in)
        size = tracemalloc.get_traced_memory()[0]
        assert held[0].is_receiving
        return size
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("name", STREAMS)
def test_time_and_memory_of_a_longer_stream(name: str) -> None:
    short, long = stream(name, SHORT), stream(name, LONG)
    usual = stream("ordinary", SHORT)
    s = least_s(1, short=lambda: taken(short), long=lambda: taken(long), usual=lambda: taken(usual))
    growth = (s["long"] / len(long)) / (s["short"] / len(short))
    against = (s["short"] / len(short)) / (s["usual"] / len(usual))
    each = (kept(long) - kept(short)) / (len(long) - len(short))
    now = taken(long)[0].now()
    assert now is not None
    day = each * len(long) / now.t_us * 86_400e6
    print(
        f"\n{name}: {against:.1f} times an ordinary stream a byte, {growth:.2f} times that in a"
        f" stream {LONG // SHORT} times as long; keeps {each:.3f} bytes a byte, of a day"
        f" {day / 2**30:.2f} GiB"
    )
    assert growth <= 2.0
    assert against <= 25.0
    assert each <= 15.0


@pytest.mark.parametrize("stop_in", [False, True])
@pytest.mark.parametrize("name", STREAMS)
def test_memory_has_a_plateau(name: str, stop_in: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    for module, limit, value in (
        (session_kept, "MOST_VALID", 40),
        (session_kept, "MOST_OTHERS", 20),
        (session_kept, "MOST_PASSES", 40),
        (piston_stop, "MOST_POSITIONS", 500),
        (rig_statistics, "MOST_EDGES", 40),
        (rig_statistics, "MOST_FIGURES", 40),
        (integrity, "MOST_STRETCHES", 40),
        (track, "MOST_DOUBTS", 20),
        (openings_of, "MOST_UNPLACED", 20),
        (rig_statistics, "MOST_LIVES", 40),
        (index_resolver, "MOST_LIVES", 40),
    ):
        monkeypatch.setattr(module, limit, value)
    taken(stream("ordinary", SHORT), stop_in=True)  # what is imported on the way
    before = kept(stream(name, LONG), stop_in=stop_in)
    growth = (kept(stream(name, 2 * LONG), stop_in=stop_in) - before) / LONG
    print(f"\n{name}, piston stop {'in' if stop_in else 'out'}: {growth:.4f} bytes a byte")
    # What waits for the next health record, up to a second's, comes and goes.
    assert growth <= 0.25
