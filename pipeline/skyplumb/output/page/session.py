"""A judged session -> the page a person reads.

`session_page` makes plain data that a test can read, `render` fills the templates
of `reports/` with it. Every count on the page is counted from the frames themselves; only what
the frames cannot tell (intervals, the mount, the remedies) is taken from the summary.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from skyplumb import __version__
from skyplumb.causes import CAUSES
from skyplumb.columns import FrameRow
from skyplumb.digits import duration
from skyplumb.output.page import figures
from skyplumb.output.page.frames import (
    for_script,
    frame_row,
    set_times,
)
from skyplumb.output.page.mosaics import mosaics
from skyplumb.output.page.mounts import setups_of
from skyplumb.output.page.pictures import BESIDE_FROM, NOTHING, pictures_of
from skyplumb.output.page.render import fill_template
from skyplumb.output.page.totals import (
    advice,
    aside,
    clock_ahead_s,
    clock_note,
    count,
    evening,
    in_order,
    losses,
    run_card,
    spells,
    told_of,
)
from skyplumb.output.page.what_if import (
    limits_of,
    limits_tried,
    sun_and_moon,
    taking_the_doubtful,
    unlocated,
)
from skyplumb.output.page.words import (
    GLOSSARY,
    HEAD_FIGURES,
    MARKS,
    MORE_FIGURES,
    NIGHT,
    RULE_WORDS,
)
from skyplumb.output.paths import listed_path
from skyplumb.output.result import Live, SessionResult
from skyplumb.plain import visible
from skyplumb.records import VERDICTS

Plain = dict[str, Any]

SCRIPTS = (
    *("page-tools.js", "page-charts.js", "page-verdicts.js", "page-frames.js"),
    "page-limits.js",
)
"""The page's own script, in the order in which its parts need each other."""


def session_page(
    result: SessionResult,
    card: Path | None = None,
    live: Live | None = None,
    shared: bool = False,
) -> Plain:
    """Everything the page shows, as texts, numbers and lists; what is not known is None.

    Parameters
    ----------
    result : SessionResult
        The judged session.
    card : Path, optional
        The audited folder, from which the page makes the paths of its corrected list.
    live : Live, optional
        What a page shows besides while frames still arrive.
    shared : bool
        Whether it lies by itself: no links to files beside it, no pictures there.

    Returns
    -------
    dict
        Its `beside` holds the files that belong beside the page, name to bytes.
    """
    judged = [row for row in result.rows if _is_judged(row)]
    runs = in_order((row.run for row in judged), result.summary)
    rows, beside = _rows(judged, runs, result, shared)
    axis = set_times(rows)
    cards = [run_card(run, place, rows, result.summary) for place, run in enumerate(runs, 1)]
    setups = setups_of(
        [
            (
                one["title"],
                one["judged"],
                told_of(one["run"], result.summary).mount,
                {loss["cause"] for loss in one["losses"]},
            )
            for one in cards
        ]
    )
    return {
        "session": result.session,
        "version": __version__,
        "shared": shared,
        "live": asdict(live) if live is not None else None,
        "cameras": list(dict.fromkeys(filter(None, (_shown(row.camera) for row in result.rows)))),
        "evening": evening(rows),
        "clock_note": clock_note(rows),
        "notices": [*result.notices, *unlocated(cards)],
        "changed": result.summary.changed_verdicts,
        "changed_by": result.summary.changed_by,
        "limits": limits_tried(result.summary),
        "doubtful_words": [words for card in cards if (words := taking_the_doubtful(card))],
        **count(rows),
        "by_hand": sum(row["decided_by"] == "person" for row in rows),
        "losses": losses(rows),
        "advice": advice(result.summary.advice),
        "setups": setups,
        "mosaics": mosaics(result.panels, clock_ahead_s(rows)),
        "runs": cards,
        "frames": rows,
        "causes_met": sorted({row["cause"] for row in rows if row["cause"]}),
        "aside": aside(row for row in result.rows if not _is_judged(row)),
        "time_axis": axis,
        "beside": beside,
        "data": {
            "session": result.session,
            "store": _store_name(result.session, card),
            "root": listed_path(card, "x")[:-2] if card else "",
            "separator": listed_path(card, "x")[-2] if card else "/",
            "time_axis": axis,
            "frames": for_script(rows, runs),
            "spells": spells(rows),
            "runs": [
                {key: one[key] for key in ("id", "run", "number", "title", "lens", "picture")}
                | {"limits": limits_of(told_of(one["run"], result.summary))}
                for one in cards
            ],
            "rules": result.rules,
            "rule_words": RULE_WORDS,
            "limits": limits_tried(result.summary),
            "sky": sun_and_moon(result.summary, rows, axis),
            "axes": [setup["axis"] for setup in setups],
            "night": [panel._asdict() for panel in NIGHT],
            "head": [one._asdict() for one in HEAD_FIGURES],
            "more": [one._asdict() for one in MORE_FIGURES],
            "causes": {row.name: (row.label, row.words) for row in CAUSES.values()},
            "marks": MARKS,
        },
    }


def render(page: Plain) -> str:
    """The page as one HTML file that asks for nothing but the pictures beside it."""
    return fill_template(
        "session.html",
        page,
        SCRIPTS,
        {
            "figure": figures.figure,
            "setting": figures.setting,
            "duration": duration,
            "visible": visible,
            "percent": figures.percent,
        },
        {
            "with_sigma": figures.with_sigma,
            "CAUSES": CAUSES,
            "GLOSSARY": GLOSSARY,
            "MARKS": MARKS,
            "VERDICTS": VERDICTS,
            "HEAD": HEAD_FIGURES,
        },
    )


def _rows(
    judged: Sequence[FrameRow], runs: list[str], result: SessionResult, alone: bool
) -> tuple[list[Plain], dict[str, bytes]]:
    """The judged frames, and the strips that are files of their own."""
    files = {run: [row.file for row in judged if row.run == run] for run in runs}
    pictures = result.pictures or pictures_of(files, result.crops, result.fields)
    many = len(judged) >= BESIDE_FROM
    if many and alone:  # within the page they would be too much for a browser
        pictures = {}
    rows, beside = [], {}
    for shot in judged:
        row, strip = frame_row(shot, pictures.get(shot.file, NOTHING), many)
        rows.append(row)
        if strip:
            beside[row["strip"]["uri"]] = strip
    return rows, beside


def _is_judged(row: FrameRow) -> bool:
    return row.kind == "light" and row.verdict in VERDICTS


def _shown(value: object) -> str:
    return visible(figures.words(value))


def _store_name(session: str, card: Path | None) -> str:
    """Under what name a browser keeps the changes: one for each session of each card."""
    place = str(card.absolute()) if card else ""
    told = hashlib.blake2b(place.encode("utf-8", "replace"), digest_size=6).hexdigest()
    return f"skyplumb {session} {told}"
