"""The TDC reference: where cylinder 1 stands at top dead centre, counted from the index pulse."""

from __future__ import annotations

from dataclasses import dataclass

from rig.engine.uncertainty import Uncertainty


@dataclass(frozen=True, slots=True)
class Reference:
    """TDC of ``cylinder`` in degrees after the leading edge of the index, in [0, 360)."""

    tdc_deg: float
    uncertainty: Uncertainty
    method: str  # "stop", "stated", "gauge, equal lifts", "gauge, fit"
    how: str  # one sentence for the certificate
    made_utc: str = ""
    capture: str = ""  # file name of the capture in which it was found, "" when stated
    forward_deg: tuple[float, ...] = ()  # touches reached turning forward, degrees after the index
    backward_deg: tuple[float, ...] = ()  # touches reached turning back
    cylinder: int = 1
    warnings: tuple[str, ...] = ()
