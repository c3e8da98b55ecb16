"""The session: the one place where the rooms meet. Batches in, events and figures out."""

from rig.session.doubts import Doubt
from rig.session.session import Session
from rig.session.settings import signal_settings
from rig.session.stop import StopTouches

__all__ = ["Doubt", "Session", "StopTouches", "signal_settings"]
