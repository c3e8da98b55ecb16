"""Runs ``rig live`` and writes down how much of a processor it took once it was under way.

``python live_load.py RESULT SETTLE_S WORDS...``: WORDS are those of the command line.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from pathlib import Path

from rig.cli.main import main


def watched(result: Path, settle_s: float, words: list[str]) -> int:
    """The exit status; into ``result``: processor seconds and seconds since ``settle_s``."""
    begun: list[tuple[float, float]] = []

    def look() -> None:
        time.sleep(settle_s)
        begun.append((time.process_time(), time.monotonic()))

    threading.Thread(target=look, daemon=True).start()
    status = main(words)
    cpu_s, at_s = begun[0]
    spent = [time.process_time() - cpu_s, time.monotonic() - at_s]
    result.write_text(json.dumps([status, *spent]), encoding="utf-8")
    return status


if __name__ == "__main__":
    sys.exit(watched(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3:]))
