"""Trains of gears for tests."""

from __future__ import annotations

from collections.abc import Sequence

from rig.engine.gear_train import CRANK
from rig.engine.profile import Mesh, Train


def simple_train(teeth: Sequence[int], shaft: str = "unit") -> Train:
    """Gears that mesh one after the other: the crank's first, idlers between, ``shaft``'s last."""
    names = [CRANK, *(f"idler {i}" for i in range(1, len(teeth) - 1)), shaft]
    return Train(
        tuple(Mesh(names[i], teeth[i], names[i + 1], teeth[i + 1]) for i in range(len(teeth) - 1))
    )
