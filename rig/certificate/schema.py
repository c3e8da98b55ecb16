"""What a timing certificate holds, version 2, and its fixed text. See SCHEMA.md.

The order of the fields is the order of the keys in the file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from rig.engine.profile import Profile
from rig.job.results import CaptureFacts, Change, MadeAdjustment, RigFinding
from rig.tdc.reference import TdcReference
from rig.timing.values import Assessment, Comparison

FORMAT: Final = "timing certificate"
VERSION: Final = 2
EARLIEST: Final = 1  # version that is read; its records have the same shape
WROTE_EARLIEST: Final = "0.1.0"  # the one program that wrote that version
PROGRAM: Final = "timing-rig"
ENGINE_FILE: Final = "engine.toml"


@dataclass(frozen=True, slots=True)
class EngineFile:
    """The engine file: its whole text, and the digest of that text."""

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
class TdcMove:
    """A touch that shows top dead centre elsewhere than the reference has it, crank degrees later.

    Readings of ``capture`` on the other side of it are not valid.
    """

    capture: str
    shift_deg: float
    U_deg: float
    words: str


@dataclass(frozen=True, slots=True)
class Closing:
    """A line of the closing list; ``done`` once the person has entered it."""

    words: str
    done: bool = False


@dataclass(frozen=True, slots=True)
class RecordedAssessment(Assessment):
    """An assessment with the sentences shown beside it; ``rule`` is the rule's sentence."""

    words: str = ""
    settle: str = ""  # what would decide it


@dataclass(frozen=True, slots=True)
class RecordedComparison(Comparison):
    """A comparison with its sentence."""

    words: str = ""


@dataclass(frozen=True, slots=True)
class ReadingGroup:
    """The valid readings of one unit, setting, cylinder, phase and kind, in order of time.

    Those one crank turn out (``wrong_stroke``) are a group of their own.

    The four columns have one entry for each reading: seconds from the start of the capture,
    degrees before top dead centre, continuous crank degrees, and how often the contacts opened in
    the transition.
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
    """How many openings of a unit in a setting are not readings, and why."""

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
    reference: TdcReference
    other_references: tuple[TdcReference, ...]
    method: tuple[str, ...]
    conditions: tuple[str, ...]  # what the person noted: contact gap, temperature, ...
    deviations: tuple[str, ...]
    changes: tuple[Change, ...]
    rules: tuple[str, ...]  # decision rules, one sentence each
    judgements: tuple[RecordedAssessment, ...]
    comparisons: tuple[RecordedComparison, ...]
    readings: tuple[ReadingGroup, ...]
    not_counted: tuple[NotCounted, ...]
    rig_checks: tuple[RigFinding, ...]
    captures: tuple[CaptureFacts, ...]
    engine_file: EngineFile
    program: Program
    cautions: tuple[str, ...]
    closing: tuple[Closing, ...]
    tdc_moves: tuple[TdcMove, ...] = ()
    adjustments: tuple[MadeAdjustment, ...] = ()  # since the last certificate
    seals: Seals | None = None  # None until the record is saved


TITLE = "Ignition timing certificate"

THIS_IS = (
    "A record of measurement: the crank angle at which the contacts of each ignition unit open, "
    "with the engine turned by hand.",
    "The results relate only to the engine and units named here, as they stood when measured.",
)

THIS_IS_NOT = (
    "Not the timing of the running spark.",
    "Not a release to service: whether the engine may run is for the maker's manual, the local "
    "authority and a licensed person to say.",
)

OPENING = (
    "Opening is the instant at which the contacts first open in the transition that ends with them "
    "staying open. It is placed in time between the encoder edges either side of it."
)

CAUTIONS = (
    "WARNING: a magneto whose earth lead is off, or whose switch lead is open, is live: turning "
    "the crank or the propeller by hand can fire a cylinder. Refit the earth lead and prove the "
    "switch before you turn anything again.",
    "WARNING: keep clear of the arc of anything bolted to the crank. Keep the plugs out, or their "
    "leads off and on an earthed gap, until the work is done.",
    "The maker's manual, the local rules and a licensed person have the last word.",
)

CLOSING = (
    "Piston stop or dial gauge out of the plug hole",
    "Wedge out of the automatic advance",
    "Rig leads off the contacts, encoder off the crank",
    "Holding bolts tight and locked, timing read again after tightening",
    "Coil leads and condenser back on",
    "Earth lead refitted, switch proved: at OFF the contacts read earthed for a whole turn",
    "Plugs, leads and covers back",
)

DIGESTS = (
    "Each fingerprint is the SHA-256 of a file. If one byte of the file changes, so does the "
    "fingerprint: it shows change. It does not show who made the file: anyone who alters the "
    "record can compute new fingerprints. Only a signature made with a key that others trust, or "
    "a copy kept by somebody else, shows that."
)

VERIFYING = (
    "From the job's folder alone, this program's verify command computes every figure again, and "
    "says of each figure and fingerprint whether it holds."
)

_SINCE_0_3_0 = {
    "title": "ce9ec8d1076de7fa9e7efbbf0bab7750756bc111a2804a666e1ce5e182ccc0f4",
    "this_is": "82bd45cbea7d38e6cacda644f9879490b574498aa21b159498a18152dd25af68",
    "this_is_not": "e751c07d58d7d3dadf1f1cd9a684a557970a5ea21d13e92ae16b3267867bba28",
    "method": "b5b989a9a5905b27ad4a52c503bf7eede26fd3724510c2212321eb3d829b24b1",
    "cautions": "70456f543ed4ced78ab06801922afa01112a4d78d288a1faa18c73f872e6d04b",
    "closing": "6eff24435eb053848ca2f30973560969f4a7fdf38adfcd7d091d5245f650dffd",
}
_UNTIL_0_2_0 = _SINCE_0_3_0 | {
    "method": "90346f6d2c173ad6a908d2539958565fab5c0592dacbd874c40d035c3749ff48",
    "cautions": "2d2ca3977acb71c7a7fc9c55194b6eecdc4713aa4b1ac701ab47bc17893039e8",
    "closing": "f4a28b1a2e461dacc5b9048fc776d6bbf4241b61b8e778e0475c5441c56ac6f7",
}
FIXED: dict[str, Mapping[str, str]] = {
    "0.1.0": _UNTIL_0_2_0,
    "0.2.0": _UNTIL_0_2_0,
    "0.3.0": _SINCE_0_3_0,
    "0.4.0": _SINCE_0_3_0,
    "0.5.0": _SINCE_0_3_0,
    "0.6.0": _SINCE_0_3_0,
    "0.7.0": _SINCE_0_3_0,
}
"""Version of the program -> digest of each fixed text of its records. Whoever rewords one gives the
program a new version, and adds its digests here: so earlier certificates still verify."""


def digest_of(part: str, text: Any) -> str:
    """SHA-256 of a fixed text as a record has it; of the closing list, of its words only."""
    if part == "closing" and isinstance(text, Sequence):
        text = [line["words"] for line in text]
    return hashlib.sha256(json.dumps(text, ensure_ascii=True).encode("ascii")).hexdigest()
