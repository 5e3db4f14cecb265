"""Outputs of earlier audits, as `--history` names them -> what each lens is known to give: how
sharp it is, and how much light it lets through."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from skyplumb.errors import UserError
from skyplumb.judge.focus import FocusKey, KnownWidth, keep_sharpest, key_of
from skyplumb.judge.zero_points import KnownZero, ZeroKey, keep_clearest, key_of_shot
from skyplumb.output.paths import is_folder
from skyplumb.records import ShotInfo
from skyplumb.summary import RunSummary, SessionSummary, read_summary

WANTED = "give a folder that `audit --out` wrote, or one that holds such folders"


@dataclass(frozen=True, slots=True)
class EarlierWidth:
    """How sharp one lens was in one earlier session."""

    session: str
    key: FocusKey
    known: KnownWidth


@dataclass(frozen=True, slots=True)
class EarlierZero:
    """How much light one lens let through in one earlier session."""

    session: str
    key: ZeroKey
    known: KnownZero


@dataclass(frozen=True, slots=True)
class History:
    """What is known of lenses from earlier sessions."""

    widths: tuple[EarlierWidth, ...] = ()
    zeros: tuple[EarlierZero, ...] = ()


def read_history(folders: Sequence[Path]) -> History:
    """Every lens of every session in some folders, in an order that hangs on neither their names
    nor their places.

    Raises
    ------
    UserError
        One line for a folder without an audited session, or a summary that cannot be read.
    """
    found, zeros = [], []
    for summary in _summaries(folders):
        try:
            sessions = read_summary(summary)
        except (OSError, ValueError) as error:
            raise UserError(
                f"{summary}: cannot be read ({error}); audit that card again, or leave it out of "
                "--history"
            ) from None
        for session in sessions:
            for run in session.runs:
                where = night_words(session)
                key = _key_of(session, run)
                if key is not None and run.focus_fwhm_px > 0:
                    known = KnownWidth(run.focus_fwhm_px, where)
                    found.append(EarlierWidth(session.session, key, known))
                zero_key = key_of_shot(_info(session, run), (run.width_px, run.height_px))
                if zero_key is not None and np.isfinite(run.zero_mag):
                    zero = KnownZero(run.zero_mag, where)
                    zeros.append(EarlierZero(session.session, zero_key, zero))
    return History(
        tuple(sorted(found, key=lambda one: (one.known.fwhm_px, one.known.where, one.session))),
        tuple(sorted(zeros, key=lambda one: (-one.known.zero_mag, one.known.where, one.session))),
    )


def sharpest(earlier: Iterable[EarlierWidth], without: Set[str]) -> dict[FocusKey, KnownWidth]:
    """The sharpest of each lens in all sessions but some, which are judged now."""
    known: dict[FocusKey, KnownWidth] = {}
    for one in earlier:
        if one.session not in without:
            keep_sharpest(known, one.key, one.known)
    return known


def clearest(earlier: Iterable[EarlierZero], without: Set[str]) -> dict[ZeroKey, KnownZero]:
    """The most light that each lens let through in all sessions but some, which are judged now."""
    known: dict[ZeroKey, KnownZero] = {}
    for one in earlier:
        if one.session not in without:
            keep_clearest(known, one.key, one.known)
    return known


def night_words(session: SessionSummary) -> str:
    """Such as "on 2026-08-14"."""
    dated = session.evening and session.evening[:1].isdigit()
    return f"on {session.evening}" if dated else f"in session {session.session}"


def _key_of(session: SessionSummary, run: RunSummary) -> FocusKey | None:
    size = (run.width_px, run.height_px)
    return key_of(_info(session, run), size) if np.isfinite(run.focus_fwhm_px) else None


def _info(session: SessionSummary, run: RunSummary) -> ShotInfo:
    return ShotInfo(
        camera=run.camera,
        serial=session.serial,
        lens=run.lens,
        focal_mm=run.focal_mm,
        fnumber=run.aperture,
        iso=run.iso,
        filter_name=run.filter,
        gain=run.gain,
    )


def _summaries(folders: Sequence[Path]) -> list[Path]:
    """Of each session once: in the folders, in what they hold, and in what that holds."""
    found: dict[Path, None] = {}
    for folder in folders:
        if not is_folder(folder):
            raise UserError(f"{folder}: is not a folder; {WANTED} to --history")
        inside = [
            path
            for level in ("", "*/", "*/*/")
            for path in folder.glob(f"{level}summary.json")
            if (path.parent / "frames.csv").is_file()
        ]
        if not inside:
            raise UserError(f"{folder}: no audited session in it; {WANTED} to --history")
        found |= dict.fromkeys(path.resolve() for path in inside)
    return list(found)
