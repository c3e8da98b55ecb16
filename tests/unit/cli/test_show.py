"""The exit status of commands that judge: by how things stand last."""

from dataclasses import replace

import pytest
from fabricated_record import profile, readings, reference

from rig.cli.results import assessment_lines, verdict_status
from rig.timing.assess import assess
from rig.timing.values import Assessment, Comparison, Verdict


def judged(phase: str, verdict: Verdict, unit: str = "upper") -> Assessment:
    return Assessment(
        unit, "full advance", None, phase, "turned", 4, 36.0, 0.1, None, 37.0, 36.0, 35.0,
        verdict, "inside", "guarded",
    )  # fmt: skip


def compared(phase: str, verdict: Verdict) -> Comparison:
    return Comparison("upper", "lower", "full advance", None, 0.1, None, 0.0, 1.0, verdict, phase)


@pytest.mark.parametrize(
    ("assessments", "comparisons", "status"),
    [
        ([], [], 0),
        ([judged("as found", "outside")], [], 1),
        ([judged("as found", "outside"), judged("as left", "inside")], [], 0),
        ([judged("as found", "inside"), judged("adjusting", "outside")], [], 1),
        ([judged("adjusting", "outside"), judged("as left", "inconclusive")], [], 0),
        # The other unit was not read again: as found it stands.
        ([judged("as left", "inside"), judged("as found", "outside", "lower")], [], 1),
        ([judged("as left", "inside")], [compared("as found", "outside")], 1),
        (
            [judged("as left", "inside")],
            [compared("as found", "outside"), compared("as left", "inside")],
            0,
        ),
    ],
)
def test_the_status_is_of_how_things_stand_last(
    assessments: list[Assessment], comparisons: list[Comparison], status: int
) -> None:
    assert verdict_status(assessments, comparisons) == status


@pytest.mark.parametrize("cylinders", [(2,), (2, 3)])
def test_a_unit_has_the_verdict_of_its_worst_cylinder(cylinders: tuple[int, ...]) -> None:
    job = profile()
    found = assess(readings(job, ("as found",), 8, 7), job, reference())
    lower = [j for j in found if j.unit == "lower" and j.setting == "full advance"]
    assert [j.cylinder for j in lower] == [None, 1, 2, 3, 4]
    verdicts: dict[int, Verdict] = {
        id(j): "inconclusive" if j.cylinder in cylinders else "inside" for j in lower
    }
    edited = [replace(j, verdict=verdicts.get(id(j), j.verdict)) for j in found]
    lines = assessment_lines(edited)
    line = next(text for text in lines if text.startswith("lower, full advance, as found: "))
    named = "cylinder 2" if cylinders == (2,) else "cylinders 2 and 3"
    assert line.endswith(f": inconclusive: {named}")
