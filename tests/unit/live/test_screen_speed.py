"""How much of a processor the dashboard takes while the crank turns."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from screen_states import FOUR, READING

from rig.live.layout import render
from rig.live.run import changed_lines
from rig.live.view import View


def frame_ms(view: View, width: int, height: int, frames: int = 200) -> float:
    """Processor time for one frame in which the crank has moved, in milliseconds."""
    lines: list[str] | None = None
    begun = time.process_time()
    for step in range(frames):
        crank = replace(view.crank, btdc_deg=180.0 - 0.7 * step, approach_deg=0.1 * step)
        new = render(replace(view, crank=crank, elapsed_s=0.05 * step), width, height).ansi()
        assert changed_lines(lines, new)
        lines = new
    return 1e3 * (time.process_time() - begun) / frames


@pytest.mark.bench
@pytest.mark.parametrize(("view", "name"), [(READING, "two units"), (FOUR, "four units")])
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_a_frame_is_cheap(view: View, name: str, size: tuple[int, int]) -> None:
    cost = frame_ms(view, *size)
    print(f"{name} at {size[0]}x{size[1]}: {cost:.2f} ms, {cost * 20 / 10:.1f} % at 20 a second")
    assert cost * 20 < 0.15 * 1000  # under 15 % of one core at 20 frames a second
