"""Why a star of the table has no vote: bit, name and meaning of each flag, in one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Flag:
    """A reason why a star does not vote."""

    bit: int
    name: str
    meaning: str


FLAGS = (
    Flag(1, "saturated", "a sample of its core is at the sensor's limit"),
    Flag(2, "blended", "another detection shares its light"),
    Flag(4, "edge", "its stamp leaves the picture"),
    Flag(8, "hot", "narrower than any lens can draw: a hot pixel"),
    Flag(16, "streak", "long and straight unlike its neighbours: a satellite or aircraft"),
    Flag(32, "unfit", "no Gaussian could be fitted"),
    Flag(64, "faint", "signal below ten times its noise"),
)
BIT = {flag.name: np.uint16(flag.bit) for flag in FLAGS}
