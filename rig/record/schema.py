"""What a timing certificate holds, version 2: the shape of the record. See SCHEMA.md.

The order of the fields is the order of the keys in the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Profile
from rig.timing.results import Comparison, Judgement

FORMAT: Final = "timing certificate"
VERSION: Final = 2
EARLIEST: Final = 1
"""The earliest version that is read. Its records have the same shape."""
PROGRAM: Final = "timing-rig"
ENGINE_FILE: Final = "engine.toml"
FOR_TDC: Final = "top dead centre"


@dataclass(frozen=True, slots=True)
class CaptureFacts:
    """A recording that the figures rest on. ``file`` is its name within the job's ``captures``."""

    file: str
    sha256: str  # 64 hexadecimal digits, lower case
    size_bytes: int
    start_utc: str  # ISO 8601, UTC
    end_utc: str
    lines: int
    troubles: dict[str, int]  # kind of trouble -> how many
    rig_name: str
    protocol: int
    counts_per_turn: int
    contacts: int
    engine_sha256: str = ""  # of the engine file with which it was begun
    used_for: str = "readings"  # FOR_TDC, "readings and top dead centre"


@dataclass(frozen=True, slots=True)
class EngineFile:
    """The engine file as it stood: its text is kept whole, its digest is over that text."""

    name: str
    sha256: str
    size_bytes: int
    text: str


@dataclass(frozen=True, slots=True)
class Program:
    """What computed the figures: version of this program, of Python and of the libraries."""

    name: str
    version: str
    python: str
    machine: str
    libraries: dict[str, str]


@dataclass(frozen=True, slots=True)
class Change:
    """Something changed on the engine since its last certificate, as the person noted it.

    ``unit`` is empty when it touches all units.
    """

    words: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class TdcMove:
    """A touch that shows top dead centre elsewhere than the reference has it, crank degrees later.

    Readings of ``capture`` on the other side of it do not count.
    """

    capture: str
    shift_deg: float
    U_deg: float
    words: str


@dataclass(frozen=True, slots=True)
class RigCheck:
    """One finding of the check of the rig: ``verdict`` is "good", "bad" or "not tried"."""

    name: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class Closing:
    """A line of the closing list; ``done`` when the person has said so at the screen."""

    words: str
    done: bool = False


@dataclass(frozen=True, slots=True)
class ReadingGroup:
    """The readings that count of one unit, setting, cylinder, phase and kind, in order of time.

    Those a whole crank turn out (``wrong_stroke``) stand in a group of their own.

    The four columns have one entry for each reading: seconds from the start of the capture,
    degrees before top dead centre, continuous crank degrees, and partings in the passage.
    """

    unit: str
    setting: str
    cylinder: int | None
    phase: str
    kind: str
    wrong_stroke: bool
    t_s: tuple[float, ...]
    btdc_deg: tuple[float | None, ...]
    crank_deg: tuple[float | None, ...]
    partings: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class NotCounted:
    """How many readings of a unit in a setting did not count, and why."""

    unit: str
    setting: str
    why: str
    n: int


@dataclass(frozen=True, slots=True)
class Seals:
    """SHA-256 of everything in the file before its seals, and of the page drawn from it."""

    record_sha256: str
    page_sha256: str


@dataclass(frozen=True, slots=True)
class Certificate:
    """The whole record. Angles are degrees of crank; times are ISO 8601 in UTC."""

    format: Literal["timing certificate"]
    version: Literal[1, 2]
    title: str
    identification: str  # lower-case letters, digits and hyphens
    issued_utc: str
    measured_from_utc: str
    measured_until_utc: str
    this_is: tuple[str, ...]
    this_is_not: tuple[str, ...]
    stated: Profile
    reference: Reference
    other_references: tuple[Reference, ...]
    method: tuple[str, ...]
    conditions: tuple[str, ...]  # what the person noted: contact gap, temperature, ...
    deviations: tuple[str, ...]
    changes: tuple[Change, ...]
    rules: tuple[str, ...]  # decision rules, one sentence each
    judgements: tuple[Judgement, ...]
    comparisons: tuple[Comparison, ...]
    readings: tuple[ReadingGroup, ...]
    not_counted: tuple[NotCounted, ...]
    rig_checks: tuple[RigCheck, ...]
    captures: tuple[CaptureFacts, ...]
    engine_file: EngineFile
    program: Program
    cautions: tuple[str, ...]
    closing: tuple[Closing, ...]
    tdc_moves: tuple[TdcMove, ...] = ()
    seals: Seals | None = None  # None until the record is saved
