"""A room of the bench's needs that is not there takes its own keys with it, and nothing else."""

from __future__ import annotations

import importlib.abc
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import pytest
from virtual_bench import VirtualBench, offered

from rig.base.errors import InputError
from rig.live import actions

KEYS = {"rig.check": {"c"}, "rig.adjust": {"a", "m"}, "rig.certificate": {"s"}}
"""The keys of each room that has some on the dashboard."""


class Gone(importlib.abc.MetaPathFinder):
    """Finds no module of a room, as if its folder had been deleted."""

    def __init__(self, room: str) -> None:
        self.room = room

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name == self.room or name.startswith(f"{self.room}."):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return None


@contextmanager
def without(room: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The rooms above and beside ``room`` imported again while it and its line are not there."""
    needs = ("rig.check", "rig.adjust", "rig.unit_bench", "rig.certificate")
    fresh = (*needs, "rig.live", "virtual_bench")
    before = {name: module for name, module in sys.modules.items() if name.startswith(fresh)}
    for name in before:
        del sys.modules[name]
    gone = Gone(room)
    sys.meta_path.insert(0, gone)
    try:
        from rig.live import actions

        kept = tuple(name for name in actions.PROCEDURES if not name.startswith(room))
        monkeypatch.setattr(actions, "PROCEDURES", kept)
        if room == "rig.check":
            monkeypatch.setattr("rig.certificate.issue.EVIDENCE", ())
        yield
        assert not [name for name in sys.modules if name.startswith(room)]
    finally:
        sys.meta_path.remove(gone)
        for name in [name for name in sys.modules if name.startswith(fresh)]:
            del sys.modules[name]
        sys.modules.update(before)


def keys_of(bench: VirtualBench) -> set[str]:
    return {action.key for action, _ in bench.ui_state.actions()}


def test_every_line_of_the_registry_is_of_a_room_with_keys(tmp_path: Path) -> None:
    assert {".".join(name.split(".")[:2]) for name in actions.PROCEDURES} == set(KEYS)
    bench = VirtualBench(tmp_path / "job")
    assert set().union(*KEYS.values()) <= keys_of(bench)


@pytest.mark.parametrize("room", [*KEYS, "rig.unit_bench"])
def test_without_a_room_all_other_keys_do_what_they_did(
    room: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = VirtualBench(tmp_path / "whole")
    whole.find_dead_centre()
    with without(room, monkeypatch):
        from virtual_bench import VirtualBench as Fresh

        bench = Fresh(tmp_path / "job")
        bench.find_dead_centre()
        assert keys_of(bench) == keys_of(whole) - KEYS.get(room, set())
        for action in offered(bench.ui_state):
            if action.id in ("quit", "undo"):
                continue
            bench.press(action.key, *["esc"] * 3)
            assert not bench.ui_state.ended, action.key
        assert bench.live.session.reference is not None
        if room == "rig.certificate":
            from rig.live.actions import save

            with pytest.raises(InputError, match="its capture is kept"):
                save(bench.live)
        bench.press("q")
        assert bench.ui_state.ended or bench.ui_state.prompt.question is not None
