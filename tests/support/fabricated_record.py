"""A made-up job, for the tests of the record: an engine that never was, figures from a seed."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from typing import Any, Literal

import numpy as np

from rig.base.codec import to_plain
from rig.base.uncertainty import Contribution, Source, combine
from rig.certificate.record import build
from rig.engine.profile import (
    Encoder,
    Engine,
    Geometry,
    Profile,
    Setting,
    Synchronisation,
    Unit,
    Window,
)
from rig.job.results import CaptureFacts, JobResults, RigFinding
from rig.signal.events import Reason, Rejection
from rig.tdc.reference import Method, TdcReference
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.values import Reading

CAPTURE = b"a made-up recording\n" * 400
ENGINE_FILE = '[engine]\nname = "Launch engine"\n# 36° BTDC: manual, page 14\n'.encode()
Phase = Literal["as found", "as left"]

SHORT = Rejection(Reason.SHORT_APPROACH, (12.5, 20.0))


def profile(cylinders: int = 4, units: tuple[str, ...] = ("upper", "lower")) -> Profile:
    full = Window(37.0, 36.0, 35.0, "maker's manual, page 14", "36 degrees, 1 either way")
    retard = Window(12.0, 10.0, 8.0, "maker's manual, page 14")
    return Profile(
        engine=Engine(
            name="Launch engine",
            strokes=4,
            cylinders=cylinders,
            firing_order=tuple(range(1, cylinders + 1)),
            intervals_deg=(720.0 / cylinders,) * cylinders,
            rotation="clockwise",
            seen_from="flywheel end",
            serial="L-1047",
            geometry=Geometry(60.0, 254.0, None, 0.5),
            rim_diameter_mm=412.0,
        ),
        encoder=Encoder(4096, graduation_error_deg=0.03, run_out_deg=0.02),
        units=tuple(
            Unit(
                name=name,
                input=i + 1,
                turns_per_crank_turn=Fraction(1),
                lobes=2,
                settings=(
                    Setting("full advance", full, 0.25),
                    Setting("full retard", retard, 0.25),
                ),
                serial=f"M{2210 + i}",
                backlash_deg=0.3,
            )
            for i, name in enumerate(units)
        ),
        synchronism=(Synchronisation("upper", "lower", 0.0, 1.0, "maker's manual, page 15"),)
        if {"upper", "lower"} <= set(units)
        else (),
        person="A. Person",
        workshop="The boat shed, slip 3",
    )


def reference() -> TdcReference:
    return TdcReference(
        tdc_deg=161.9238,
        uncertainty=combine(
            [
                Contribution(
                    Source.REPEATABILITY, 0.0165, 4.0, "A", "s/sqrt(n) of the touches, 4.2.3"
                ),
                Contribution(Source.OFFSET, 0.021, math.inf, "B", "0.5 mm either way, 4.3.7"),
            ]
        ),
        method=Method.STOP,
        how="Positive stop in the plug hole of cylinder 1, touched three times from each side; "
        "top dead centre is half-way. The offset of the cylinder is not known and stands in the "
        "uncertainty.",
        made_utc="2026-05-14T09:12:44Z",
        capture="20260514-090203.txt",
        forward_deg=(124.312, 124.388, 124.344),
        backward_deg=(199.512, 199.467, 199.529),
    )


def readings(
    job: Profile, phases: tuple[Phase, ...] = ("as found",), n: int = 8, seed: int = 7
) -> list[Reading]:
    chance = np.random.default_rng(seed)
    made: list[Reading] = []
    t_s = 40.0
    for phase in phases:
        for u, unit in enumerate(job.units):
            for setting in unit.settings:
                assert setting.window is not None
                for cylinder in range(1, job.engine.cylinders + 1):
                    off = chance.normal(0.0, 0.25) + (1.9 if phase != phases[-1] else 0.1) - 0.3 * u
                    for each in range(n):
                        t_s += 3.1
                        counts = each < n - 1 or n < 4
                        btdc = setting.window.nominal_btdc + off + chance.normal(0.0, 0.09)
                        made.append(
                            Reading(
                                unit.name,
                                setting.name,
                                cylinder,
                                cylinder % unit.lobes,
                                float(btdc),
                                float(360.0 * each + 161.9238 - btdc),
                                t_s,
                                None if counts else SHORT,
                                phase=phase,
                                times_opened=1 + int(chance.integers(0, 5)),
                            )
                        )
    return made


def capture_facts(name: str = "20260514-090203.txt", content: bytes = CAPTURE) -> CaptureFacts:
    return CaptureFacts(
        file=name,
        sha256=hashlib.sha256(content).hexdigest(),
        size_bytes=len(content),
        start_utc="2026-05-14T09:02:03Z",
        end_utc="2026-05-14T10:21:40Z",
        lines=212_480,
        troubles={"checksum": 2, "gap": 1},
        rig_name="bench-rig-1.4",
        protocol=1,
        counts_per_turn=4096,
        contacts=2,
        used_for="readings and top dead centre",
    )


def radial_record() -> dict[str, Any]:
    """Nine cylinders, each with its own window, and two units, as found and as left."""
    job = profile(9, ("front", "rear"))
    off = (0.0, -0.8, 1.2, -1.5, 1.9, -1.6, 1.4, -2.0, -1.2)
    windows = {
        c: Window(25.5 + each, 25.0 + each, 24.5 + each, "overhaul manual, table 4")
        for c, each in enumerate(off, 1)
    }
    fixed = Setting("fixed", windows[1], 0.25, per_cylinder=windows)
    job = replace(
        job,
        units=tuple(replace(unit, settings=(fixed,)) for unit in job.units),
        synchronism=(Synchronisation("front", "rear", 0.0, 0.5, "overhaul manual, table 4"),),
    )
    read = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) + off[(each.cylinder or 1) - 1])
        for each in readings(job, ("as found", "as left"))
    ]
    judged = assess(read, job, reference())
    compared = compare_units(read, job, reference())
    return record(profile=job, readings=read, judgements=judged, comparisons=compared)


def record(
    *,
    cylinders: int = 4,
    units: tuple[str, ...] = ("upper", "lower"),
    phases: tuple[Phase, ...] = ("as found",),
    n: int = 8,
    seed: int = 7,
    **more: Any,
) -> dict[str, Any]:
    """A whole record, unsealed; ``more`` goes to ``build`` in the place of what is made up."""
    job, found = profile(cylinders, units), reference()
    own = cache(lambda: readings(job, phases, n, seed))
    given: dict[str, Any] = {
        "engine_file": ENGINE_FILE,
        "profile": job,
        "captures": [capture_facts()],
        "issued": datetime(2026, 5, 14, 10, 25, 12, tzinfo=UTC),
        "conditions": ["Contact gaps 0.40 mm on both units (limits 0.35 to 0.45 mm)", "Shed 17 °C"],
        "rig_checks": [
            RigFinding("counts a turn", "good", "4096 between index pulses, 14 turns"),
            RigFinding("direction", "good", "counts up in the normal direction"),
            RigFinding("switch", "good", "closed for a whole turn at OFF, opens at ON"),
        ],
    }
    given |= more

    def made(key: str, make: Callable[[], Any]) -> Any:
        return given.pop(key) if key in given else make()

    worked = JobResults(
        played=[],
        reference=made("reference", lambda: found),
        readings=made("readings", own),
        assessments=made("judgements", lambda: assess(own(), job, found)),
        comparisons=made("comparisons", lambda: compare_units(own(), job, found)),
    )
    # What only tests have otherwise than it always is.
    texts = {key: to_plain(given.pop(key)) for key in ("closing", "cautions") if key in given}
    return build(worked=worked, **given) | texts
