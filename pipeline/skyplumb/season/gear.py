"""Audited sessions -> the files and the forecast that say what the gear can hold."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from skyplumb.measure.workers import cores
from skyplumb.output.index import SEASON, link_season
from skyplumb.output.paths import refuse_no_folder, write_atomic
from skyplumb.plain import plain
from skyplumb.season.comparison import Effect, effects, refuse_unknown
from skyplumb.season.cross_validation import model_of
from skyplumb.season.forecast import Ask, Forecast, predict
from skyplumb.season.gear_page import facts, gear_page, render, table
from skyplumb.season.lens_page import lens_facts, lens_table, render_lenses
from skyplumb.season.lenses import season_lenses
from skyplumb.season.plan import Plan, PlanAsk, plan
from skyplumb.season.rig_model import counts_of
from skyplumb.season.sessions import read_season
from skyplumb.season.tally import tally
from skyplumb.season.tracker import placements, trends
from skyplumb.season.tracker_page import tracker_facts, tracker_page, tracker_table


@dataclass(frozen=True, slots=True)
class Written:
    """What was done."""

    page: Path
    sessions: int
    judged: int
    keep: int
    why_no_model: str
    notices: tuple[str, ...]
    compared: tuple[str, ...] = ()
    """What the comparison that was asked for says."""


def write_tally(folders: Sequence[Path], out: Path, cluster: str = "", by: str = "") -> Written:
    """Count the sessions under `folders` into `out`/tally.csv, tally.json and tally.html, and what
    they tell of the lenses into lens.csv and lenses.html, of the tracker into tracker.csv.

    Where `out` is an audit's output or a folder in it, the index there leads to the page.

    `cluster` is the address of a Dask scheduler whose workers see the folders, or `local`; `by`
    a column of frames.csv or a key of the night notes whose values are compared.
    """
    refuse_no_folder(out, "--out")
    with ExitStack() as stack:
        workers = None
        if cluster:
            from skyplumb.measure.cluster import ClusterWorkers

            workers = ClusterWorkers(cluster, cores())
            stack.callback(workers.stop)
        season = read_season(folders, workers, by)
    if by:
        refuse_unknown(season, by)
    counted = tally(season)
    model = model_of(counts_of(season.frames, season.runs))
    compared = effects(season.frames, season.runs, by)
    lenses = season_lenses(season.lenses)
    placed = placements(season)
    found = trends(placed)
    all_facts = facts(season, counted, model, compared)
    all_facts |= {"lenses": lens_facts(lenses), "tracker": tracker_facts(placed, found)}
    told = json.dumps(plain(all_facts), indent=1, ensure_ascii=False)
    write_atomic(out / "tally.json", told.encode() + b"\n")
    write_atomic(out / "tally.csv", table(counted).to_csv(index=False).encode())
    if lenses:
        write_atomic(out / "lens.csv", lens_table(lenses).to_csv(index=False).encode())
        write_atomic(out / "lenses.html", render_lenses(lenses).encode())
    if len(placed):
        write_atomic(out / "tracker.csv", tracker_table(placed).to_csv(index=False).encode())
    more = {"lenses": len(lenses), "tracker": tracker_page(placed, found)}
    page = out / SEASON
    write_atomic(page, render(gear_page(season, counted, model, compared) | more).encode())
    link_season(page)
    total = counted.total.iloc[0]
    return Written(
        page,
        season.sessions,
        int(total["judged"]),
        int(total["keep"]),
        model.why_not,
        season.notices,
        _asked(compared, by) if by else (),
    )


def _asked(compared: Sequence[Effect], by: str) -> tuple[str, ...]:
    """The sentences of the comparison that was asked for, or that there is none."""
    alike = f"{by}: the same in all frames, or not two to twelve kinds of them; nothing to compare"
    return tuple(one.sentence for one in compared) or (alike,)


def forecast_from(folders: Sequence[Path], ask: Ask) -> Forecast:
    """Forecast from the sessions under `folders`."""
    season = read_season(folders)
    return predict(season, model_of(counts_of(season.frames, season.runs)), ask)


def plan_from(folders: Sequence[Path], ask: PlanAsk) -> Plan:
    """Plan a night from the sessions under `folders`."""
    season = read_season(folders)
    return plan(season, model_of(counts_of(season.frames, season.runs)), ask)
