"""Read a timing sensor rig: where ignition contacts open, in degrees of crank.

The public face: what other programs may use. Each name is loaded on first use, since every import
of a part of the package runs this module.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.base.errors import InputError
    from rig.job.folder import Job
    from rig.job.recording import RecordedOpening, RecordingOpenings, read_openings
    from rig.job.results import JobAssessment
    from rig.job.results import assess_job as assess
    from rig.session.session import Session
    from rig.tdc.piston_stop import tdc_from_stop
    from rig.tdc.reference import TdcReference
    from rig.words.diagnostics import reason_words, recording_doubts

__version__ = "0.7.0"

__all__ = [
    "InputError",
    "Job",
    "JobAssessment",
    "RecordedOpening",
    "RecordingOpenings",
    "Session",
    "TdcReference",
    "assess",
    "read_openings",
    "reason_words",
    "recording_doubts",
    "tdc_from_stop",
]

FROM = {
    "InputError": "rig.base.errors:InputError",
    "Job": "rig.job.folder:Job",
    "JobAssessment": "rig.job.results:JobAssessment",
    "RecordedOpening": "rig.job.recording:RecordedOpening",
    "RecordingOpenings": "rig.job.recording:RecordingOpenings",
    "Session": "rig.session.session:Session",
    "TdcReference": "rig.tdc.reference:TdcReference",
    "assess": "rig.job.results:assess_job",
    "read_openings": "rig.job.recording:read_openings",
    "reason_words": "rig.words.diagnostics:reason_words",
    "recording_doubts": "rig.words.diagnostics:recording_doubts",
    "tdc_from_stop": "rig.tdc.piston_stop:tdc_from_stop",
}
"""Each public name and where it is: module and its name there."""


def __getattr__(name: str) -> Any:
    if name not in FROM:
        raise AttributeError(f"module 'rig' has no attribute {name!r}")
    module, _, there = FROM[name].partition(":")
    value = globals()[name] = getattr(import_module(module), there)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *FROM})
