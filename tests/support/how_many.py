"""How many cases a long test tries: few at each landing, more when the environment asks for them.

``TIMES=10 pytest -m slow`` tries ten times as many.
"""

from __future__ import annotations

import os

TIMES = int(os.environ.get("TIMES", "1"))


def how_many(few: int) -> int:
    """``few``, or a multiple of it."""
    return few * TIMES
