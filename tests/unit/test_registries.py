"""Every line of every registry names a module that has what the registry asks of it."""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from typing import Any

import pytest

import rig
from rig.certificate.issue import ADJUSTMENTS, EVIDENCE
from rig.certificate.prove import SHEETS
from rig.cli.plot import PLOTS
from rig.cli.trend import TRENDS
from rig.job.folder import FOLDERS, SheetKind
from rig.live.actions import PROCEDURES
from rig.wire.formats import FORMATS, RecordingFormat

REGISTRIES: dict[str, tuple[Iterable[str], str]] = {
    "FORMATS": (FORMATS, "RECORDING_FORMAT"),
    "EVIDENCE": (EVIDENCE, "evidence"),
    "ADJUSTMENTS": (ADJUSTMENTS, "made"),
    "SHEETS": (SHEETS, "SHEET"),
    "PLOTS": (PLOTS.values(), "plot"),
    "TRENDS": (TRENDS, "Trend"),
    "PROCEDURES": (PROCEDURES, "OFFER"),
}
LINES = [(table, name, entry) for table, (names, entry) in REGISTRIES.items() for name in names]


@pytest.mark.parametrize(("table", "name", "entry"), LINES)
def test_each_line_names_a_module_with_its_entry(table: str, name: str, entry: str) -> None:
    assert getattr(import_module(name), entry).__doc__, f"{table}: {name}.{entry} is not documented"


@pytest.mark.parametrize("table", REGISTRIES)
def test_no_line_stands_twice(table: str) -> None:
    names = list(REGISTRIES[table][0])
    assert len(set(names)) == len(names) > 0


def entries(table: str) -> list[Any]:
    names, entry = REGISTRIES[table]
    return [getattr(import_module(name), entry) for name in names]


def test_formats_and_sheets_have_names_of_their_own() -> None:
    formats: list[RecordingFormat] = entries("FORMATS")
    assert len({each.kind for each in formats}) == len(formats)
    sheets: list[SheetKind] = entries("SHEETS")
    assert len({each.kind for each in sheets}) == len(sheets)
    assert {each.folder for each in sheets} <= set(FOLDERS)


@pytest.mark.parametrize("name", rig.FROM)
def test_each_public_name_is_where_the_table_has_it(name: str) -> None:
    module, _, there = rig.FROM[name].partition(":")
    assert getattr(rig, name) is getattr(import_module(module), there)


def test_the_table_has_the_public_names_and_no_others() -> None:
    assert sorted(rig.FROM) == rig.__all__
