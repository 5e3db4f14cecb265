"""A counted season and its model -> the page of the gear, and the same facts for programs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.causes import LASER_CAUTION, cause_of
from skyplumb.digits import duration, with_error
from skyplumb.output.page.figures import number, percent
from skyplumb.output.page.render import fill_template
from skyplumb.plain import guarded, plain
from skyplumb.records import VERDICTS
from skyplumb.season.comparison import Effect
from skyplumb.season.cross_validation import SeasonModel
from skyplumb.season.gear_charts import CHARTS, CONFIG, ROOM, WIDEST
from skyplumb.season.reach import reach
from skyplumb.season.rig import GUST_ARCSEC
from skyplumb.season.sessions import NOT_THE_GEAR, Season
from skyplumb.season.tally import AIR, ALONE, GROUPS, SKY, Tally, best_remedy, labelled

Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Breakdown:
    """A table of hit rates on the page."""

    id: str
    title: str
    keys: tuple[str, ...]
    """Of lens, setting, focal, camera, night."""
    heads: tuple[str, ...]


BREAKDOWNS = (
    Breakdown("cells", "By lens and exposure", ("lens", "setting"), ("Lens", "Exposure, s")),
    Breakdown("lenses", "By lens", ("lens",), ("Lens",)),
    Breakdown("settings", "By exposure", ("setting",), ("Exposure, s",)),
    Breakdown("focals", "By focal length", ("focal",), ("Focal length, mm",)),
    Breakdown("cameras", "By camera", ("camera",), ("Camera",)),
    Breakdown("nights", "By night", ("night",), ("Night",)),
)

COLUMNS = {"lens": "lens_label", "setting": "setting_s", "focal": "focal_mm"}
"""Names on the page that are others in the frames."""

TITLES = {
    "reach": "How far this tracker reaches",
    "cells": "What each lens holds at each exposure",
    "curves": "Hit rate along exposure, lens by lens",
    "losses": "What each cause cost",
    "nights": "Night by night",
    "calibration": "Nights predicted from the others",
}


def gear_page(season: Season, tally: Tally, model: SeasonModel, effects: Sequence[Effect]) -> Plain:
    """Everything the page shows, as texts, numbers and lists; what is not known is None."""
    frames = labelled(season.frames)
    nights = sorted(frames["night"].astype(str).unique())
    best = best_remedy(tally.costs)
    reached = reach(season, model)
    total = _records(tally.total)[0]
    costs = [{**row, "label": _label(row["cause"])} for row in _records(tally.costs)]
    return {
        "nights": nights,
        "span": _span(nights),
        "sessions": season.sessions,
        "twice": season.twice,
        "notices": season.notices,
        "total": total,
        "breakdowns": [{**asdict(one), "rows": _rows(tally, one)} for one in BREAKDOWNS],
        "differences": [
            {**asdict(one), "significant": one.significant}
            for one in sorted(tally.differences, key=lambda one: one.p_corrected)
        ],
        "costs": costs,
        "best": best and {**best, "label": _label(str(best["cause"]))},
        "laser": LASER_CAUTION,
        "skies": _skies(tally),
        "lenses": 0,
        "tracker": {},
        "effects": [
            {
                **plain(asdict(one)),
                "open": one.open,
                "losses": [(_label(cause), shares) for cause, shares in one.losses.items()],
            }
            for one in effects
        ],
        "model": _model(model),
        "titles": TITLES,
        "reach": reached.sentence,
        "not_the_gear": [row["label"] for row in costs if not row["gear"]],
        "data": {
            **_groups(frames, season.runs, nights),
            "breakdowns": [asdict(one) for one in BREAKDOWNS],
            "curves": _curves(frames, season.runs, model),
            "reach": reached.rows,
            "calibration": _records(model.check.calibration) if model.check else [],
            "charts": {name: spec() for name, spec in CHARTS.items()},
            "config": CONFIG,
            "titles": TITLES,
            "room": ROOM,
            "widest": WIDEST,
            "sidereal_arcsec_s": SIDEREAL_RATE_ARCSEC_S,
            "excluded": list(NOT_THE_GEAR),
            "alone": ALONE,
        },
    }


def render(page: Plain) -> str:
    """The page as one HTML file that needs nothing else and asks for nothing."""
    filters: dict[str, Callable[..., Any]] = {
        "percent": percent,
        "figure": _figure,
        "chance": _chance,
        "duration": duration,
        "key": _key,
    }
    return fill_template("gear.html", page, ("gear.js",), filters, {})


def facts(season: Season, tally: Tally, model: SeasonModel, effects: Sequence[Effect]) -> Plain:
    """tally.json: what the page tells, without the page."""
    return {
        "sessions": season.sessions,
        "audited_twice": season.twice,
        "notices": list(season.notices),
        "total": _records(tally.total)[0],
        "hit_rates": {name: _records(table) for name, table in tally.groups.items()},
        "differences": [
            {**asdict(one), "significant": one.significant} for one in tally.differences
        ],
        "costs": _records(tally.costs),
        "best_mend": best_remedy(tally.costs),
        "model": _model(model),
        "effects": [plain(asdict(one)) for one in effects],
    }


def table(tally: Tally) -> pd.DataFrame:
    """tally.csv: every breakdown in one table, `by` telling which; empty where it does not hold."""
    parts = [tally.total.assign(by="all")]
    parts += [part.assign(by=name) for name, part in tally.groups.items()]
    lost = tally.costs.assign(by="cause", hours=tally.costs["minutes"] / 60)
    parts.append(lost[["by", "cause", "frames", "doubtful", "hours"]])
    names = {"lens_label": "lens", "setting_s": "exposure_s"}
    whole = pd.concat([part.rename(columns=names).astype(object) for part in parts])
    keys = ["by", "camera", "lens", "focal_mm", "exposure_s", "night", "cause"]
    return whole[[*keys, *(name for name in whole.columns if name not in keys)]].map(csv_cell)


def csv_cell(value: object) -> object:
    """Numbers to six digits; no text that a spreadsheet would run as a formula."""
    if isinstance(value, float):
        return f"{value:.6g}" if math.isfinite(value) else ""
    return guarded(value) if isinstance(value, str) else value


def _groups(frames: pd.DataFrame, runs: pd.DataFrame, nights: list[str]) -> Plain:
    """The frames as counts that the page can add up again: columns of numbers and names."""
    known = frames.assign(
        alone=(frames["share"] >= ALONE),
        cause=frames["cause"].astype(str).where(frames["verdict"] != "keep", ""),
    )
    keys = ["night", "camera", "lens_label", "focal_mm", "setting_s", "verdict", "cause", "alone"]
    table = (
        known.groupby(keys, observed=True, dropna=False)
        .agg(n=("run_id", "size"), seconds=("exposure_s", "sum"))
        .reset_index()
    )
    names: dict[str, list[Any]] = {"night": nights, "verdict": list(VERDICTS)}
    columns: dict[str, list[Any]] = {}
    for key in keys[:-1]:
        short = {value: name for name, value in COLUMNS.items()}.get(key, key)
        if short not in names:
            values = table[key].dropna().unique().tolist()
            order = list(frames[key].cat.categories) if key == "lens_label" else sorted(values)
            names[short] = order
        place = {value: n for n, value in enumerate(names[short])}
        columns[short] = [place.get(value) for value in table[key]]
    columns["alone"] = table["alone"].astype(int).tolist()
    columns["n"] = table["n"].tolist()
    columns["seconds"] = [round(value, 3) for value in table["seconds"]]
    scale = frames["run_id"].map(runs["scale_arcsec_px"])
    scale = scale.groupby(frames["lens_label"], observed=True).median()
    return {
        "groups": columns,
        "names": names,
        "labels": {cause: _label(cause) for cause in names["cause"]},
        "lens_scale": [number(scale.get(lens)) for lens in names["lens"]],
    }


def _curves(frames: pd.DataFrame, runs: pd.DataFrame, model: SeasonModel) -> list[Plain]:
    """The model's hit rate along exposure for each lens of the season."""
    if model.rig is None:
        return []
    out: list[Plain] = []
    scales = frames["run_id"].map(runs["scale_arcsec_px"])
    for lens, mine in frames.groupby("lens_label", observed=True):
        scale, focal = float(scales[mine.index].median()), float(mine["focal_mm"].median())
        longest = mine["setting_s"].max()
        if not (scale > 0 and longest > 0 and (focal > 0 or model.used == "rig")):
            continue
        exposures = np.geomspace(max(mine["setting_s"].min() / 2, 1), longest * 2, 24)
        rate = model.rate(scale, focal, exposures)
        out += [
            {
                "kind": "model",
                "lens": str(lens),
                "path": round(SIDEREAL_RATE_ARCSEC_S * t / scale, 3),
                "rate": round(float(rate.middle[n]), 4),
                "low": round(float(rate.low[n]), 4),
                "high": round(float(rate.high[n]), 4),
                "exposure": round(float(t), 1),
            }
            for n, t in enumerate(exposures)
        ]
    return out


def _model(model: SeasonModel) -> Plain:
    """The model in figures."""
    told: Plain = {"used": model.used, "why_not": model.why_not}
    if model.check is not None:
        check = model.check
        told |= {
            "frames": check.frames,
            "nights": check.nights,
            "rig_log_likelihood": number(check.rig_score),
            "plain_log_likelihood": number(check.plain_score),
        }
    if model.rig is not None:
        rig = model.rig
        middle, low, high = rig.events_per_min
        told |= {
            "measured": rig.measured,
            "events_over_arcsec": GUST_ARCSEC,
            "events_per_min": middle,
            "events_per_min_low": low,
            "events_per_min_high": high,
            "events_arcsec_power": float(rig.events.params[1]),
            "trail_borne_over_limit": rig.drift.factor,
            "trail_limit_px": rig.limit_px,
            "night_spread_events": rig.events.spread,
            "night_spread_rest": rig.rest.spread,
            "axis_arcmin": number(np.median(rig.faults.axis_arcmin)) if rig.measured else None,
        }
    return told


def _rows(tally: Tally, one: Breakdown) -> list[Plain]:
    """Rows of a breakdown with its keys under the page's names."""
    columns = tuple(COLUMNS.get(key, key) for key in one.keys)
    (group,) = (name for name, by in GROUPS.items() if by == columns)
    return [
        {**row, "keys": [row[name] for name in columns]} for row in _records(tally.groups[group])
    ]


def _skies(tally: Tally) -> list[Plain]:
    """Nights whose sky is known, with what was kept on them."""
    return [
        {
            "night": row["night"],
            "kept": f"{row['keep']} of {row['judged']}",
            "rate": row["rate"],
            "sky": _figure(row.get(SKY), 4),
            "air": with_error(row[AIR], row[f"{AIR}_sigma"]) if row[AIR] is not None else "–",
        }
        for row in _records(tally.groups["night"])
        if row.get(SKY) is not None or row[AIR] is not None
    ]


def _records(table: pd.DataFrame) -> list[Plain]:
    return [plain(row) for row in table.to_dict("records")]


def _label(cause: object) -> str:
    return cause_of(str(cause) or "unexplained").label


def _span(nights: Iterable[str]) -> str:
    """First and last date of the nights that have one."""
    dates = sorted(night[:10] for night in nights if night[:4].isdigit())
    if not dates:
        return "dates unknown"
    return dates[0] if dates[0] == dates[-1] else f"{dates[0]} to {dates[-1]}"


def _figure(value: float | None, digits: int = 3) -> str:
    return "–" if value is None else f"{value:.{digits}g}".replace("-", "−")


def _chance(p: float) -> str:
    """A chance to one digit; small ones only as small, since they are never that well known."""
    return "under 0.001" if p < 0.001 else f"{p:.1g}"


def _key(value: object) -> str:
    """A lens, camera or night as it is called, a number as it is engraved."""
    if value is None or value == "":
        return "not known"
    return f"{value:.4g}" if isinstance(value, float | int) else str(value)
