"""Debouncing: what is an opening and what never is."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.contacts import Debouncer, Inputs, Rest, Transition
from rig.signal.events import Settings
from rig.signal.openings import MOST_UNSURE

SETTINGS = Settings(4096)


def give(
    contacts: Debouncer, edges: Sequence[tuple[float, int]], first: int = 0
) -> list[Transition]:
    """Edges as (microseconds, 1 open); the mark of each is its number from ``first`` on."""
    t_us, is_open = np.array(edges, np.float64).reshape(-1, 2).T
    marks = np.arange(first, first + len(edges)).astype([("number", "i8")])
    return contacts.edges(t_us, is_open == 1, marks)


def run(
    edges: Sequence[tuple[float, int]], end: float, settings: Settings = SETTINGS
) -> list[Transition]:
    """Edges as (microseconds, 1 open), from contacts that are closed at 0."""
    contacts = Debouncer(settings)
    contacts.begin(False, 0.0)
    return give(contacts, edges) + contacts.until(end)


def openings(passages: list[Transition]) -> list[float]:
    return [p.t_us for p in passages if p.to is Rest.OPEN and p.longest_us is None]


def test_a_clean_opening() -> None:
    assert openings(run([(50_000, 1)], 60_000)) == [50_000]


def test_the_first_opening_of_a_bounce_counts_however_long_it_goes_on() -> None:
    edges = []
    for k in range(400):  # 80 ms of chatter without an open run of 3 ms or a closed one of 2 ms
        edges += [(50_000 + 200.0 * k, 1), (50_000 + 200.0 * k + 120, 0)]
    edges += [(50_000 + 80_000.0, 1)]
    assert openings(run(edges, 200_000)) == [50_000]


def test_a_spike_and_a_drop_out_are_no_openings() -> None:
    edges = [(10_000, 1), (10_004, 0), (30_000, 1), (30_400, 0), (90_000, 1)]
    passages = run(edges, 100_000)
    assert openings(passages) == [90_000]
    nothing = [p for p in passages if p.longest_us is not None]
    assert [p.longest_us for p in nothing] == [4.0, 400.0]


def test_the_bounces_of_a_closing_are_no_openings() -> None:
    edges: list[tuple[float, int]] = [(10_000, 1), (50_000, 0)]
    edges += [(50_000 + 150.0 * k + d, o) for k in range(9) for d, o in ((60.0, 1), (150.0, 0))]
    passages = run(edges, 200_000)
    assert openings(passages) == [10_000]
    assert [p.t_us for p in passages if p.to is Rest.CLOSED and p.longest_us is None] == [50_000]


def test_a_touch_while_open_starts_no_new_opening() -> None:
    edges = [(10_000, 1), (30_000, 0), (30_700, 1), (60_000, 0)]
    passages = run(edges, 100_000)
    assert openings(passages) == [10_000]


def test_a_closed_run_of_the_entered_length_ends_the_transition() -> None:
    learnt = [
        (1e6 * k + d, o) for k in range(1, 40) for d, o in ((0, 1), (90, 0), (150, 1), (2e5, 0))
    ]
    after = 41e6
    short = [*learnt, (after, 1), (after + 50, 0), (after + 50 + 1_999, 1)]
    long = [*learnt, (after, 1), (after + 50, 0), (after + 50 + 4_001, 1)]
    assert openings(run(short, after + 1e5))[-1] in (after, after + 2_049)
    assert openings(run(long, after + 1e5))[-1] == after + 4_051


def test_a_drop_out_just_before_is_distinguished_from_bounce_by_what_was_learnt() -> None:
    """After forty transitions with gaps of 60 us, and drop-outs all along, 1.2 ms is no gap."""
    edges: list[tuple[float, int]] = []
    for k in range(1, 41):
        t = 1e6 * k
        edges += [(t - 3e5, 1), (t - 3e5 + 100, 0)]
        edges += [(t, 1), (t + 90, 0), (t + 150, 1), (t + 2e5, 0)]
    t = 41e6
    edges += [(t - 1_300, 1), (t - 1_200, 0), (t, 1), (t + 70, 0), (t + 130, 1)]
    passages = run(edges, t + 1e5)
    assert openings(passages)[-1] == t
    assert passages[-1].dropped == ((t - 1_300, 100.0),)
    assert passages[-1].bounce_us == 60.0
    assert passages[-1].mark["number"] == len(edges) - 3


@pytest.mark.parametrize(("ago_us", "crowds"), [(8_000, True), (300_000, False)])
def test_drop_outs_long_before_tell_whether_noise_crowds(ago_us: float, crowds: bool) -> None:
    """One before each of thirty openings, too early to be joined to it; then one that is not."""
    contacts = Debouncer(SETTINGS)
    contacts.begin(False, 0.0)
    edges: list[tuple[float, int]] = []
    for k in range(1, 31):
        t = 1e6 * k
        edges += [(t - ago_us, 1), (t - ago_us + 100, 0)]
        edges += [(t, 1), (t + 90, 0), (t + 150, 1), (t + 2e5, 0)]
    give(contacts, edges)
    assert (contacts.bounce_model.crowd > 0.5) is crowds
    t = 31e6
    late = give(contacts, [(t - 700, 1), (t - 600, 0), (t, 1), (t + 70, 0), (t + 130, 1)])
    assert openings(late + contacts.until(t + 1e5)) == [t]


def test_bounce_with_long_gaps_is_joined() -> None:
    edges: list[tuple[float, int]] = []
    for k in range(1, 20):
        t = 1e6 * k
        for bounce in range(4):
            edges += [(t + 2_600 * bounce, 1), (t + 2_600 * bounce + 100, 0)]
        edges += [(t + 10_400, 1), (t + 2e5, 0)]
    assert openings(run(edges, 30e6))[3:] == [1e6 * k for k in range(4, 20)]


def test_an_opening_shorter_than_the_least_is_reported_and_is_none() -> None:
    passages = run([(10_000, 1), (12_000, 0), (50_000, 1)], 60_000)
    assert openings(passages) == [50_000]
    assert passages[0].longest_us == 2_000


def test_the_settings_are_obeyed() -> None:
    stiff = replace(SETTINGS, least_open_us=500.0)
    assert openings(run([(10_000, 1), (10_600, 0)], 60_000, stiff)) == [10_000]


def test_a_spike_within_a_microsecond_is_a_spike() -> None:
    passages = run([(10_000, 1), (10_000, 0), (50_000, 1)], 60_000)
    assert [(p.t_us, p.longest_us) for p in passages] == [(10_000, 0.0), (50_000, None)]


@given(
    st.lists(st.floats(1, 30_000), min_size=1, max_size=60),
    st.lists(st.floats(0, 1), max_size=20),
    st.data(),
)
def test_pieces_and_when_silence_is_reported_do_not_matter(
    gaps: list[float], told: list[float], data: st.DataObject
) -> None:
    times = np.cumsum([5_000.0, *gaps]).tolist()
    edges = [(at, (k + 1) % 2) for k, at in enumerate(times[:-1])]
    whole = run(edges, times[-1] + 1e5)
    contacts = Debouncer(SETTINGS)
    contacts.begin(False, 0.0)
    found: list[Transition] = []
    at = 0
    while at < len(edges):
        upto = at + data.draw(st.integers(1, 10))
        found += give(contacts, edges[at:upto], at)
        at = min(upto, len(edges))
        for share in sorted(told):
            found += contacts.until(times[at - 1] + share * (times[at] - times[at - 1]))
    found += contacts.until(times[-1] + 1e5)
    assert found == whole


@given(st.lists(st.floats(1, 2_900), min_size=1, max_size=80))
def test_contacts_that_never_stay_open_never_open(gaps: list[float]) -> None:
    edges = []
    t = 5_000.0
    for gap in gaps:
        edges += [(t, 1), (t + gap, 0)]
        t += gap + 100
    assert openings(run(edges, t + 1e5)) == []


@pytest.mark.parametrize("is_open", [True, False])
def test_the_first_edge_tells_the_level_before_it(is_open: bool) -> None:
    contacts = Debouncer(SETTINGS)
    give(contacts, [(1_000.0, is_open)])
    found = contacts.until(1e6)
    assert [p.to for p in found] == [Rest.OPEN if is_open else Rest.CLOSED]


def early_bounce(gap_us: float) -> Transition:
    """Forty openings with gaps of 40 to 400 us, and a drop-out in every fourth; then one whose
    first bounce of 35 us is followed by a gap of its own."""
    edges: list[tuple[float, int]] = []
    for k in range(1, 41):
        t = 1e6 * k
        if k % 4 == 0:
            edges += [(t - 3e5, 1), (t - 3e5 + 100, 0)]
        edges += [(t, 1), (t + 90, 0), (t + 90 + (40, 120, 250, 400)[k % 4], 1), (t + 2e5, 0)]
    t = 41e6
    begins = t + 35 + gap_us
    edges += [(t, 1), (t + 35, 0), (begins, 1), (begins + 70, 0), (begins + 130, 1)]
    return run(edges, t + 1e5)[-1]


@pytest.mark.parametrize("gap_us", [715.0, 850.0, 1100.0])
def test_what_may_be_noise_or_bounce_is_not_sure_beyond_where_it_may_have_opened(
    gap_us: float,
) -> None:
    """750 us at 300 degrees a second are 0.22 degrees; at 30 they are 0.02."""
    parted = early_bounce(gap_us)
    assert bool(parted.dropped) is (gap_us > 800.0)  # the likelier is given
    assert parted.unsure(0.1 / 300e-6) > MOST_UNSURE
    assert parted.unsure(0.1 / 30e-6) == 0.0


def test_what_is_bounce_or_noise_beyond_doubt_is_sure() -> None:
    assert early_bounce(300.0).unsure(0.0) == 0.0
    assert early_bounce(1900.0).unsure(0.0) < MOST_UNSURE


@given(st.floats(20.0, 1900.0), st.floats(0.0, 2000.0), st.floats(0.0, 2000.0))
def test_unsure_is_a_share_that_falls_with_what_is_allowed(
    gap_us: float, one_us: float, other_us: float
) -> None:
    parted = early_bounce(gap_us)
    low, high = sorted((one_us, other_us))
    assert 1.0 >= parted.unsure(low) >= parted.unsure(high) >= 0.0
    assert parted.unsure(35.0 + gap_us + 131.0) == 0.0  # further off is no edge


def cut_out(edges: Sequence[tuple[float, int]], low: int, high: int) -> list[Transition]:
    """As ``run``, with the edges from ``low`` up to ``high`` left out by the rig."""
    contacts = Debouncer(SETTINGS)
    contacts.begin(False, 0.0)
    before, left_out, after = edges[:low], edges[low:high], edges[high:]
    around = [before[-1] if before else (0.0, 0), *left_out, after[0]]
    longest = [0.0, 0.0]
    for (t_us, is_open), (next_us, _) in pairwise(around):
        longest[is_open] = max(longest[is_open], next_us - t_us)
    decided = give(contacts, before)
    decided += contacts.cut(left_out[0][0], len(left_out), *longest)
    assert contacts.in_cut
    assert contacts.until(left_out[0][0] + 1e9) == [], "silence decides nothing within a cut"
    decided += give(contacts, after, high)
    assert not contacts.in_cut
    return decided + contacts.until(after[-1][0] + 10_000.0)


def bounced(runs_us: Sequence[tuple[float, float]]) -> list[tuple[float, int]]:
    """Contacts that open at 50 ms, bounce (open for, then closed for), and stay open."""
    edges, t_us = [(50_000.0, 1)], 50_000.0
    for open_us, closed_us in runs_us:
        edges += [(t_us + open_us, 0), (t_us + open_us + closed_us, 1)]
        t_us += open_us + closed_us
    return edges


RUN = st.tuples(st.floats(1.0, 2900.0), st.floats(1.0, 1900.0))  # neither is a rest


@given(st.lists(RUN, min_size=2, max_size=12), st.data())
def test_bounces_cut_by_the_rig_keep_the_first_opening(
    runs_us: list[tuple[float, float]], data: st.DataObject
) -> None:
    edges = bounced([(2000.0, 50.0), *runs_us])  # its first run is longer than any drop-out
    low = data.draw(st.integers(1, len(edges) - 2))
    high = data.draw(st.integers(low + 1, len(edges) - 1))
    (whole,), (cut,) = run(edges, edges[-1][0] + 10_000.0), cut_out(edges, low, high)
    assert (cut.to, cut.t_us, cut.last_us) == (Rest.OPEN, whole.t_us, whole.last_us)
    assert cut.mark == whole.mark
    assert not cut.broken
    assert cut.runs == whole.runs
    assert cut.bounce_us == pytest.approx(whole.bounce_us)


@given(st.lists(RUN, min_size=1, max_size=12), st.data())
def test_an_opening_that_began_among_edges_left_out_is_no_reading(
    runs_us: list[tuple[float, float]], data: st.DataObject
) -> None:
    edges = bounced(runs_us)
    high = data.draw(st.integers(1, len(edges) - 1))
    decided = cut_out(edges, 0, high)
    assert all(each.broken for each in decided)
    assert decided[-1].to is Rest.OPEN
    assert decided[-1].t_us == edges[high][0], "listed where the edges go on"


@pytest.mark.parametrize(
    ("rest", "openings_after"),
    [((100.0, 2500.0), 1), ((3500.0, 100.0), 1)],
    ids=["closed long enough to have failed", "open long enough to have opened"],
)
def test_a_rest_among_edges_left_out_breaks_what_follows(
    rest: tuple[float, float], openings_after: int
) -> None:
    edges = bounced([(300.0, 300.0), (300.0, 300.0), rest, (300.0, 300.0), (300.0, 300.0)])
    decided = cut_out(edges, 2, 8)
    opened = [each for each in decided if each.to is Rest.OPEN and each.longest_us is None]
    assert len(opened) == openings_after
    assert decided[-1].broken


def test_two_cuts_in_succession_are_one() -> None:
    edges = bounced([(2000.0, 50.0), (300.0, 300.0), (300.0, 300.0)])
    contacts = Debouncer(SETTINGS)
    contacts.begin(False, 0.0)
    give(contacts, edges[:2])
    contacts.cut(edges[2][0], 2, 300.0, 300.0)
    contacts.cut(edges[4][0], 2, 300.0, 2500.0)
    give(contacts, edges[6:], 6)
    (opening,) = contacts.until(1e9)
    assert (opening.t_us, opening.broken) == (50_000.0, False)


def test_a_cut_of_contacts_whose_level_is_not_known_yet_changes_nothing() -> None:
    contacts = Debouncer(SETTINGS)
    assert contacts.cut(1_000.0, 4, 10.0, 10.0) == []
    assert not contacts.in_cut
    assert contacts.rest is Rest.UNKNOWN


# -- two inputs --------------------------------------------------------------------------------

SURE_US = 1000.0  # 0.1 degrees at 100 degrees a second


def of_two(
    edges: Sequence[tuple[float, int, int]], pieces: Sequence[float] = ()
) -> list[tuple[int, Transition]]:
    """Edges as (microseconds, input, 1 open) of contacts that are closed at 0, given at once or
    cut at the times ``pieces``."""
    both = Inputs(SETTINGS)
    for which in (1, 2):
        both[which].begin(False, 0.0)
    marks = np.array(sorted(edges), [("t_us", "f8"), ("input", "i4"), ("level", "i4")])
    cuts = np.searchsorted(marks["t_us"], sorted(pieces))
    return [done for piece in np.split(marks, cuts) for done in both.edges(piece)]


def coupled_pair(
    gap_us: float, glitch_us: float, late_us: float, turns: int, bounces: int
) -> tuple[list[tuple[float, int, int]], list[float]]:
    """Contacts 2 open ``gap_us`` after contacts 1, and show a glitch at that of contacts 1; both
    bounce. The edges, and when contacts 2 open."""
    rng = np.random.default_rng(turns + bounces)
    edges: list[tuple[float, int, int]] = []
    true_us = []
    for n in range(turns):
        begin = 1e6 * n + 5e5
        true_us.append(begin + gap_us)
        glitch = begin + late_us
        edges += [(glitch, 2, 1), (glitch + glitch_us, 2, 0)]
        for which, first in ((1, begin), (2, begin + gap_us)):
            at = first
            edges.append((at, which, 1))
            for us in rng.uniform(20.0, 90.0, bounces):
                edges += [(at + us, which, 0), (at + 2.0 * us, which, 1)]
                at += 2.0 * us
            edges.append((begin + 4e5, which, 0))
    return edges, true_us


@given(
    st.floats(1200.0, 3900.0),
    st.floats(3.0, 60.0),
    st.floats(0.0, 4.0),
    st.integers(3, 12),
    st.integers(0, 4),
)
def test_a_glitch_from_the_other_input_is_never_surely_the_opening(
    gap_us: float, glitch_us: float, late_us: float, turns: int, bounces: int
) -> None:
    edges, true_us = coupled_pair(gap_us, glitch_us, late_us, turns, bounces)
    found = [t for w, t in of_two(edges) if w == 2 and t.to is Rest.OPEN and t.longest_us is None]
    assert found
    for each in found:
        wrong = min(abs(each.t_us - t) for t in true_us) > SURE_US
        assert not wrong or each.unsure(SURE_US) > MOST_UNSURE


def test_with_a_glitch_two_milliseconds_before_each_the_openings_are_soon_sure() -> None:
    edges, true_us = coupled_pair(3000.0, 30.0, 0.0, turns=12, bounces=3)
    opened = [t for w, t in of_two(edges) if w == 2 and t.to is Rest.OPEN and t.longest_us is None]
    assert [t.t_us for t in opened] == true_us
    assert all(t.unsure(SURE_US) <= MOST_UNSURE for t in opened[8:])


def test_two_inputs_with_the_same_signal_open_as_each_does_alone() -> None:
    rng = np.random.default_rng(4)
    alone: list[tuple[float, int]] = []
    for n in range(6):
        at = 1e6 * n + 5e5
        for us in rng.uniform(100.0, 1500.0, 4):
            alone += [(at, 1), (at + us / 3.0, 0)]
            at += us
        alone += [(at, 1), (1e6 * n + 9e5, 0)]
    both = of_two([(t, which, level) for t, level in alone for which in (1, 2)])
    assert openings([t for which, t in both if which == 2]) == openings(run(alone, 0.0))


@given(st.lists(st.floats(0.0, 4e6), max_size=6))
def test_glitches_are_found_however_the_edges_are_cut(pieces: list[float]) -> None:
    edges, _ = coupled_pair(1500.0, 30.0, 3.0, turns=4, bounces=2)
    for which in (1, 2):
        whole, cut = (
            [repr(t) for w, t in of_two(edges, where) if w == which] for where in ((), pieces)
        )
        assert whole == cut
