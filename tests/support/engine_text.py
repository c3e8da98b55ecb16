"""An engine file that is right, and what is said when it is not."""

from __future__ import annotations

import pytest

from rig.base.errors import Mistake, ProfileError
from rig.engine.engine_file import profile_from_bytes
from rig.engine.profile import Profile

GOOD = """\
[engine]
name = "Test engine"
strokes = 4
cylinders = 4
firing_order = [1, 3, 4, 2]
rotation = "clockwise"
seen_from = "flywheel end"
[encoder]
counts_per_turn = 2400
[[unit]]
name = "upper"
input = 1
turns_per_crank_turn = 1
lobes = 2
rotation = "clockwise"
  [[unit.setting]]
  name = "full advance"
  nominal_deg_btdc = 36
  tolerance_deg = 1
  source = "manual, page 3"
[[unit]]
name = "lower"
input = 2
turns_per_crank_turn = "1/2"
lobes = 4
rotation = "clockwise"
[[together]]
first = "upper"
second = "lower"
tolerance_deg = 1
"""


def read(text: str) -> Profile:
    return profile_from_bytes(text.encode())


def mistakes_of(text: str | bytes) -> tuple[Mistake, ...]:
    data = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(ProfileError) as caught:
        profile_from_bytes(data)
    return caught.value.mistakes


def only(text: str | bytes) -> Mistake:
    found = mistakes_of(text)
    assert len(found) == 1, [str(each) for each in found]
    return found[0]


def swap(old: str, new: str) -> str:
    assert GOOD.count(old) == 1
    return GOOD.replace(old, new)
