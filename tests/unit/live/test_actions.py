"""The table of actions: one place for keys, labels and words; the README has the same list."""

from __future__ import annotations

from collections import Counter

from readme_keys import README, in_readme, key_list

from rig.live.actions import ORDER, table

KEYS = {
    "step_done": "enter", "event_here": "space", "undo": "backspace", "piston_stop": "p",
    "other_cylinder": "o", "dial_gauge": "d", "select_tdc": "t", "engine_mark": "e",
    "firing_tdc": "f", "go_to": "g", "past_impulse": "i", "unit_moved": "v", "as_left": "l",
    "rig_check": "c", "work_done": "w", "remark": "r", "advance_lever": "digits", "skip": "k",
    "set_by_moving": "m", "save": "s", "keys": "h", "quit": "q", "leave": "esc",
}  # fmt: skip
"""Keys that people have learnt; they stay as they are."""


def test_each_action_has_its_key() -> None:
    found = {action.id: action.key for action in table()}
    assert {name: found.get(name) for name in KEYS} == KEYS
    assert set(found) <= set(ORDER)
    assert [key for key, n in Counter(found.values()).items() if n > 1] == []


def test_every_action_says_what_it_does_and_how_it_is_undone() -> None:
    for action in table():
        assert action.label, action.id
        assert action.does, action.id
        assert action.undo, action.id
        assert not action.does.endswith("."), action.id


def test_the_list_of_keys_in_the_readme_is_that_of_the_table() -> None:
    assert in_readme(README.read_text("utf-8")) == key_list()
