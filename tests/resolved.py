"""Measures made by a test -> the one night that they are of."""

from __future__ import annotations

from collections.abc import Sequence

from skyplumb.intake.notes import Notes
from skyplumb.night.sessions import resolve
from skyplumb.night.shot import Session
from skyplumb.records import Measure


def one_night(measures: Sequence[Measure], notes: Notes | None = None) -> Session:
    """The night resolved; ValueError if it is several."""
    (night,), _ = resolve(measures, notes or Notes())
    return night
