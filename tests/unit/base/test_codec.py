"""Dataclasses to plain JSON and back."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, Literal

import numpy as np
import pytest
from fabricated_record import profile, record, reference
from hypothesis import given
from hypothesis import strategies as st

from rig.base.codec import from_plain, number, text, to_plain, whole
from rig.base.errors import InputError
from rig.certificate.schema import Certificate
from rig.engine.profile import Profile
from rig.tdc.reference import TdcReference


@dataclass(frozen=True)
class Inner:
    count: int
    ratio: Fraction


@dataclass(frozen=True)
class Outer:
    name: str
    inner: Inner | None
    angles: tuple[float, ...]
    table: dict[int, float]
    side: Literal["early", "late"]
    sure: bool = True


inners = st.builds(Inner, st.integers(), st.fractions(-(10**6), 10**6, max_denominator=10**6))
outers = st.builds(
    Outer,
    st.text(),
    st.none() | inners,
    st.lists(st.floats(allow_nan=False)).map(tuple),
    st.dictionaries(st.integers(0, 99_999), st.floats(allow_nan=False)),
    st.sampled_from(["early", "late"]),
    st.booleans(),
)


@given(outers)
def test_comes_back_as_it_went(outer: Outer) -> None:
    text = json.dumps(to_plain(outer), allow_nan=False)
    assert from_plain(Outer, json.loads(text), "outer") == outer


def test_a_whole_job_comes_back() -> None:
    assert from_plain(Profile, json.loads(json.dumps(to_plain(profile()))), "p") == profile()
    assert (
        from_plain(TdcReference, json.loads(json.dumps(to_plain(reference()))), "r") == reference()
    )


def test_not_a_number_comes_back() -> None:
    plain = to_plain(Outer("a", None, (math.nan, -math.inf), {}, "late"))
    assert plain["angles"] == ["nan", "-inf"]
    assert math.isnan(from_plain(Outer, plain, "outer").angles[0])


def test_numpy_values_become_plain_ones() -> None:
    plain = to_plain((np.float64(36.2), np.int64(4), np.bool_(True)))
    assert [type(each) for each in plain] == [float, int, bool]


def test_what_has_no_place_is_a_mistake_of_the_program() -> None:
    with pytest.raises(TypeError, match="set"):
        to_plain({1, 2}.copy())


GOOD: dict[str, Any] = {
    "name": "upper",
    "inner": {"count": 2, "ratio": "1/2"},
    "angles": [1.0],
    "table": {"3": 1.5},
    "side": "late",
}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"name": 3}, r"here\.name: must be text, not 3"),
        ({"inner": {"count": True, "ratio": "1/2"}}, r"here\.inner\.count: must be a whole number"),
        ({"inner": {"count": 2, "ratio": "1/0"}}, r"here\.inner\.ratio: must be a fraction"),
        ({"inner": {"count": 2, "ratio": "1e99999999"}}, r"inner\.ratio: must be a fraction"),
        ({"inner": {"ratio": "1/2"}}, r"here\.inner\.count: is missing"),
        ({"inner": []}, r"here\.inner: must be a table of named values"),
        ({"angles": [1.0, "x"]}, r"here\.angles\[1\]: must be a finite number, not 'x'"),
        ({"angles": [10**400]}, r"here\.angles\[0\]: must be a finite number"),
        ({"angles": [float("inf")]}, r"here\.angles\[0\]: must be a finite number"),
        ({"angles": "1.0"}, r"here\.angles: must be a list"),
        ({"table": {"x": 1.0}}, r"here\.table: must be a table whose keys are whole numbers"),
        ({"table": {"3": None}}, r"here\.table\.3: must be a finite number"),
        ({"side": "left over"}, r'here\.side: must be one of "early", "late"'),
        ({"side": []}, r"here\.side: must be one of"),
        ({"sure": 1}, r"here\.sure: must be true or false"),
        ({"extra": 1}, r"here\.extra: is not a known key"),
    ],
)
def test_a_wrong_value_is_reported(change: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        from_plain(Outer, GOOD | change, "here")


def test_a_field_with_a_default_may_be_missing() -> None:
    assert from_plain(Outer, GOOD, "here").sure is True


def test_a_record_written_before_a_field_was_thought_of_is_read() -> None:
    old = record()
    del old["stated"]["units"][0]["both_strokes"]
    assert from_plain(Certificate, old, "old").stated.units[0].both_strokes is False


@dataclass(frozen=True)
class Bounded:
    part: Annotated[float, number(0.0, 1.0)]
    freedom: Annotated[float, number(1.0, math.inf)]
    cylinders: tuple[Annotated[int, whole(1, 36)], ...]
    words: Annotated[str, text(5)] | None = None


@given(
    st.floats(-0.5, 1.5) | st.sampled_from([0.0, 1.0]),
    st.floats(0.5, 3.0) | st.sampled_from([1.0, math.inf]),
    st.lists(st.integers(0, 37), max_size=3),
    st.none() | st.text(max_size=7),
)
def test_bounds_are_inclusive_and_named_by_field(
    part: float, freedom: float, cylinders: list[int], words: str | None
) -> None:
    value = Bounded(part, freedom, tuple(cylinders), words)
    wrong = next(
        (
            field
            for field, good in (
                ("part", 0.0 <= part <= 1.0),
                ("freedom", freedom >= 1.0),
                *((f"cylinders[{i}]", 1 <= n <= 36) for i, n in enumerate(cylinders)),
                ("words", words is None or len(words) <= 5),
            )
            if not good
        ),
        None,
    )
    plain = json.loads(json.dumps(to_plain(value)))
    if wrong is None:
        assert from_plain(Bounded, plain, "here") == value
    else:
        with pytest.raises(InputError, match=re.escape(f"here.{wrong}: must be ")):
            from_plain(Bounded, plain, "here")


def test_a_hostile_name_stays_harmless() -> None:
    for change in ({"\x1b[2J": 1}, {"table": {"\x1b[2J": 1.0}}):
        with pytest.raises(InputError) as wrong:
            from_plain(Outer, GOOD | change, "here")
        assert str(wrong.value).isprintable()
