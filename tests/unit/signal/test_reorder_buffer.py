"""What waits comes out in order of time, then of arrival: against a plain stable sort."""

import math

from hypothesis import given
from hypothesis import strategies as st

from rig.signal.integrity import ReorderBuffer
from rig.wire.records import Batch, Cut, LineError

TIMES = st.lists(st.integers(0, 9), max_size=30)


@given(st.lists(TIMES, max_size=5), st.integers(0, 10))
def test_words_come_in_order_of_time_and_then_as_they_arrived(
    come: list[list[int]], until: int
) -> None:
    waiting = ReorderBuffer()
    words: list[Cut] = []
    for times in come:
        batch = [Cut(float(t), 1, len(words) + i, 0.0, 0.0, 0.0, 0.0) for i, t in enumerate(times)]
        waiting.add(Batch(others=[*batch]))
        words += batch
    in_order = sorted(words, key=lambda incident: incident.t_us)
    assert waiting.last_us == max((incident.t_us for incident in words), default=-math.inf)
    taken = []
    while (incident := waiting.incident_before(float(until))) is not None:
        taken.append(incident)
    assert taken == [incident for incident in in_order if incident.t_us < until]
    left = in_order[len(taken) :]
    assert waiting.last_us == (left[-1].t_us if left else -math.inf)


@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(["gap", "field"])), max_size=30))
def test_the_same_line_error_waits_once_however_often_it_comes(come: list[tuple[int, str]]) -> None:
    waiting = ReorderBuffer()
    for t_us, kind in come:
        waiting.add(Batch(others=[LineError(float(t_us), kind, "")]))
    taken = []
    while (incident := waiting.incident_before(math.inf)) is not None:
        assert isinstance(incident, LineError)
        taken.append((int(incident.t_us), incident.kind))
    assert taken == sorted(dict.fromkeys(come), key=lambda each: each[0])
    waiting.add(Batch(others=[LineError(0.0, "gap", "")]))  # after it was taken, it is news again
    assert waiting.incident_before(1.0) == LineError(0.0, "gap", "")
