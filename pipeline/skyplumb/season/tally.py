"""The frames of a season -> hit rates with their intervals, what differs, what each cause cost.

A hit is a kept frame; a doubtful one is none and is shown beside. Frames lost to cloud, bright
sky or an obstruction say nothing of the gear: they are excluded, judged neither way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb.causes import cause_of
from skyplumb.intervals import CONFIDENCE, binomial_interval
from skyplumb.records import VERDICTS
from skyplumb.season.contrast import Contrast, contrast, holm, settling_words
from skyplumb.season.sessions import NightAir, Season, label_of

INTERVALS: tuple[Literal["wilson", "exact"], ...] = ("wilson", "exact")
ALONE = 0.9
"""A cause that explains this share of a loss is alone at fault."""

SKY = "sky_mag_arcsec2"
"""Of the frames and of each group, whose it is the median of."""
AIR = "sky_extinction_mag_airmass"

GROUPS = {
    "lens and exposure": ("lens_label", "setting_s"),
    "lens": ("lens_label",),
    "exposure": ("setting_s",),
    "focal length": ("focal_mm",),
    "camera": ("camera",),
    "night": ("night",),
}
"""What the tally is broken down by."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A comparison of hit rates."""

    what: str
    kind: str
    """pair (two cells) or trend (along exposure or focal length)."""
    p: float
    p_corrected: float
    """After Holm's correction for all comparisons of the tally."""
    words: str
    """How large it is, and what would settle it where it is open."""

    @property
    def significant(self) -> bool:
        return self.p_corrected < 1 - CONFIDENCE


@dataclass(frozen=True, slots=True)
class Tally:
    """A season counted."""

    total: pd.DataFrame
    """One row, the columns of `count_by`."""
    groups: dict[str, pd.DataFrame]
    """A table for each of `GROUPS`."""
    differences: tuple[Difference, ...]
    costs: pd.DataFrame
    """By cause: `frames`, `doubtful`, `minutes`, `alone` and `alone_minutes` (lost to nothing
    else), `mend` (the remedy); the costliest first."""


def tally(season: Season) -> Tally:
    """Count a season every way."""
    frames = labelled(season.frames)
    groups = {name: count_by(frames, keys) for name, keys in GROUPS.items()}
    groups["night"] = _with_air(groups["night"], season.extinctions)
    return Tally(
        count_by(frames, ()),
        groups,
        significant_differences(frames),
        costs(frames),
    )


def _with_air(nights: pd.DataFrame, found: Sequence[NightAir]) -> pd.DataFrame:
    """The nights with the extinction of their air and its error, NaN where no session told it."""
    values, errors = [], []
    for night in nights["night"].astype(str):
        mine = [one for one in found if one.night == night]
        weight = np.array([1 / one.sigma**2 for one in mine])
        told = np.array([one.extinction_mag_airmass for one in mine])
        values.append(float(weight @ told / weight.sum()) if mine else np.nan)
        errors.append(float(1 / np.sqrt(weight.sum())) if mine else np.nan)
    return nights.assign(**{AIR: values, f"{AIR}_sigma": errors})


def labelled(frames: pd.DataFrame) -> pd.DataFrame:
    """The frames with the lens as people call it."""
    kinds = frames[["lens", "focal_mm"]].drop_duplicates()
    labels = {
        (lens, focal): label_of(str(lens), float(focal))
        for lens, focal in kinds.itertuples(index=False)
    }
    known = {key: label for key, label in labels.items() if key[1] == key[1]}
    nameless = {str(key[0]): label for key, label in labels.items() if key[1] != key[1]}
    pairs = zip(frames["lens"], frames["focal_mm"], strict=True)
    label = [known.get(pair) or nameless[str(pair[0])] for pair in pairs]
    # From wide to long, which is how they are read.
    focal = frames["focal_mm"].groupby(pd.Series(label, frames.index)).median()
    order = sorted(set(label), key=lambda one: (np.nan_to_num(focal[one], nan=np.inf), one))
    return frames.assign(lens_label=pd.Categorical(label, order))


def count_by(frames: pd.DataFrame, keys: Sequence[str]) -> pd.DataFrame:
    """Frames by some columns; a row for all of them if there are none.

    Returns
    -------
    DataFrame
        The keys, then `frames`, `excluded`, `judged`, `keep`, `doubtful`, `reject`, `nights`,
        `rate` with `wilson_low`, `wilson_high`, `exact_low`, `exact_high` (NaN where nothing
        was judged), `hours` of exposure audited, `hours_kept`, `untimed` (frames of unknown
        exposure, which add no time), and the median `sky_mag_arcsec2` of frames that tell it.
    """
    gear = ~frames["excluded"]
    each = pd.DataFrame(
        {
            "frames": 1,
            "excluded": frames["excluded"].astype(int),
            "judged": gear.astype(int),
            **{
                verdict: (gear & (frames["verdict"] == verdict)).astype(int) for verdict in VERDICTS
            },
            "hours": frames["exposure_s"].fillna(0) / 3600,
            "untimed": frames["exposure_s"].isna().astype(int),
        }
    )
    each["hours_kept"] = each["hours"] * each["keep"]
    sky = frames.get(SKY)
    if keys:
        by = [frames[key] for key in keys]
        grouped = each.groupby(by, observed=True, dropna=False, sort=True)
        table = grouped.sum().reset_index()
        nights = frames["night"].groupby(by, observed=True, dropna=False, sort=True).nunique()
        table["nights"] = nights.to_numpy()
        if sky is not None:
            table[SKY] = sky.groupby(by, observed=True, dropna=False, sort=True).median().to_numpy()
    else:
        table = each.sum().to_frame().T
        table["nights"] = frames["night"].nunique()
        if sky is not None:
            known = sky.dropna()
            table[SKY] = known.median() if len(known) else np.nan
    counts = ["frames", "excluded", "judged", "keep", "doubtful", "reject", "untimed"]
    table[counts] = table[counts].astype(int)
    return _with_intervals(table)


def _with_intervals(table: pd.DataFrame) -> pd.DataFrame:
    """Hit rates with Wilson's and the exact (Clopper-Pearson) interval."""
    table = table.copy()
    there = table["judged"].to_numpy() > 0
    keep, judged = table.loc[there, "keep"], table.loc[there, "judged"]
    for name in ("rate", "wilson_low", "wilson_high", "exact_low", "exact_high"):
        table[name] = np.nan
    if there.any():
        table.loc[there, "rate"] = keep / judged
        for name in INTERVALS:
            low, high = binomial_interval(keep, judged, name)
            table.loc[there, f"{name}_low"], table.loc[there, f"{name}_high"] = low, high
    return table


def significant_differences(frames: pd.DataFrame) -> tuple[Difference, ...]:
    """Every comparison of neighbouring cells and every trend, corrected for their number.

    By the model of `contrast`: nights differ at random, and frames of one night are not
    independent.
    """
    gear = frames[~frames["excluded"] & frames["setting_s"].notna()]
    each = gear.assign(keep=(gear["verdict"] == "keep").astype(float), judged=1.0)
    keys = ["night", "lens_label", "setting_s"]
    units = each.groupby(keys, observed=True)[["keep", "judged"]].sum().reset_index()
    focal = frames.groupby("lens_label", observed=True)["focal_mm"].median()
    units["focal"] = units["lens_label"].map(focal).astype(float)
    found: list[tuple[str, str, _Compared]] = []
    for lens, row in units.groupby("lens_label", observed=True):
        ladder = [some for _, some in row.groupby("setting_s")]
        found += _ladder(ladder, [f"{lens}, {some['setting_s'].iloc[0]:.4g} s" for some in ladder])
        if len(ladder) > 2:
            found.append((f"{lens}: along exposure", "trend", _trend(row, "setting_s")))
    for setting, column in units[units["focal"].notna()].groupby("setting_s"):
        ladder = [some for _, some in column.groupby(["focal", "lens_label"], observed=True)]
        names = [f"{some['lens_label'].iloc[0]}, {setting:.4g} s" for some in ladder]
        found += _ladder(ladder, names)
        if column["focal"].nunique() > 2:
            what = f"{setting:.4g} s: along focal length"
            found.append((what, "trend", _trend(column, "focal")))
    if not found:
        return ()
    corrected = holm([one.contrast.p for _, _, one in found])
    return tuple(
        Difference(what, kind, one.contrast.p, float(p), _difference_words(kind, one))
        for (what, kind, one), p in zip(found, corrected, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Compared:
    """A contrast and what it is made from."""

    contrast: Contrast
    nights: int
    judged: int


def _ladder(
    cells: Sequence[pd.DataFrame], names: Sequence[str]
) -> list[tuple[str, str, _Compared]]:
    """Each cell against the next."""
    return [
        (
            f"{name} against {other}",
            "pair",
            _of(pd.concat([two, one]), np.r_[0 * two["keep"], 1 + 0 * one["keep"]]),
        )
        for (name, one), (other, two) in pairwise(zip(names, cells, strict=True))
    ]


def _trend(row: pd.DataFrame, along: str) -> _Compared:
    """Of the hit rate along the logarithm of a column."""
    at = np.log(row[along].to_numpy(float))
    return _of(row, at - at.mean())


def _of(units: pd.DataFrame, second: NDArray[np.float64]) -> _Compared:
    night = pd.factorize(units["night"].astype(str))[0].astype(np.intp)
    keep, judged = units["keep"].to_numpy(float), units["judged"].to_numpy(float)
    return _Compared(contrast(keep, judged, night, second), int(night.max()) + 1, int(judged.sum()))


def _difference_words(kind: str, one: _Compared) -> str:
    """In points of the hit rate, or what would settle it."""
    found = one.contrast
    _, low, high = found.gain()
    clear = low > 0 or high < 0
    if kind == "trend":
        way = "falls" if found.step < 0 else "rises"
        return f"{way} along it" if clear else "neither clearly falls nor rises"
    first, second = found.rates()
    points = f"{second:.0%} against {first:.0%} ({100 * low:+.0f} to {100 * high:+.0f} points)"
    return points if clear else f"{points}; {settling_words(found, one.nights, one.judged)}"


def costs(frames: pd.DataFrame) -> pd.DataFrame:
    """Frames and minutes that each cause took, and how many it took alone."""
    lost = frames[frames["verdict"] != "keep"]
    alone = (lost["share"] >= ALONE).astype(int)
    minutes = lost["exposure_s"].fillna(0) / 60
    table = (
        pd.DataFrame(
            {
                "cause": lost["cause"].astype(str).replace("", "unexplained"),
                "frames": 1,
                "doubtful": (lost["verdict"] == "doubtful").astype(int),
                "minutes": minutes,
                "alone": alone,
                "alone_minutes": minutes * alone,
            }
        )
        .groupby("cause")
        .sum()
        .sort_values(["minutes", "frames"], ascending=False)
        .reset_index()
    )
    table["mend"] = [cause_of(name).remedy for name in table["cause"]]
    table["gear"] = [cause_of(name).gear for name in table["cause"]]
    return table


def best_remedy(table: pd.DataFrame) -> dict[str, object] | None:
    """The row of the cause whose remedy surely saves the most minutes; None without one."""
    with_remedy = table[(table["mend"] != "") & (table["alone_minutes"] > 0)]
    if with_remedy.empty:
        return None
    best = with_remedy.sort_values("alone_minutes", ascending=False).to_dict("records")[0]
    return {str(name): value for name, value in best.items()}
