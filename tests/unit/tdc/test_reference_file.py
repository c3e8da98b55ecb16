"""``reference.json``: written whole or not at all, earlier references kept, damage named."""

from __future__ import annotations

import itertools
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.tdc.piston_stop import tdc_from_stop
from rig.tdc.reference import Method, TdcReference, set_by_hand
from rig.tdc.reference_file import (
    BadReferenceError,
    NoReferenceError,
    load_reference,
    load_references,
    save_reference,
)

STOP = replace(
    tdc_from_stop([320.0, 320.1], [40.0, 40.2], counts_per_turn=4096), capture="première.capture"
)


def numbered(number: int) -> TdcReference:
    return set_by_hand(float(number), half_width_deg=0.1, how=f"mark {number}")


@pytest.mark.parametrize(
    ("name", "now"), [("stated", Method.BY_HAND), ("gauge, equal lifts", Method.EQUAL_DROPS)]
)
def test_methods_by_their_earlier_names(tmp_path: Path, name: str, now: Method) -> None:
    path = tmp_path / "reference.json"
    save_reference(path, STOP)
    plain = json.loads(path.read_text("utf-8"))
    plain["current"]["method"] = name
    path.write_text(json.dumps(plain), "utf-8")
    assert load_reference(path).method is now
    assert TdcReference.earlier(plain["current"])["method"] == now


def test_a_method_that_is_a_list_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "reference.json"
    save_reference(path, STOP)
    plain = json.loads(path.read_text("utf-8"))
    plain["current"]["method"] = ["stop"]
    path.write_text(json.dumps(plain), "utf-8")
    with pytest.raises(BadReferenceError, match="method"):
        load_reference(path)


def test_kept_and_read_again(tmp_path: Path) -> None:
    assert save_reference(tmp_path, STOP) is None
    assert load_reference(tmp_path) == STOP
    assert load_reference(tmp_path / "reference.json") == STOP
    plain = json.loads((tmp_path / "reference.json").read_text("utf-8"))
    assert (plain["schema"], plain["version"]) == ("timing-rig reference", 1)
    assert [each.name for each in tmp_path.iterdir()] == ["reference.json"]


def test_earlier_ones_are_never_lost(tmp_path: Path) -> None:
    for number in range(4):
        save_reference(tmp_path, numbered(number))
    assert load_references(tmp_path) == tuple(numbered(each) for each in (3, 2, 1, 0))


def test_none_yet(tmp_path: Path) -> None:
    with pytest.raises(NoReferenceError, match="find TDC first"):
        load_reference(tmp_path)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is not JSON"),
        (b"{", "line 1 is not JSON"),
        (b"[1]", "found a list; expected a table"),
        (b"\xff", "byte 1 is not UTF-8"),
        (b"[" * 100_000, "nested too deep"),
        (b'{"version": NaN}', "JSON cannot hold"),
        (b"1" * 5000, "JSON cannot hold"),
        (b"{}", "schema. is missing"),
        (b'{"schema": "other", "version": 1}', "this program reads 'timing-rig reference'"),
        (b'{"schema": "timing-rig reference", "version": 2}', "this program reads 1"),
        (b'{"schema": "timing-rig reference", "version": 1}', "must be a table of named values"),
    ],
)
def test_damage_is_reported_and_the_file_is_moved_aside_on_saving(
    tmp_path: Path, data: bytes, said: str
) -> None:
    path = tmp_path / "reference.json"
    path.write_bytes(data)
    with pytest.raises(BadReferenceError, match=said):
        load_reference(path)
    aside = save_reference(path, STOP)
    assert aside is not None
    assert aside.read_bytes() == data
    assert load_references(path) == (STOP,)
    path.write_bytes(data)
    assert save_reference(path, STOP) != aside
    assert aside.read_bytes() == data


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "reference.json"
    path.write_bytes(b" " * 10_000_001)
    with pytest.raises(BadReferenceError, match="over 10000000 bytes"):
        load_reference(path)


def test_a_disk_that_refuses_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save_reference(tmp_path, numbered(1))

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="the disk is full"):
        save_reference(tmp_path, numbered(2))
    monkeypatch.undo()
    assert load_references(tmp_path) == (numbered(1),)
    assert [each.name for each in tmp_path.iterdir()] == ["reference.json"]


def test_saved_at_once_by_two_programs_both_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other program saves while the file of the first is on its way to the disk."""
    save_reference(tmp_path, numbered(1))
    to_disk = os.fsync

    def meanwhile(file: int) -> None:
        monkeypatch.setattr(os, "fsync", to_disk)
        save_reference(tmp_path, numbered(2))
        to_disk(file)

    monkeypatch.setattr(os, "fsync", meanwhile)
    assert save_reference(tmp_path, numbered(3)) is None
    assert load_references(tmp_path) == tuple(numbered(each) for each in (3, 2, 1))
    assert [each.name for each in tmp_path.iterdir()] == ["reference.json"]


def test_replaced_by_a_program_that_did_not_look_it_is_saved_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As between the last look at the file and the step; and by hand, with what cannot be read."""
    path = tmp_path / "reference.json"
    save_reference(path, numbered(1))
    blind = path.read_bytes()
    replace = os.replace

    for late, kept in ((blind, (3, 1)), (b"{", (4,))):

        def then(making: Path, target: Path, late: bytes = late) -> None:
            monkeypatch.setattr(os, "replace", replace)
            replace(making, target)
            Path(target).write_bytes(late)

        monkeypatch.setattr(os, "replace", then)
        aside = save_reference(path, numbered(kept[0]))
        assert load_references(path) == tuple(numbered(each) for each in kept)
        assert aside is None if late == blind else aside and aside.read_bytes() == late


def test_a_file_that_never_rests_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "reference.json"
    save_reference(path, numbered(1))
    times = itertools.count()

    def touched(_: int) -> None:
        os.utime(path, ns=(0, next(times)))

    monkeypatch.setattr(os, "fsync", touched)
    with pytest.raises(InputError, match="other programs keep writing it"):
        save_reference(path, numbered(2))
    monkeypatch.undo()
    assert load_references(path) == (numbered(1),)
    assert [each.name for each in tmp_path.iterdir()] == ["reference.json"]


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be saved"):
        save_reference(tmp_path / "not" / "there.json", STOP)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_damage_is_reported(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("job") / "reference.json"
    save_reference(path, STOP)
    whole = path.read_bytes()
    at = data.draw(st.integers(0, len(whole) - 1))
    path.write_bytes(whole[:at] + data.draw(st.binary(max_size=6)) + whole[at + 1 :])
    assert words_or_angle(path)


def words_or_angle(path: Path) -> bool:
    """A reference whose angle is one, or a refusal in printable words; anything else fails."""
    try:
        return 0.0 <= load_reference(path).tdc_deg < 360.0
    except BadReferenceError as error:
        return str(error).isprintable()
