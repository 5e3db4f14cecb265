"""Outputs of version 0.1 read with today's words: `sag` is `slip`, `shift_px` is `drift_px`.

That version's `shift_angle_deg` was an axis, folded to -90..90. The heading `drift_angle_deg`
cannot be had from it and stays unknown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what only reads a summary need not load it
    import pandas as pd

COLUMNS = {"shift_px": "drift_px"}
"""Of frames.csv: the name then and the name now."""
AXIS, HEADING = "shift_angle_deg", "drift_angle_deg"
CAUSES = {"sag": "slip"}
_KEYS = CAUSES | {f"sag_arcsec_per_min{end}": f"slip_arcsec_per_min{end}" for end in ("", "_sigma")}
"""Of summary.json, causes among them: a run's losses and a frame's causes are told by cause."""
_SAYS_A_CAUSE = ("cause", "together_with")


def todays_row(row: Mapping[str, str]) -> dict[str, str]:
    """A row of frames.csv under today's names."""
    out = {COLUMNS.get(name, name): cell for name, cell in row.items()}
    if "cause" in out:
        out["cause"] = CAUSES.get(out["cause"], out["cause"])
    return out


def todays_frames(frames: pd.DataFrame) -> pd.DataFrame:
    """A table with some columns of frames.csv under today's names."""
    out = frames.rename(columns=COLUMNS | {AXIS: HEADING})
    if AXIS in frames:
        out[HEADING] = math.nan
    if "cause" in out:
        out["cause"] = out["cause"].replace(CAUSES)
    return out


def todays_summary(told: Any) -> Any:
    """What a summary.json holds, or a part of it, under today's names."""
    if isinstance(told, list):
        return [todays_summary(one) for one in told]
    if not isinstance(told, dict):
        return told
    return {
        _KEYS.get(key, key): CAUSES.get(value, value)
        if key in _SAYS_A_CAUSE and isinstance(value, str)
        else todays_summary(value)
        for key, value in told.items()
    }
