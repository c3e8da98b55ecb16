"""Each thing that a long run found, by its smallest input."""

from __future__ import annotations

import copy
from pathlib import Path

import numpy as np
import pytest
from fuzzed_certificate import job, read

from rig.base.errors import InputError
from rig.certificate.record import as_certificate
from rig.pins.recording import PinRecording
from rig.signal.contacts import Debouncer, Rest
from rig.signal.events import Settings
from rig.tdc.gauge_points import GaugeNotes
from rig.unit_bench.compare import compare_reports
from rig.unit_bench.report import BenchSetUp, alone_seen
from rig.wire.records import EDGE, Batch, Note

DUMP = """$timescale 1 us $end
$var wire 1 A a $end $var wire 1 B b $end $var wire 1 1 contact1 $end
$enddefinitions $end
#0 0A 0B 01
"""


@pytest.mark.parametrize("way", [1.0, True, -1.0, 0.0])
def test_a_direction_that_is_no_whole_number(way: object) -> None:
    notes = GaugeNotes()
    value = {"lift_mm": 2.0, "crank_deg": 523.4, "direction": way}
    notes.take(Note(0.0, "gauge", value))
    assert [each.direction for each in notes.readings] == [way]
    felt = Note(0.0, "neutral", {"crank_deg": 12.5, "direction": way})
    seen, wrong = alone_seen([Batch(others=[felt])], Settings(4096), BenchSetUp(1))
    assert seen.neutral_forward_deg + seen.neutral_backward_deg == (12.5,) * bool(way)
    assert len(wrong) == (not way)


@pytest.mark.parametrize(
    "found",
    [
        [],
        {"lobes": [[]]},
        {"lobes": "two"},
        {"lobes": [], "play": "none"},
        {"lobes": [], "play": {"deg": 10**400, "u_deg": 0.1}},
        {"lobes": [{"number": 1, "interval": {"deg": "1", "u_deg": 0.1}}]},
    ],
)
def test_a_unit_report_of_another_shape(found: object) -> None:
    unit = {"type": "M", "serial": "1", "lobes": 2}
    report = {"kind": "unit report", "version": 1, "unit": unit, "found": found}
    with pytest.raises(InputError, match="incomplete"):
        compare_reports(report, report)


def test_years_of_rest_in_a_few_bytes(tmp_path: Path) -> None:
    """A change every 23 hours, in 14 bytes each: minutes of the rest are told, not hours of it."""
    step_us, changes = 23 * 3_600_000_000, 200
    path = tmp_path / "a.vcd"
    body = "".join(f"#{(n + 1) * step_us} {(n + 1) % 2}1\n" for n in range(changes))
    path.write_text(DUMP + body, "ascii")
    records = sum(len(batch.positions) for batch in PinRecording(path, None, 4096).batches())
    assert changes < records < 7000 * changes


def test_edges_reported_after_later_ones() -> None:
    """Each transition of these seemed to be shorter than nothing, and to learn from them failed."""
    debouncer = Debouncer(Settings(4096))
    debouncer.begin(False, 0.0)
    instants = [1e6, 1e6 + 100, 1e6 - 5e5, 1e6 + 300, 1e6 - 9e5, 1e6 + 500, 1e6 - 8e5]
    for begin_us in (0.0, 2e6, 4e6):
        t_us = np.array(instants) + begin_us
        is_open = np.arange(len(t_us)) % 2 == 0
        for one in range(len(t_us)):  # as lines bring them
            part = slice(one, one + 1)
            debouncer.edges(t_us[part], is_open[part], np.zeros(1, EDGE))
        (passage,) = debouncer.until(begin_us + 1.5e6)
        assert passage.to is Rest.OPEN
        debouncer.begin(False, begin_us + 1.6e6)


@pytest.mark.parametrize(
    ("key", "value"), [("u_deg", -0.01), ("u_deg", "nan"), ("u_deg", "inf"), ("nu", 0.5)]
)
def test_an_uncertainty_that_is_no_size(key: str, value: float | str) -> None:
    """In a certificate that was sealed again: no command reckons with it."""
    home, record = job()
    spoilt = copy.deepcopy(record)
    spoilt["judgements"][0]["uncertainty"]["parts"][0][key] = value
    with pytest.raises(InputError, match="must be a number from "):
        as_certificate(spoilt)
    read(spoilt)
    (home / "certificates" / "a" / "a.json").unlink()
