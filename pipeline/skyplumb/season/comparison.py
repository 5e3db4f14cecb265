"""Night notes and metadata -> what makes a difference at equal image scale and exposure.

Each thing to compare by is put into a logistic regression of keeping on log(exposure / scale)
with a random effect of the night: the odds between its two sides at equal scale x exposure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import t as student
from statsmodels.stats.multitest import multipletests

from skyplumb.season.mixed_model import LOGIT, Prior, fit_mixed

FEWEST_NIGHTS = 3
"""On each side."""
WIDE = 0.10
"""An interval that holds zero and reaches further than this hit rate says nothing."""
PRIORS = (Prior(1.0, 3.0), Prior(-0.5, 1.5), Prior(0.0, 2.5))
"""Log odds of keeping at the middle, their slope, and the difference."""

BY = ("camera",)
"""Columns of the runs that are compared besides the night notes."""

WORDS = {
    "payload_g": "payload, g",
    "alignment": "alignment",
    "ground": "ground",
    "wind": "wind",
    "counterweight": "counterweight",
    "tracker": "tracker",
    "camera": "camera",
}


@dataclass(frozen=True, slots=True)
class Effect:
    """One side of a comparison against the rest of it."""

    thing: str
    side: str
    against: str
    nights: tuple[int, int]
    judged: tuple[int, int]
    rate: tuple[float, float]
    """As counted, whatever the scale and exposure."""
    gain: float
    """Of the hit rate, at the season's middle scale x exposure; NaN where it was not fitted."""
    low: float
    high: float
    p: float
    """Two-sided chance of so much difference where there is none; NaN where it was not fitted."""
    words: str
    """better, worse, no difference seen, may be chance, or not enough nights to tell."""


def effects(frames: pd.DataFrame, runs: pd.DataFrame) -> list[Effect]:
    """Compare by everything that the notes tell and that differs between runs."""
    ours = frames[~frames["excluded"]]
    counts = pd.DataFrame(
        {"keep": ours["verdict"] == "keep", "judged": 1, "run_id": ours["run_id"]}
    )
    table = counts.groupby("run_id").sum().join(runs)
    table["x"] = np.log(table["setting_s"] / table["scale_arcsec_px"])
    table = table[np.isfinite(table["x"])]
    things: dict[str, pd.Series] = {name: table[name].astype(str) for name in BY}
    keys = sorted({key for notes in table["notes"] for key in notes})
    for key in keys:
        things[key] = _sides(table["notes"].map(lambda notes, key=key: notes.get(key)))
    found: list[Effect] = []
    for thing, sides in things.items():
        known = sides.notna() & (sides != "")
        levels = sides[known].value_counts()
        if len(levels) < 2:
            continue
        against = str(table.loc[known, "judged"].groupby(sides[known]).sum().idxmax())
        for side in sorted(set(levels.index.astype(str)) - {against}):
            pair = table[known & sides.isin([side, against])]
            found.append(_effect(thing, side, against, pair, sides[pair.index] == side))
    return _correct_for_number(found)


def _correct_for_number(found: list[Effect]) -> list[Effect]:
    """Of many comparisons some come out by chance: their number corrects the words (Holm)."""
    fitted = [n for n, effect in enumerate(found) if np.isfinite(effect.p)]
    if not fitted:
        return found
    significant = multipletests([found[n].p for n in fitted], 0.05, "holm")[0]
    for n, clear in zip(fitted, significant, strict=True):
        if found[n].words in ("better", "worse") and not clear:
            found[n] = replace(found[n], words=f"may be chance, in {len(fitted)} comparisons")
    return found


def _sides(values: pd.Series) -> pd.Series:
    """Texts as they are; numbers of many values as the lower and the upper half."""
    told = values.dropna()
    number = told.map(lambda v: isinstance(v, int | float) and not isinstance(v, bool)).all()
    if not number or told.nunique() <= 2:
        return values.map(lambda v: None if v is None or v != v else _word(v))
    middle = float(told.drop_duplicates().astype(float).median())
    return values.map(
        lambda v: (
            None
            if v is None or v != v
            else f"over {middle:g}"
            if v > middle
            else f"up to {middle:g}"
        )
    )


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _effect(thing: str, side: str, against: str, pair: pd.DataFrame, here: pd.Series) -> Effect:
    """Fit one comparison."""
    one, other = pair[here], pair[~here]
    nights = (one["night"].nunique(), other["night"].nunique())
    judged = (int(one["judged"].sum()), int(other["judged"].sum()))
    rate = (one["keep"].sum() / judged[0], other["keep"].sum() / judged[1])
    word = WORDS.get(thing, thing.removeprefix("tags."))

    def told(gain: float, low: float, high: float, p: float, words: str) -> Effect:
        return Effect(word, side, against, nights, judged, rate, gain, low, high, p, words)

    if min(nights) < FEWEST_NIGHTS:
        return told(np.nan, np.nan, np.nan, np.nan, "not enough nights to tell")
    x = pair["x"].to_numpy(float)
    x = x - np.average(x, weights=pair["judged"])
    night = pd.factorize(pair["night"].astype(str))[0].astype(np.intp)
    design = np.stack([np.ones_like(x), x, here.to_numpy(float)], axis=1)
    fit = fit_mixed(
        LOGIT,
        pair["keep"].to_numpy(float),
        pair["judged"].to_numpy(float),
        design,
        night,
        PRIORS,
    )
    sigma = float(np.sqrt(fit.covariance[2, 2]))
    spare = max(fit.nights - 2, 1)
    reach = student.ppf(0.975, spare) * sigma
    base, step = fit.params[0], fit.params[2]
    p = float(2 * student.sf(abs(step) / sigma, spare))
    gain, low, high = (
        float(expit(base + at) - expit(base)) for at in (step, step - reach, step + reach)
    )
    if low > 0 or high < 0:
        words = "better" if low > 0 else "worse"
    elif max(-low, high) > WIDE:
        words = "not enough nights to tell"
    else:
        words = "no difference seen"
    return told(gain, low, high, p, words)
