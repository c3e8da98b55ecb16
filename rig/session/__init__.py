"""The session: the one place where the rooms meet. Batches in, events and results out."""

from rig.session.diagnostics import Diagnostic
from rig.session.session import Session, signal_settings
from rig.tdc.piston_stop import StopTouches

__all__ = ["Diagnostic", "Session", "StopTouches", "signal_settings"]
