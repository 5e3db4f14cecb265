"""Night notes, metadata and a column that is asked for -> what makes a difference.

Each thing to compare by is held against the rest at equal image scale and exposure: a logistic
regression of keeping on log(exposure / scale) with a random effect of the night (`contrast`). The
difference is told in points of the hit rate at the cell of lens and exposure that both sides have
most of, with what each side lost to which cause, and where it is open, what would settle it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from skyplumb.causes import cause_of
from skyplumb.digits import counted, named
from skyplumb.errors import UserError
from skyplumb.season.contrast import SIGNIFICANT, Contrast, contrast, holm, settling_words
from skyplumb.season.sessions import Season, label_of

FEWEST_NIGHTS = 3
"""On each side."""
WIDE = 0.10
"""An interval that holds zero and reaches further than this hit rate says nothing."""
MOST_SIDES = 12
"""A column of more different words tells single frames apart, not kinds of them."""
SAME_SCALE = 0.15
"""Lenses whose image scales differ by more are not compared: exposure would be another's."""

BY = ("camera", "lens")
"""Columns of the runs that are compared besides the night notes."""

WORDS = {"payload_g": "payload, g"}


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
    """Of the hit rate at `where`; NaN where it was not fitted."""
    low: float
    high: float
    p: float
    """Two-sided chance of so much difference where there is none; NaN where it was not fitted."""
    words: str
    """better, worse, no difference seen, may be chance, or not enough nights to tell."""
    where: str = ""
    """Lens and exposure that the rates and the gain are told for."""
    rates: tuple[float, float] = (np.nan, np.nan)
    """By the fit, there, the mean over nights."""
    losses: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Share of judged frames lost to each cause, on each side, at equal scale and exposure."""
    sentence: str = ""

    @property
    def open(self) -> bool:
        """Whether it is neither shown nor shown to be small."""
        return self.words not in ("better", "worse", "no difference seen")


def effects(frames: pd.DataFrame, runs: pd.DataFrame, by: str = "") -> list[Effect]:
    """Compare by everything that the notes tell and that differs between runs.

    Parameters
    ----------
    by : str
        A column of the frames or a key of the notes; that alone is compared then.
    """
    ours = frames[~frames["excluded"]]
    sides_of = pd.Series("", ours.index)
    if by in ours.columns:
        told = ours[by].astype(object).where(ours[by].astype(str) != "", None)
        sides_of = _sides(told).fillna("")
    lost = ours["verdict"] != "keep"
    cause = ours["cause"].astype(str) if "cause" in ours else pd.Series("", ours.index)
    table = (
        pd.DataFrame(
            {"keep": ~lost, "judged": 1, "run_id": ours["run_id"], "side": sides_of}
            | {f"lost {name}": lost & (cause == name) for name in sorted(set(cause[lost]))}
        )
        .groupby(["run_id", "side"])
        .sum()
        .reset_index("side")
        .join(runs)
        .reset_index()
    )
    table["x"] = np.log(table["setting_s"] / table["scale_arcsec_px"])
    table = table[np.isfinite(table["x"])]
    found: list[Effect] = []
    for thing, sides in _things(table, by).items():
        known = sides.notna() & (sides != "")
        levels = sides[known].value_counts()
        if not 2 <= len(levels) <= (MOST_SIDES if by else len(sides)):
            continue
        against = str(table.loc[known, "judged"].groupby(sides[known]).sum().idxmax())
        for side in sorted(set(levels.index.astype(str)) - {against}):
            pair = table[known & sides.isin([side, against])]
            here = sides[pair.index] == side
            if thing == "lens" and not _alike(pair, here):
                continue
            found.append(_effect(thing, side, against, pair, here))
    return _correct_for_number(found)


def refuse_unknown(season: Season, by: str) -> None:
    """What is asked for should be a column of the frames, or something the night notes tell.

    Raises
    ------
    UserError
        If it is neither, or is the same everywhere.
    """
    told = {key for notes in season.runs["notes"] for key in notes}
    if by not in season.frames.columns and by not in told:
        known = f"; the notes tell {named(sorted(told))}" if told else ""
        raise UserError(f"--by {by}: is no column of frames.csv, and no night note tells it{known}")


def _things(table: pd.DataFrame, by: str) -> dict[str, pd.Series]:
    """What is compared, and the side of each row of the table."""
    keys = sorted({key for notes in table["notes"] for key in notes})
    if by:
        if by in keys:
            return {by: _sides(table["notes"].map(lambda notes: notes.get(by)))}
        return {by: table["side"]}
    things = {name: table[name].astype(str) for name in BY if name in table}
    for key in keys:
        things[key] = _sides(table["notes"].map(lambda notes, key=key: notes.get(key)))
    return things


def _alike(pair: pd.DataFrame, here: pd.Series) -> bool:
    """Whether two lenses have about one image scale."""
    log_scale = np.log(pair["scale_arcsec_px"])
    return bool(abs(log_scale[here].median() - log_scale[~here].median()) < SAME_SCALE)


def _correct_for_number(found: list[Effect]) -> list[Effect]:
    """Of many comparisons some come out by chance: their number corrects the words (Holm)."""
    fitted = [n for n, effect in enumerate(found) if np.isfinite(effect.p)]
    if not fitted:
        return found
    significant = holm([found[n].p for n in fitted]) <= SIGNIFICANT
    for n, clear in zip(fitted, significant, strict=True):
        if found[n].words in ("better", "worse") and not clear:
            words = f"may be chance, in {len(fitted)} comparisons"
            found[n] = replace(found[n], words=words, sentence=f"{found[n].sentence}: this {words}")
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
    told = Effect(
        *(word, side, against, nights, judged, rate, np.nan, np.nan, np.nan, np.nan),
        "not enough nights to tell",
        losses=_losses(pair, here),
    )
    if min(nights) < FEWEST_NIGHTS:
        more = FEWEST_NIGHTS - min(nights)
        sides = (
            "each side" if nights[0] == nights[1] else side if nights[0] < nights[1] else against
        )
        return replace(
            told,
            sentence=f"{side} against {against}: {counted(more, 'more night')} of {sides} at "
            "least before anything can be told",
        )
    cell, where = _common_cell(pair, here)
    x = pair["x"].to_numpy(float) - cell
    found = contrast(
        pair["keep"].to_numpy(float),
        pair["judged"].to_numpy(float),
        pd.factorize(pair["night"].astype(str))[0].astype(np.intp),
        here.to_numpy(float),
        x,
    )
    gain, low, high = found.gain()
    if low > 0 or high < 0:
        words = "better" if low > 0 else "worse"
    elif max(-low, high) > WIDE:
        words = "not enough nights to tell"
    else:
        words = "no difference seen"
    first, second = found.rates()
    told = replace(told, gain=gain, low=low, high=high, p=found.p, words=words, where=where)
    told = replace(told, rates=(second, first))
    return replace(told, sentence=_sentence(told, found))


def _common_cell(pair: pd.DataFrame, here: pd.Series) -> tuple[float, str]:
    """Where both sides have most frames: the logarithm of exposure over scale, and its name."""
    names = [
        f"{setting:.4g} s with {label_of(str(lens), float(focal))}"
        for lens, focal, setting in zip(
            pair["lens"], pair["focal_mm"], pair["setting_s"], strict=True
        )
    ]
    where = pd.Series(names, pair.index)
    common = _by_side(pair["judged"], where, here).min(axis=1)
    best = str(common.idxmax())
    if common[best] == 0:
        middle = float(np.average(pair["x"], weights=pair["judged"]))
        return middle, "the middle scale and exposure of both"
    return float(pair["x"][where == best].median()), best


def _losses(pair: pd.DataFrame, here: pd.Series) -> dict[str, tuple[float, float]]:
    """Share lost to each cause on both sides, cells of scale and exposure weighted alike."""
    cell = pair["x"].round(1)
    judged = _by_side(pair["judged"], cell, here)
    weight = judged.min(axis=1)
    if weight.sum() == 0:
        return {}
    told: dict[str, tuple[float, float]] = {}
    for name in (one for one in pair.columns if str(one).startswith("lost ")):
        share = (_by_side(pair[name], cell, here) / judged.where(judged > 0)).fillna(0.0)
        one, other = (float((share[side] * weight).sum() / weight.sum()) for side in (True, False))
        if max(one, other) > 0:
            told[str(name).removeprefix("lost ")] = (one, other)
    return dict(sorted(told.items(), key=lambda one: -abs(one[1][0] - one[1][1])))


def _by_side(values: pd.Series, cell: pd.Series, here: pd.Series) -> pd.DataFrame:
    """Sums by cell, a column a side."""
    table = values.astype(float).groupby([cell, here]).sum().unstack()
    return table.reindex(columns=[False, True]).fillna(0.0)


def _sentence(told: Effect, found: Contrast) -> str:
    """The comparison as somebody would say it."""
    here, there = (f"{rate:.0%}" for rate in told.rates)
    points = sorted((100 * told.low, 100 * told.high))
    spread = f"{points[0]:.0f} to {points[1]:.0f}"
    if told.words == "worse":
        spread = f"{-points[1]:.0f} to {-points[0]:.0f}"
    if told.words in ("better", "worse"):
        much = next(iter(told.losses), "")
        why = ""
        if much and (told.losses[much][0] < told.losses[much][1]) == (told.words == "better"):
            why = f", most of it {cause_of(much).label}"
        return (
            f"{told.side} holds {told.where} {told.words} than {told.against}: {here} against "
            f"{there} (difference {spread} points){why}"
        )
    seen = (
        f"{told.side} {here}, {told.against} {there} at {told.where} (difference {spread} points)"
    )
    if told.words == "no difference seen":
        return f"No difference worth {100 * WIDE:.0f} points: {seen}"
    return f"Open: {seen}; {settling_words(found, sum(told.nights), sum(told.judged))}"
