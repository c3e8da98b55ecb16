"""What was made before what, by what captures and sheets know of one another."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from rig.job.capture_order import MadeWhen, Order, SeenCapture, heads_of, place_after
from rig.wire.capture import CaptureWriter

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
CLOCK = st.integers(-4000, 4000).map(lambda days: NOON + timedelta(days=days))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.booleans(), CLOCK), min_size=1, max_size=9), st.data())
def test_the_order_of_captures_and_sheets_is_kept_whatever_the_clock_says(
    events: list[tuple[bool, datetime]], data: st.DataObject
) -> None:
    """Captures begin and sheets are made in any order; each has a clock that says what it likes."""
    with tempfile.TemporaryDirectory() as home:
        captures: list[Path] = []
        sheets: list[tuple[MadeWhen, int, dict[Path, float]]] = []
        for is_sheet, clock in events:
            if is_sheet:
                order = Order(captures)
                used = data.draw(st.sets(st.sampled_from(captures))) if captures else set()
                until = {path: float(data.draw(st.integers(0, 100))) for path in used}
                seen = tuple(
                    SeenCapture(path.name, order.head(path), "", 0, us)
                    for path, us in until.items()
                )
                when = MadeWhen(clock, seen, heads_of(place_after(captures)))
                sheets.append((when, len(captures), until))
            else:
                path = Path(home, f"{len(captures)}.capture")
                start: dict[str, object] = {"utc": clock.isoformat(), **place_after(captures)}
                CaptureWriter(path, start).close()
                captures.append(path)
        order = Order(captures)
        for when, there, until in sheets:
            for number, path in enumerate(captures):
                for t_us in (0.0, 50.0, 200.0):
                    made_before = when.is_before(path, t_us, NOON, order)
                    if path in until:
                        assert made_before == (t_us > until[path])
                    elif there:  # with no capture at all the clock is all there is
                        assert made_before == (number >= there)
