"""The exit status of commands that judge: by how things stand last."""

import pytest

from rig.cli.output import verdict_status
from rig.timing.values import Assessment, Comparison, Verdict


def judged(phase: str, verdict: Verdict, unit: str = "upper") -> Assessment:
    return Assessment(
        unit, "full advance", None, phase, "turned", 4, 36.0, 0.1, None, 37.0, 36.0, 35.0,
        verdict, "inside", "", "", "",
    )  # fmt: skip


def compared(phase: str, verdict: Verdict) -> Comparison:
    return Comparison(
        "upper", "lower", "full advance", None, 0.1, None, 0.0, 1.0, verdict, "", phase
    )


@pytest.mark.parametrize(
    ("judgements", "comparisons", "status"),
    [
        ([], [], 0),
        ([judged("as found", "outside")], [], 1),
        ([judged("as found", "outside"), judged("as left", "inside")], [], 0),
        ([judged("as found", "inside"), judged("being set", "outside")], [], 1),
        ([judged("being set", "outside"), judged("as left", "not decidable")], [], 0),
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
    judgements: list[Assessment], comparisons: list[Comparison], status: int
) -> None:
    assert verdict_status(judgements, comparisons) == status
