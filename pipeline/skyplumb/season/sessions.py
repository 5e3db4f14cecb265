"""What audits left behind -> the frames and runs of a season.

Read are `frames.csv` and `summary.json` of each session. A shot that was audited twice
counts once, with the verdict of the later audit; it is known by its camera, the time it was
taken, its file name and its exposure, whatever folder it lies in.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb import version_0_1
from skyplumb.causes import CAUSES
from skyplumb.columns import COLUMNS
from skyplumb.digits import counted
from skyplumb.errors import UserError
from skyplumb.findings import LensField
from skyplumb.intake.rules import load_rules
from skyplumb.intake.values import time
from skyplumb.judge.runs import SAME_EXPOSURE
from skyplumb.measure.workers import Here, Lost, Workers, run_all
from skyplumb.output.index import INDEX
from skyplumb.output.paths import is_folder
from skyplumb.plain import unguarded
from skyplumb.records import VERDICTS
from skyplumb.season.nights import Identity, nights_of, older_sessions
from skyplumb.summary import NOT_TOLD, RunSummary, SessionSummary, read_summary, read_table

ARCSEC_PER_RAD_UM_MM = 206.264806
"""Scale in arcsec/px is this times pixel pitch in um over focal length in mm."""

NOT_THE_GEAR = tuple(row.name for row in CAUSES.values() if not row.gear)
"""Causes that say nothing of tracker and lens: such frames are not counted."""

_COLUMNS = (
    *("file", "session", "run", "kind", "taken_camera", "taken_utc", "camera", "lens"),
    *("focal_mm", "exposure_s", "scale_arcsec_px", "dec_deg", "altitude_deg"),
    *("verdict", "cause", "aperture", "iso", "gain", "sky_level", "sky_noise"),
    "sky_mag_arcsec2",
)
_MAY_BE_MISSING = {
    *("altitude_deg", "aperture", "iso", "gain", "sky_level", "sky_noise", "sky_mag_arcsec2"),
}
_MOUNT = (
    "axis_total_error_arcmin",
    "axis_alt_error_arcmin",
    "axis_az_error_arcmin",
    "rate_error_ppm",
    "periodic_amplitude_arcsec",
    "periodic_period_s",
    "slip_arcsec_per_min",
)
_FIGURES = tuple(name for one in _MOUNT for name in (one, f"{one}_sigma"))
_RUN = (
    *("trail_limit_px", "tracked", "session", "setup", "temperature_c", "mount_frames"),
    "periodic_phase_deg",
)
_SITE = ("latitude_deg", "longitude_deg")


@dataclass(frozen=True, slots=True)
class NightLens:
    """What one audit found of one lens."""

    night: str
    session: str
    lens: LensField


@dataclass(frozen=True, slots=True)
class NightAir:
    """What one audit found of the air."""

    night: str
    extinction_mag_airmass: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Season:
    """All judged light frames of the sessions read."""

    frames: pd.DataFrame
    """A row per shot: `run_id` (into `runs`), `night` (see `nights`), `camera`, `lens`, `focal_mm`,
    `exposure_s` as measured, `setting_s` (exposures within 4 % are one setting), `verdict`,
    `cause`, `share` (of the loss that `cause` explains, 0..1, NaN unknown), `excluded` (lost
    to what is not the gear), `utc_s` (start, seconds since 1970, NaN unknown), `aperture`, `iso`,
    `gain`, `sky_level` and `sky_noise` (sample units; NaN unknown), `sky_mag_arcsec2`."""
    runs: pd.DataFrame
    """A row per run, `run_id` its index: `night`, `camera`, `lens`, `focal_mm`, `setting_s`,
    `scale_arcsec_px`, `dec_deg`, `altitude_deg`, `trail_limit_px` (longest trail that is kept;
    that of the shipped rules where an audit did not tell it), the mount fit's figures with their
    errors (NaN where it has none), its `setup`, `mount_frames` and `periodic_phase_deg`, the
    `session`, the sensor's `temperature_c`, `tracked` (false where the mount fit says that the
    drive did not follow the stars), `notes`, and the site's `latitude_deg` and `longitude_deg`
    (NaN unknown)."""
    sessions: int
    """Sessions read."""
    twice: int
    """Rows left out because the same shot was audited again."""
    notices: tuple[str, ...] = ()
    """What a reader must know of how nights were told."""
    lenses: tuple[NightLens, ...] = ()
    """What each session found of its lenses, the oldest audit first."""
    extinctions: tuple[NightAir, ...] = ()
    """What each session found of the air, where it did."""


def read_season(
    folders: Sequence[Path], workers: Workers | None = None, column: str = ""
) -> Season:
    """Read every session under `folders`.

    Parameters
    ----------
    folders : sequence of Path
        Folders that `audit --out` wrote, or single session folders in them.
    workers : Workers, optional
        Who read them, several at a time; this process if not given.
    column : str
        One more of frames.csv that is wanted; without it in the frames where it is none.

    Raises
    ------
    UserError
        Where a folder holds no session or a file of one cannot be understood.
    """
    told: list[_Read] = []
    found = [folder.absolute() for folder in _sessions(folders)]
    more = column if column in COLUMNS else ""
    parts = dict(run_all(partial(_read_session, more=more), found, workers or Here()))
    for number, folder in enumerate(found):
        part = parts[number]
        if isinstance(part, Lost):
            raise UserError(f"{folder}: could not be read ({part.words})")
        told.append(part)
    if not any(len(one.frames) for one in told):
        raise UserError(
            f"{', '.join(map(str, folders))}: no judged light frame in "
            f"{counted(len(found), 'audited session')}; audit a card with light frames first"
        )
    identities = [one.identity for one in told]
    nights = nights_of(identities)
    frames: list[pd.DataFrame] = []
    runs: list[dict[str, object]] = []
    # By night and session, so that no number hangs on when what was audited.
    for n in sorted(range(len(told)), key=lambda n: (nights[n], identities[n].session, n)):
        run_id = told[n].frames["run_id"] + len(runs)
        frames.append(told[n].frames.assign(run_id=run_id, night=nights[n], audited=n))
        runs += told[n].runs
    table = pd.concat([some for some in frames if len(some)], ignore_index=True)
    before = len(table)
    table = _once(table)
    table["setting_s"] = _settings(table["exposure_s"])
    for name in ("night", "camera", "lens", "verdict", "cause"):
        table[name] = table[name].astype("category")
    notices = tuple(filter(None, [older_sessions(identities)]))
    of_nights = [
        NightLens(night, part.identity.session, one)
        for night, part in zip(nights, told, strict=True)
        for one in part.lenses
    ]
    of_air = [
        NightAir(night, *part.air)
        for night, part in zip(nights, told, strict=True)
        if part.air[1] > 0
    ]
    run_table, twice = _run_table(runs, table), before - len(table)
    return Season(table, run_table, len(found), twice, notices, tuple(of_nights), tuple(of_air))


def label_of(lens: str, focal_mm: float) -> str:
    """A lens as people call it; one without a name goes by its focal length."""
    focal = f"{focal_mm:.4g} mm" if math.isfinite(focal_mm) else ""
    if not lens:
        return focal or "lens unknown"
    # A fixed lens has its focal length in its name; a zoom is one lens at each setting.
    return lens if not focal or f"{focal_mm:.4g}mm" in lens.replace(" ", "") else f"{lens}, {focal}"


def _sessions(folders: Sequence[Path]) -> list[Path]:
    """Session folders, the oldest audit first, so that a later one outranks it."""
    found: dict[Path, Path] = {}
    for folder in folders:
        if len(folders) > 1 and folder.name == INDEX and folder.is_file():
            continue  # a shell's OUT/* names the page over all sessions too
        if not is_folder(folder):
            raise UserError(f"{folder}: is not a folder; give what `audit --out` wrote")
        inside = [folder] if (folder / "frames.csv").is_file() else []
        for below in ("*/frames.csv", "*/*/frames.csv"):  # an output, or a folder of outputs
            inside += sorted(path.parent for path in folder.glob(below))
        if not inside:
            raise UserError(f"{folder}: no frames.csv in it; give what `audit --out` wrote")
        for one in inside:
            found.setdefault(one.resolve(), one)
    return sorted(found.values(), key=lambda one: ((one / "frames.csv").stat().st_mtime_ns, one))


_Cells = dict[str, list[Any]]


class _Read(NamedTuple):
    """What one session's folder tells."""

    frames: pd.DataFrame
    """Those that were judged."""
    runs: list[dict[str, object]]
    """Their facts, by `run_id`."""
    identity: Identity
    lenses: tuple[LensField, ...]
    air: tuple[float, float]
    """Its extinction and the error of that."""


def _read_session(folder: Path, more: str = "") -> _Read:
    summary = _read_summary(folder / "summary.json")
    cells = _read_frames(folder / "frames.csv", summary, more)
    identity = _identity(folder, summary, cells)
    names = {name: n for n, name in enumerate(dict.fromkeys(cells["run"]))}
    told = {run.run: run for run in summary.runs}
    causes = {frame.file: frame.causes for run in summary.runs for frame in run.frames}
    whose = list(zip(cells["file"], cells["verdict"], cells["cause"], strict=True))
    keep = (
        *("camera", "lens", "focal_mm", "exposure_s", "scale_arcsec_px"),
        *("dec_deg", "altitude_deg", "verdict", "cause"),
        *("aperture", "iso", "gain", "sky_level", "sky_noise", "sky_mag_arcsec2"),
    )
    wanted = [*keep, *([more] if more and more not in keep else [])]
    table = pd.DataFrame(
        {
            "run_id": [names[name] for name in cells["run"]],
            "serial": [summary.serial] * len(whose),
            "share": [causes.get(file, {}).get(cause, math.nan) for file, _, cause in whose],
            "excluded": [v != "keep" and cause in NOT_THE_GEAR for _, v, cause in whose],
            "utc_s": list(map(_seconds, cells["taken_utc"])),
            "shot": _shot_marks(cells, identity.session),
        }
        | {name: cells[name] for name in wanted}
    )
    place = {name: getattr(summary, name) for name in _SITE} | {"session": identity.session}
    facts = [_run_facts(told.get(name) or RunSummary(name)) | place for name in names]
    air = (summary.sky_extinction_mag_airmass, summary.sky_extinction_mag_airmass_sigma)
    return _Read(table, facts, identity, summary.lenses, air)


def _identity(folder: Path, summary: SessionSummary, cells: _Cells) -> Identity:
    """Which session it is: by its summary, else by its name, else by its frames' times."""
    place = folder.resolve()
    session = place.name
    if session.startswith("undated"):
        # Nothing says that two undated sessions are one night.
        session = f"{place.parent.name}/{session}"
    told = summary.evening != NOT_TOLD
    evening = summary.evening
    if not told:
        # Names of earlier versions, too, begin with the evening as that audit knew it.
        names = (summary.session, *cells["session"][:1])
        evening = next(filter(None, map(_evening_of, names)), None) or _evening_by_times(cells)
    return Identity(
        session,
        evening or "",
        summary.latitude_deg,
        summary.longitude_deg,
        len(cells["file"]),
        told,
    )


def _evening_by_times(cells: _Cells) -> str | None:
    """That of the middle frame by the camera's clock, else by UTC; None without any time."""
    for name in ("taken_camera", "taken_utc"):
        known = sorted(filter(None, map(time, cells[name])))
        if known:
            return (known[len(known) // 2] - timedelta(hours=12)).date().isoformat()
    return None


def _once(table: pd.DataFrame) -> pd.DataFrame:
    """Each shot once, by its latest audit; two bodies of one model are told by their serials."""
    known = table["serial"] != ""
    bodies = table[known].groupby("shot")["serial"].nunique()
    twins = table["shot"].isin(bodies.index[bodies > 1])
    body = table["serial"].where(twins, "")
    shots = pd.DataFrame({"shot": table["shot"], "body": body})
    again = shots.iloc[np.argsort(table["audited"], kind="stable")].duplicated(keep="last")
    return (
        table[~again.sort_index()]
        .drop(columns=["shot", "serial", "audited"])
        .reset_index(drop=True)
    )


def _read_frames(path: Path, summary: SessionSummary, more: str = "") -> _Cells:
    """The judged light frames of one frames.csv, a list of texts or numbers for each column."""
    columns = (*_COLUMNS, *([more] if more and more not in _COLUMNS else []))
    try:
        table = pd.read_csv(
            io.BytesIO(read_table(path, summary)),
            usecols=lambda name: name in columns,
            dtype=str,
            keep_default_na=False,
            encoding="utf-8",
        )
        for name in set(columns) - set(table.columns):
            if name not in _MAY_BE_MISSING and name != more:
                raise ValueError(f"no column {name}")
    except (ValueError, OSError, pd.errors.ParserError) as error:
        why = str(error).splitlines()[0]
        raise UserError(f"{path}: is not a table that audit wrote ({why}); audit again") from error
    judged = {frame.file for run in summary.runs for frame in run.frames}
    if missing := judged - set(table["file"].map(unguarded)):
        raise UserError(
            f"{path}: is cut: {counted(len(missing), 'frame')} of its summary.json are missing, "
            f"such as {min(missing)}; audit again"
        )
    light = (table["kind"] == "light") & table["verdict"].isin(VERDICTS)
    rows = np.flatnonzero(light.to_numpy(bool)).tolist()
    cells: _Cells = {}
    for name in columns:
        column = table[name].tolist() if name in table else [""] * len(table)
        if COLUMNS[name].numeric:
            try:
                cells[name] = [float(column[n]) if column[n] else math.nan for n in rows]
            except ValueError as error:
                raise UserError(f"{path}: {name}: {error}; audit again") from error
        else:
            cells[name] = [unguarded(column[n]) for n in rows]
    cells["cause"] = [version_0_1.CAUSES.get(cause, cause) for cause in cells["cause"]]
    return cells


def _read_summary(path: Path) -> SessionSummary:
    """The session of one summary.json; an empty one where it is missing."""
    try:
        return next(iter(read_summary(path)), SessionSummary(""))
    except FileNotFoundError:
        return SessionSummary("")
    except (OSError, ValueError) as error:
        raise UserError(
            f"{path}: is not a summary that audit wrote ({error}); audit again"
        ) from error


def _run_facts(told: RunSummary) -> dict[str, object]:
    """Mount figures and night notes of one run."""
    facts: dict[str, object] = {name: getattr(told.mount, name) for name in _FIGURES}
    limits = (
        told.limits.get("trail_px.keep_up_to", math.nan),
        told.limits.get("trail_of_fwhm.keep_up_to", math.nan) * told.best_fwhm_px,
    )
    facts["trail_limit_px"] = min((one for one in limits if one > 0), default=math.nan)
    facts["tracked"] = told.mount.rate_name not in ("not tracking", "half speed")
    facts["setup"], facts["mount_frames"] = told.mount.setup_number, told.mount.frames
    facts["periodic_phase_deg"] = told.mount.periodic_phase_deg
    facts["temperature_c"], facts["notes"] = told.temperature_c, told.notes
    return facts


def _shot_marks(cells: _Cells, session: str) -> NDArray[np.uint64]:
    """What makes a shot that shot, as one number each."""
    taken = [a or b for a, b in zip(cells["taken_camera"], cells["taken_utc"], strict=True)]
    # Without any time only the whole path in the same session is the same shot.
    names = [
        file.rpartition("/")[2] if when else f"{session}/{file}"
        for file, when in zip(cells["file"], taken, strict=True)
    ]
    exposure = map("{:.6g}".format, cells["exposure_s"])
    marks = [
        "\0".join(parts) for parts in zip(cells["camera"], taken, names, exposure, strict=True)
    ]
    hashed = pd.util.hash_array(np.array(marks, object), categorize=False)
    return np.asarray(hashed, np.uint64)


def _seconds(stamp: str) -> float:
    """ISO 8601 with Z as seconds since 1970; NaN for none."""
    try:
        when = datetime.fromisoformat(stamp)
    except ValueError:
        return math.nan
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _settings(exposure_s: pd.Series) -> pd.Series:
    """Exposures within 4 % of a setting's shortest one are that setting, told by their median."""
    known = np.sort(exposure_s.dropna().unique())
    groups: list[list[float]] = []
    for value in known:
        if groups and value <= groups[-1][0] * (1 + SAME_EXPOSURE):
            groups[-1].append(float(value))
        else:
            groups.append([float(value)])
    setting = {value: float(np.median(group)) for group in groups for value in group}
    return exposure_s.map(setting)


def _run_table(runs: Sequence[Mapping[str, object]], frames: pd.DataFrame) -> pd.DataFrame:
    """The facts of every run that still has frames, with a scale wherever one can be had."""
    facts = pd.DataFrame(runs, columns=[*_FIGURES, *_RUN, *_SITE, "notes"])
    grouped = frames.groupby("run_id", sort=True)
    table = grouped.agg(
        night=("night", "first"),
        camera=("camera", "first"),
        lens=("lens", "first"),
        focal_mm=("focal_mm", "median"),
        setting_s=("setting_s", "median"),
        scale_arcsec_px=("scale_arcsec_px", "median"),
        dec_deg=("dec_deg", "median"),
        altitude_deg=("altitude_deg", "median"),
    )
    table = table.join(facts)
    pitch = table["scale_arcsec_px"] * table["focal_mm"] / ARCSEC_PER_RAD_UM_MM
    table["pixel_um"] = pitch.groupby(table["camera"], observed=True).transform("median")
    # A run that was never solved has the scale of its camera and focal length.
    guess = ARCSEC_PER_RAD_UM_MM * table["pixel_um"] / table["focal_mm"]
    table["scale_arcsec_px"] = table["scale_arcsec_px"].fillna(guess)
    untold = table.index[table["trail_limit_px"].isna()]
    if len(untold):
        rules = load_rules(None)
        lenses = zip(table.loc[untold, "lens"], table.loc[untold, "focal_mm"], strict=True)
        table.loc[untold, "trail_limit_px"] = [
            rules.limits_for(str(lens), float(focal)).trail_px.keep_up_to for lens, focal in lenses
        ]
    return table


def _evening_of(session: str) -> str | None:
    """The evening that stands first in a session's name, as an ISO date; None where undated."""
    try:
        return date.fromisoformat(session[:10]).isoformat()
    except ValueError:
        return None
