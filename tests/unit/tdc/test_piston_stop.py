"""What is odd about the touches of a stop is named; what gives no TDC is refused."""

from __future__ import annotations

import math

import pytest

from rig.base.errors import InputError
from rig.tdc.piston_stop import tdc_from_stop


def warnings_of(forward: list[float], backward: list[float]) -> str:
    return "\n".join(tdc_from_stop(forward, backward, counts_per_turn=4096).warnings)


def test_steady_touches_warn_of_nothing() -> None:
    assert warnings_of([320, 320.1, 319.9], [40, 40.05, 40.1]) == ""


@pytest.mark.parametrize(
    ("forward", "backward", "said"),
    [
        ([320], [40, 40, 40], "only once turning forward"),
        ([320, 320, 320], [40, 40], "only twice turning back"),
        ([320, 320.5], [40, 40, 40], "the 2 touches turning forward differ by 0.50°"),
        ([320, 320.1, 321.0, 320], [40, 40, 40], "touch 3 turning forward is 0.95° from"),
        ([320, 320, 320], [39.5, 40, 40.05], "touch 1 turning back is 0.50° from"),
        ([356] * 3, [4] * 3, "blocks only 8.0°"),
        ([275] * 3, [85] * 3, "anything but the piston"),
    ],
)
def test_odd_touches_are_named(forward: list[float], backward: list[float], said: str) -> None:
    assert said in warnings_of(forward, backward)


@pytest.mark.parametrize(
    ("forward", "backward", "said"),
    [
        ([], [40.0], "no touch turning forward"),
        ([320.0], [], "no touch turning back"),
        ([320.0, math.nan], [40.0], "touch 2 turning forward has no angle"),
        ([320.0], [math.inf], "touch 1 turning back has no angle"),
        ([90.0, 270.0], [40.0], "all round the circle"),  # A5: no mean (Mardia and Jupp, memory)
        ([0.0, 120.0, 240.0], [40.0], "all round the circle"),
        ([320.0], [320.5], "is the piston stop in"),
        ([320.0], [319.5], "is the piston stop in"),
        ([40.0], [320.0], "only 80° to turn in.* shorter.* exchange"),
    ],
)
def test_touches_that_give_no_tdc(forward: list[float], backward: list[float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        tdc_from_stop(forward, backward, counts_per_turn=4096)
