"""One audited session, for a program: what its folder holds as records and a table."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from skyplumb import version_0_1
from skyplumb.columns import COLUMNS
from skyplumb.errors import UserError
from skyplumb.records import NAN
from skyplumb.summary import SessionSummary, read_summary, read_table


@dataclass(frozen=True, slots=True)
class AuditedSession:
    """What an audit wrote about one night of one camera."""

    folder: Path
    summary: SessionSummary
    """The records of summary.json; NaN where unknown."""
    frames: pd.DataFrame
    """One row a file, with the columns of frames.csv: numbers as float64 (NaN unknown), words as
    str (empty unknown)."""
    units: MappingProxyType[str, str]
    """Unit of each column, empty for words and plain numbers."""


def read_session(folder: Path | str) -> AuditedSession:
    """What an audit wrote into a session's folder; of version 0.1 too, under today's names.

    Parameters
    ----------
    folder : path
        Such as `demo-audit/2026-08-14-orvane-n6`.

    Raises
    ------
    UserError
        If it holds no audited session, in one line with the mend.
    """
    place = Path(folder)
    try:
        (summary,) = read_summary(place / "summary.json")
        words = {one.name: "str" for one in COLUMNS.values() if not one.numeric}
        numbers = {one.name: "float64" for one in COLUMNS.values() if one.numeric}
        numbers |= dict.fromkeys(version_0_1.COLUMNS, "float64")
        frames = pd.read_csv(
            io.BytesIO(read_table(place / "frames.csv", summary)), dtype=words | numbers,
            keep_default_na=False, na_values={name: [""] for name in numbers},
        )  # fmt: skip
    except (OSError, ValueError) as error:
        raise UserError(
            f"{place}: no audited session ({error}); give a folder that holds frames.csv and "
            "summary.json, such as audit wrote"
        ) from None
    return AuditedSession(
        place,
        summary,
        _with_all_columns(version_0_1.todays_frames(frames)),
        MappingProxyType({one.name: one.unit for one in COLUMNS.values()}),
    )


def _with_all_columns(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with every column of today, unknown where an earlier audit did not write it."""
    missing = [one for one in COLUMNS.values() if one.name not in frames]
    return frames.assign(**{one.name: NAN if one.numeric else "" for one in missing})
