"""Whatever changed in whatever order: a line goes through one unit, one rig and one mounting."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from fabricated_record import profile, readings, reference
from hypothesis import given
from hypothesis import strategies as st

from rig.certificate.record import recorded
from rig.history.series import SAME_WEAR, Reason, Series, series_of
from rig.history.visits import Visit as Read
from rig.job.results import Change
from rig.timing.assess import assess

JOB = profile(1, ("rear",))
BASE = [r for r in readings(JOB, n=4) if r.setting == "full advance"]


@dataclass(frozen=True)
class Visit:
    serial: str
    rig: str
    mount: str
    changed: bool
    left: bool  # set, so that it has an as left
    early_deg: float


VISITS = st.lists(
    st.builds(
        Visit,
        st.sampled_from(["A1", "A1", "B2"]),
        st.sampled_from(["bench-rig", "bench-rig", "other"]),
        st.sampled_from(["{}", "{}", '{"run_out_deg": 0.1}']),
        st.sampled_from([False, False, True]),
        st.booleans(),
        st.floats(-1.0, 1.0),
    ),
    min_size=1,
    max_size=9,
)


def read(year: int, visit: Visit) -> Read:
    turned = [replace(r, btdc_deg=(r.btdc_deg or 0.0) + visit.early_deg) for r in BASE]
    if visit.left:
        turned += [replace(r, phase="as left") for r in BASE]
    found = replace(reference(), made_utc=f"{year}-05-14T09:12:44Z")
    return Read(
        identification=str(year),
        measured_utc=f"{year}-05-14T09:00:00Z",
        assessments=tuple(map(recorded, assess(turned, JOB, found))),
        changes=(Change("new heel", "rear"),) if visit.changed else (),
        tdc=str(year),
        record_sha256=str(year),
        path=Path(f"{year}.json"),
        engine_serial="",
        engine="Launch engine",
        serials={"rear": visit.serial},
        mount=visit.mount,
        rig=visit.rig,
    )


def series_in(visits: list[Visit]) -> Series:
    (found,) = series_of([read(2000 + n, each) for n, each in enumerate(visits)])
    return found


@given(VISITS)
def test_a_level_is_of_one_unit_one_rig_and_one_mounting(visits: list[Visit]) -> None:
    found = series_in(visits)
    of_level: dict[int, set[tuple[str, str, str]]] = {}
    for point in found.points:
        visit = visits[int(point.certificate) - 2000]
        of_level.setdefault(point.wear, set()).add((visit.serial, visit.rig, visit.mount))
        assert point.serial == visit.serial
    assert all(len(each) == 1 for each in of_level.values())
    for before, point in zip(found.points, found.points[1:], strict=False):
        assert point.level == before.level + bool(point.reasons)
        assert point.wear == before.wear + (not set(point.reasons) <= SAME_WEAR)
        assert bool(point.step) == bool(point.reasons)


@given(VISITS)
def test_a_line_goes_through_no_more_than_what_wears_on(visits: list[Visit]) -> None:
    found = series_in(visits)
    last = found.points[-1]
    own = [each for each in found.points if each.level == last.level]
    same = [each for each in found.points if each.wear == last.wear]
    if found.line is not None:
        assert found.line.points in (len(own), len(same))
    if len(same) < 3:
        assert found.line is None
        assert found.leaves_utc is None


@given(VISITS)
def test_what_was_noted_is_a_reason_and_a_setting_is_one(visits: list[Visit]) -> None:
    points = series_in(visits).points
    for point in points[1:]:
        visit = visits[int(point.certificate) - 2000]
        if point.phase == "as left":
            assert point.reasons == (Reason.SET,)
        else:
            assert (Reason.CHANGED in point.reasons) == visit.changed
