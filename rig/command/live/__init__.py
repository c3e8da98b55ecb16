"""Read the rig live: the dashboard, or plain lines where there is no terminal."""

from rig.command.live.run import arguments, run

__all__ = ["arguments", "run"]
