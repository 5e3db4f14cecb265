"""Lay a judged session down as files: table, lists, summary, page, links and sidecars.

Everything is written beside its final name and moved into place, so that a reader
never meets half a file. The card is only read from: a target that lies on it is refused.
Paths in `stackable.txt` and `summary.json` are exact; `frames_csv` guards those in the table.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from skyplumb.columns import FrameRow
from skyplumb.output.calibration_frames import Library
from skyplumb.output.earlier import against_earlier
from skyplumb.output.frames_csv import csv_metadata, frames_csv
from skyplumb.output.index import Row, row_of
from skyplumb.output.links import link_frames
from skyplumb.output.made import LEDGER, lay_down
from skyplumb.output.page.session import render, session_page
from skyplumb.output.page.shared import without_place
from skyplumb.output.panels import panels_csv
from skyplumb.output.paths import (
    file_names,
    listed_path,
    one_name,
    refuse_card,
    refuse_links,
    remove,
    write_atomic,
)
from skyplumb.output.place import MARK, mark_of, session_folder, write_mark
from skyplumb.output.result import Live, SessionResult
from skyplumb.output.xmp import write_xmp, write_xmp_beside
from skyplumb.plain import visible
from skyplumb.summary import SessionSummary, summary_json, table_digest


@dataclass(frozen=True, slots=True)
class Targets:
    """Where the files of a session go."""

    out: Path
    """The folder given by `--out`; made if missing. Must not lie on the card."""
    link_into: Path | None = None
    """Where to lay out the frames to stack, see `link_frames`."""
    xmp: bool = False
    """Whether to write XMP sidecars, see `write_xmp`."""
    xmp_beside: Path | None = None
    """A copy of the card that gets sidecars, see `write_xmp_beside`."""
    share: bool = False
    """Whether to write a page to give away, see `page/shared.py`."""
    root: Path | None = None
    """Where the lists say that the card is; where it was audited if None."""


@dataclass(frozen=True, slots=True)
class WrittenSession:
    """What was written of a session."""

    folder: Path
    summary: SessionSummary
    """As it was written."""
    row: Row
    """On the page over all sessions."""
    told: tuple[str, ...] = ()
    """What a person may like to know, a line each."""


def write_session(
    result: SessionResult,
    targets: Targets,
    card: Path,
    calibration: Sequence[FrameRow] = (),
    libraries: Sequence[Library] = (),
) -> WrittenSession:
    """Write all files of one session.

    They go to `out`/<session>, with a number behind it where that belongs to another card (see
    `output/place.py`): no audit takes another one's place. What fails is said after everything
    else was written.

    Parameters
    ----------
    result : SessionResult
        The judged session.
    targets : Targets
    card : Path
        The audited folder; `file` in the rows is relative to it.
    calibration : sequence of FrameRow
        Darks, flats and bias of the card's other sessions, to be laid out where they fit.
    libraries : sequence of Library
        Those beside the card, for runs of which it has none.

    Raises
    ------
    UserError
        If a target lies on the card, the disk is full or may not be written to, something that
        is not ours is in the way.
    """
    rows = result.rows
    mark = mark_of(rows, card)
    folder = session_folder(targets.out, one_name(result.session), mark)
    refuse_card(folder, card, "--out")
    refuse_links(folder / MARK, targets.out)
    write_mark(folder, mark)
    result = replace(result, summary=against_earlier(folder, result.summary))
    table = frames_csv(rows).encode("utf-8", "backslashreplace")
    write_atomic(folder / "frames.csv", table)
    write_atomic(folder / "frames.csv-metadata.json", csv_metadata("frames.csv").encode("utf-8"))
    told: list[str] = []
    failures: list[Exception] = []
    notices = list(result.notices)

    def attempt(task: Callable[[], str | None]) -> None:
        try:
            told.extend(filter(None, [task()]))
        except Exception as failure:
            # Raised again below, when whatever else can be written is.
            failures.append(failure)

    def lists() -> None:
        unlisted = _write_lists(folder, rows, targets.root or card)
        notices.extend([_line_break_notice(unlisted)] if unlisted else [])

    def sidecars() -> None:
        nameless = write_xmp(rows, folder / "xmp", card)
        notices.extend([_nameless_notice(nameless)] if nameless else [])

    def beside(copy: Path) -> str:
        return write_xmp_beside(rows, folder, copy, card).words()

    def links(into: Path) -> str:
        some = [*rows, *calibration]
        owner = str(folder.resolve())
        return link_frames(some, into / folder.name, card, owner, libraries).words()

    def summary() -> None:
        told = replace(result.summary, notices=tuple(notices))
        said = summary_json(replace(told, table_rows=len(rows), table_digest=table_digest(table)))
        write_atomic(folder / "summary.json", said.encode("utf-8"))

    def page() -> None:
        _write_page(folder, replace(result, notices=tuple(notices)), targets.root or card)

    def panels() -> None:
        told = panels_csv(result.panels).encode("utf-8", "backslashreplace")
        lay_down(folder, "panels", {"panels.csv": told} if result.panels else {})

    def share() -> None:
        made = {}
        if targets.share:
            page = render(session_page(without_place(result, card), shared=True))
            made["report-share.html"] = page.encode("utf-8", "backslashreplace")
        lay_down(folder, "share", made)

    attempt(lists)
    attempt(panels)
    if targets.xmp:
        attempt(sidecars)
    attempt(summary)
    attempt(page)
    attempt(share)
    if targets.xmp_beside is not None:
        attempt(partial(beside, targets.xmp_beside))
    if targets.link_into is not None:
        attempt(partial(links, targets.link_into))
    if failures:
        raise failures[0]
    said = replace(result.summary, notices=tuple(notices))
    return WrittenSession(folder, said, row_of(said, folder.name), tuple(told))


def _write_lists(folder: Path, rows: Sequence[FrameRow], root: Path) -> list[str]:
    """Write stackable.txt and one list per run; answer the files no list can hold."""
    lights = [row for row in rows if row.kind == "light"]
    kept = [row for row in lights if row.verdict == "keep"]
    paths = {row.file: listed_path(root, row.file) for row in kept}
    # One path a line: a name with a line break in it would read as two other files.
    unlisted = [file for file, path in paths.items() if path.splitlines() != [path]]

    def content(files: Iterable[str]) -> bytes:
        return os.fsencode("".join(paths[file] + "\n" for file in files if file not in unlisted))

    lists = {"stackable.txt": content(paths)}
    for run, name in file_names(row.run for row in lights).items():
        mine = (row.file for row in kept if row.run == run)
        lists[f"stackable/{name}.txt"] = content(mine)
    lay_down(folder, "lists", lists)
    return unlisted


def write_live_page(result: SessionResult, targets: Targets, card: Path, live: Live) -> Path:
    """Write the page alone, while frames still arrive, and answer its folder.

    All else of an earlier audit stays as it was, so that the audit at the end finds what it would
    have found without.
    """
    mark = mark_of(result.rows, card)
    folder = session_folder(targets.out, one_name(result.session), mark)
    refuse_card(folder, card, "--out")
    refuse_links(folder / MARK, targets.out)
    write_mark(folder, mark)
    result = replace(result, summary=against_earlier(folder, result.summary))
    _write_page(folder, result, targets.root or card, live)
    return folder


def remove_live_page(folder: Path, out: Path) -> None:
    """Take away what `write_live_page` left of a session that the audit at the end does not have,
    such as one whose name followed from fewer frames."""
    if (folder / "frames.csv").exists():
        return
    lay_down(folder, "pictures", {})
    for name in ("report.html", MARK, LEDGER):
        if (folder / name).is_file():
            refuse_links(folder / name, out)
            remove(folder / name, out)


def _write_page(folder: Path, result: SessionResult, card: Path, live: Live | None = None) -> None:
    """Write report.html and the pictures beside it; pictures of an earlier call go away."""
    page = session_page(result, card, live)
    lay_down(folder, "pictures", page["beside"])
    write_atomic(folder / "report.html", render(page).encode("utf-8", "backslashreplace"))


def _line_break_notice(files: list[str]) -> str:
    """Words for kept frames that are missing from the lists."""
    names = ", ".join(visible(file) for file in files)
    return (
        f"Kept, but missing from stackable.txt because the path holds a line break: {names}. "
        "Rename and audit again."
    )


def _nameless_notice(files: list[str]) -> str:
    """Words for frames without a sidecar."""
    names = ", ".join(visible(file) for file in files)
    return (
        f"No sidecar for names so long that no ending fits behind them: {names}. "
        "Rename and audit again."
    )
