"""Which darks, flats and bias of a card fit the frames of a run."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb.judge.runs import same_exposure

FOLDERS = {"dark": "darks", "flat": "flats", "bias": "bias"}
"""Kind of frame and the folder it is laid in."""

SAME_TEMPERATURE_C = 5.0
"""Darks this much warmer or colder do not fit. Dark current doubles every 6 to 8 degrees (common
practice, no source)."""

_ALIKE = {
    "dark": ("camera", "iso"),
    "flat": ("camera", "lens", "focal_mm", "aperture"),
    "bias": ("camera", "iso"),
}


def fitting(frames: pd.DataFrame, run: pd.DataFrame) -> dict[str, list[str]]:
    """Files of each kind of `FOLDERS` that fit the light frames of one run.

    Darks fit by camera, ISO, exposure and, where both are known, temperature; flats by camera,
    lens, focal length and aperture; bias by camera and ISO. What is unknown of both is alike.

    Parameters
    ----------
    frames : DataFrame
        Rows with the columns of `columns.COLUMNS`, calibration frames among them.
    run : DataFrame
        Its light frames, one or more.
    """
    first = run.iloc[0]
    warmth = run["temperature_c"].astype(float).median()
    exposure = float(run["exposure_s"].astype(float).median())
    found: dict[str, list[str]] = {}
    for kind, names in _ALIKE.items():
        some = frames[frames["kind"] == kind]
        for name in names:
            some = some[_where(_alike(value, first[name]) for value in some[name])]
        if kind == "dark":
            some = some[_where(same_exposure(float(t), exposure) for t in some["exposure_s"])]
            apart = (some["temperature_c"].astype(float) - warmth).abs()
            some = some[~(apart > SAME_TEMPERATURE_C)]
        found[kind] = list(some["file"])
    return found


def _where(tests: Iterable[bool]) -> NDArray[np.bool_]:
    return np.array(list(tests), bool)


def _alike(one: object, other: object) -> bool:
    """Equal, or unknown both."""
    if isinstance(one, float) and isinstance(other, float):
        return one == other or (math.isnan(one) and math.isnan(other))
    return one == other
