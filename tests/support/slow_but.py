"""Parameters of which few run with the fast tests."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def slow_but(values: Iterable[Any], *quick: Any) -> list[Any]:
    """All ``values``, marked as slow but for those in ``quick``."""
    every = list(values)
    assert set(quick) <= set(every)
    return [each if each in quick else pytest.param(each, marks=pytest.mark.slow) for each in every]
