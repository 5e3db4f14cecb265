"""The tracker over time -> the rows of its section of the page, and tracker.csv."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from skyplumb.output.page.figures import number
from skyplumb.plain import guarded, plain
from skyplumb.season.tracker import AGAINST, Trend, phases, trend_words
from skyplumb.season.trend import Line

Plain = dict[str, Any]

WIDE, HIGH = 300.0, 90.0
"""Of a chart, in its own units."""
ALIKE = 0.05
NO_TREND = (
    "The phase of the periodic error has no trend: at each placement the drive starts at some "
    "angle of its worm, which no frame tells; tracker.csv has the phase that each began with."
)


def tracker_page(table: pd.DataFrame, found: Sequence[Trend]) -> Plain:
    """The section; empty without a placement."""
    if not len(table):
        return {}
    count, chance = phases(table)
    words = NO_TREND if count else ""
    if isfinite(chance):
        alike = "alike" if chance < ALIKE else "no more alike than by chance"
        words += f" At the first frame it was {alike} ({count} placements)."
    return {
        "placements": len(table),
        "heads": [f"with {one.title}, {one.unit}" for one in AGAINST],
        "rows": [_row(one) for one in found],
        "standing": trend_words(found),
        "phase": words,
        "charts": [chart for one in found if (chart := _chart(table, one))],
        "size": (WIDE, HIGH),
    }


def tracker_facts(table: pd.DataFrame, found: Sequence[Trend]) -> Plain:
    """The same in tally.json."""
    return {
        "placements": [plain(row) for row in table.to_dict("records")],
        "trends": [
            {
                "tracker": one.tracker,
                "figure": one.figure.name,
                "unit": one.figure.unit,
                "placements": one.placements,
                **_ends(one.mean, "mean"),
                "spread": number(one.mean.spread),
                "along": [
                    {"what": against.name, "per": against.per, **_ends(line, "slope")}
                    for against, line in one.along
                ],
            }
            for one in found
        ],
    }


def tracker_table(table: pd.DataFrame) -> pd.DataFrame:
    """tracker.csv: a row for each placement."""
    return table.drop(columns=["day"]).map(_cell)


def _cell(value: object) -> object:
    if isinstance(value, str):
        return guarded(value)
    return "" if value is None or value != value else f"{value:.6g}"


def _ends(line: Line, part: str) -> Plain:
    return {f"{part}{end}": number(getattr(line, f"{part}{end}")) for end in ("", "_low", "_high")}


def _row(one: Trend) -> Plain:
    """A figure in words."""
    slopes = {against.name: line for against, line in one.along}
    return {
        "what": f"{one.figure.title}, {one.figure.unit}",
        "tracker": one.tracker,
        "placements": one.placements,
        "mean": _range(one.mean, "mean", ""),
        "spread": f"{one.mean.spread:.2g}" if isfinite(one.mean.spread) else "–",
        "slopes": [_range(slopes.get(against.name, Line()), "slope", "+") for against in AGAINST],
    }


def _range(line: Line, part: str, sign: str) -> str:
    value, low, high = (getattr(line, part + end) for end in ("", "_low", "_high"))
    if not isfinite(value):
        return "–"
    told = f"{value:{sign}.3g}"
    if isfinite(low):
        told += f" ({low:{sign}.2g} to {high:{sign}.2g})"
    return told.replace("-", "−")


def _chart(table: pd.DataFrame, one: Trend) -> Plain:
    """Its values along the date, with twice their errors; empty where dates do not differ."""
    mine = table[(table["tracker"] == one.tracker) & table[one.figure.name].notna()]
    mine = mine[mine["day"].notna()]
    days, values = mine["day"].to_numpy(float), mine[one.figure.name].to_numpy(float)
    if len(np.unique(days)) < 2:
        return {}
    errors = 2 * np.nan_to_num(mine[f"{one.figure.name}_sigma"].to_numpy(float))
    low, high = float(min((values - errors).min(), 0)), float((values + errors).max())
    span = max(high - low, 1e-9)

    def y(value: float) -> float:
        return round(HIGH * (1 - (value - low) / span), 1)

    return {
        "title": f"{one.figure.title}, {one.figure.unit}" + (one.tracker and f": {one.tracker}"),
        "first": str(mine["night"].iloc[0])[:10],
        "last": str(mine["night"].iloc[-1])[:10],
        "top": f"{high:.3g}".replace("-", "−"),
        "bottom": f"{low:.3g}".replace("-", "−"),
        "zero": y(0.0) if high > 0 else 0.0,
        "dots": [
            {
                "x": round(float(WIDE * (day - days.min()) / np.ptp(days)), 1),
                "y": y(value),
                "low": y(value - error),
                "high": y(value + error),
                "words": f"{night}: {value:.3g} ± {error / 2:.2g}",
            }
            for night, day, value, error in zip(mine["night"], days, values, errors, strict=True)
        ],
    }
