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
from scipy.stats import fisher_exact
from statsmodels.stats.contingency_tables import Table
from statsmodels.stats.multitest import multipletests

from skyplumb.causes import cause_of
from skyplumb.intervals import CONFIDENCE, binomial_interval
from skyplumb.records import VERDICTS
from skyplumb.season.sessions import Season, label_of

INTERVALS: tuple[Literal["wilson", "exact"], ...] = ("wilson", "exact")
ALONE = 0.9
"""A cause that explains this share of a loss is alone at fault."""

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
    """fisher (two cells) or trend (along exposure or focal length)."""
    p: float
    p_corrected: float
    """After Holm's correction for all comparisons of the tally."""

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
    return Tally(
        count_by(frames, ()),
        groups,
        significant_differences(groups["lens and exposure"], frames),
        costs(frames),
    )


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
        exposure, which add no time).
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
    if keys:
        by = [frames[key] for key in keys]
        grouped = each.groupby(by, observed=True, dropna=False, sort=True)
        table = grouped.sum().reset_index()
        nights = frames["night"].groupby(by, observed=True, dropna=False, sort=True).nunique()
        table["nights"] = nights.to_numpy()
    else:
        table = each.sum().to_frame().T
        table["nights"] = frames["night"].nunique()
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


def significant_differences(cells: pd.DataFrame, frames: pd.DataFrame) -> tuple[Difference, ...]:
    """Every comparison of neighbouring cells and every trend, corrected for their number.

    Frames of one night are not independent, which these tests take them for: what they find
    different may be two nights rather than two settings, so cells of a single night that differ
    are only as good as that night.
    """
    focal = frames.groupby("lens_label", observed=True)["focal_mm"].median()
    cells = cells[(cells["judged"] > 0) & cells["setting_s"].notna()].assign(
        focal=lambda table: table["lens_label"].map(focal).astype(float)
    )
    found: list[tuple[str, str, float]] = []
    for lens, row in cells.groupby("lens_label", observed=True):
        ladder = row.sort_values("setting_s")
        found += _ladder(ladder, [f"{lens}, {t:.4g} s" for t in ladder["setting_s"]])
        if len(ladder) > 2:
            found.append((f"{lens}: along exposure", "trend", trend_p(ladder, "setting_s")))
    for setting, column in cells[cells["focal"].notna()].groupby("setting_s"):
        ladder = column.sort_values(["focal", "lens_label"])
        found += _ladder(ladder, [f"{lens}, {setting:.4g} s" for lens in ladder["lens_label"]])
        if ladder["focal"].nunique() > 2:
            what = f"{setting:.4g} s: along focal length"
            found.append((what, "trend", trend_p(ladder, "focal")))
    if not found:
        return ()
    corrected = multipletests([p for _, _, p in found], method="holm")[1]
    return tuple(
        Difference(what, kind, float(p), float(holm))
        for (what, kind, p), holm in zip(found, corrected, strict=True)
    )


def _ladder(row: pd.DataFrame, names: Sequence[str]) -> list[tuple[str, str, float]]:
    """Fisher's exact test between each cell and the next."""
    counts = list(zip(row["keep"], row["judged"] - row["keep"], strict=True))
    return [
        (f"{a[0]} against {b[0]}", "fisher", float(fisher_exact([a[1], b[1]])[1]))
        for a, b in pairwise(zip(names, counts, strict=True))
    ]


def trend_p(row: pd.DataFrame, along: str) -> float:
    """Cochran-Armitage test for a trend of the hit rate along the logarithm of a column.

    statsmodels divides by the variance of a permutation, which is n/(n-1) times the textbook's.
    """
    counts = np.stack([row["keep"], row["judged"] - row["keep"]], axis=1)
    if (counts.sum(axis=0) == 0).any():
        return 1.0
    found = Table(counts, shift_zeros=False).test_ordinal_association(
        np.log(row[along].to_numpy(float)), np.array([1, 0])
    )
    return float(found.pvalue)


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
