"""A hand that does what NEXT says but errs every few steps: it ends with a certificate, too, or the
program says why not; and what is valid is right."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from bench_engines import BENCH_ENGINES
from clumsy import KEYS, ClumsyHand, Erring, Mishap
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from obedient import StuckError
from true_openings import check_against_truth

from rig.guide.procedure import Hand

MOST_STEPS = 320
ERRING = st.builds(
    Erring,
    st.integers(0, 60),
    st.sampled_from(Mishap),
    st.integers(0, 10 * len(KEYS)),
)


def err_at(name: str, erring: list[Erring]) -> None:
    with TemporaryDirectory() as folder:
        bench = BENCH_ENGINES[name].bench(Path(folder, "job"))
        hand = ClumsyHand(bench, erring, MOST_STEPS)
        try:
            hand.run()
        except StuckError:
            # The rig itself is wrong, and NEXT says so: there is nothing to do but put it right.
            assert hand.advice().hand is Hand.FIX
        else:
            assert bench.live.saved is not None
        if bench.live.session.reference is not None:
            check_against_truth(bench)


@settings(max_examples=2, derandomize=True)
@given(st.lists(ERRING, min_size=4, max_size=12))
def test_a_clumsy_hand_reaches_a_certificate_too(erring: list[Erring]) -> None:
    err_at("single two-stroke, rim", erring)


@pytest.mark.slow
@settings(max_examples=how_many(4))
@given(st.sampled_from(sorted(BENCH_ENGINES)), st.lists(ERRING, min_size=4, max_size=12))
def test_a_clumsy_hand_at_any_engine(name: str, erring: list[Erring]) -> None:
    err_at(name, erring)
