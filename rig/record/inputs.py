"""What each part of a certificate is made from, all in one place, and so how it is proved.

``verify`` goes through this list: a part that can be derived from the recordings is, and nothing is
taken from elsewhere. What no recording holds is held to the job's files or to a digest; what was
told at the time of issue is proved by a signature alone, and that is said here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum


class Origin(Enum):
    """Where a part of the record comes from; the value says how it is proved."""

    FORMAT = "fixed by the format: read or refused"
    TEXT = "fixed text: held to the digest of the version that wrote it"
    NAME = "held to the file's name, the time of issue and the first recording's digest"
    TIME = "no earlier than the last measurement, and not in the future"
    RECORDING = "worked out again from the recordings, with the engine file in the record"
    FILES = "held to the files of the job, and to the digest that the recordings begin with"
    VERSION = "one that writes this record; machine and libraries are as they were told"


PARTS: Mapping[str, Origin] = {
    "format": Origin.FORMAT,
    "version": Origin.FORMAT,
    "title": Origin.TEXT,
    "identification": Origin.NAME,
    "issued_utc": Origin.TIME,
    "measured_from_utc": Origin.RECORDING,
    "measured_until_utc": Origin.RECORDING,
    "this_is": Origin.TEXT,
    "this_is_not": Origin.TEXT,
    "stated": Origin.RECORDING,
    "reference": Origin.RECORDING,
    "other_references": Origin.RECORDING,
    "method": Origin.TEXT,
    "conditions": Origin.RECORDING,
    "deviations": Origin.RECORDING,
    # What the recordings note; what was told with --change has no proof but a signature.
    "changes": Origin.RECORDING,
    "rules": Origin.RECORDING,
    "judgements": Origin.RECORDING,
    "comparisons": Origin.RECORDING,
    "readings": Origin.RECORDING,
    "not_counted": Origin.RECORDING,
    "rig_checks": Origin.RECORDING,
    "captures": Origin.RECORDING,
    "engine_file": Origin.FILES,
    "program": Origin.VERSION,
    "cautions": Origin.TEXT,
    "closing": Origin.TEXT,
}
"""Part of the record -> where it comes from. Top dead centre that is set by hand is held to the
notes in the recordings and to the job's ``reference.json``."""

RECOMPUTED = tuple(part for part, origin in PARTS.items() if origin is Origin.RECORDING)
FIXED_TEXT = tuple(part for part, origin in PARTS.items() if origin is Origin.TEXT)

_SENTENCES = re.compile(
    r"rules|conditions|deviations"
    r"|(?:reference|other_references\[\d+\])\.(?:how|warnings)"
    r"|judgements\[\d+\]\.(?:words|rule|settle|marks)"
    r"|comparisons\[\d+\]\.words"
    r"|not_counted\[\d+\]\.why"
    r"|rig_checks\[\d+\]\.(?:name|words)"
    r"|.*\.parts\[\d+\]\.(?:name|how)"
    r"|says|words|warnings|steps\[\d+\]\.(?:words|warnings)"  # of a unit report, a prediction
)


def is_sentence(where: str) -> bool:
    """Whether a place of the record holds words that the program makes of figures.

    The version that wrote them makes the same words again; another may word them otherwise.
    """
    return _SENTENCES.fullmatch(where) is not None
