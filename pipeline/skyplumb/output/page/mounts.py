"""The summary's mount fits -> one card for each setup, with its axis against the pole."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np

from skyplumb.output.page.figures import number
from skyplumb.output.page.words import MOUNT
from skyplumb.summary import MountSummary

Plain = dict[str, Any]

SURE_95 = math.sqrt(5.991)
"""Radius, in standard deviations, that holds 95 % of a two-dimensional Gaussian (chi-square
with two degrees of freedom, from memory: -2 ln 0.05 = 5.991)."""


FAULT_OF = {
    "polar axis": "axis",
    "drive": "drive",
    "periodic error": "drive",
    "head slips": "slip",
    "head bends": "slip",
}
"""How a fault of the mount begins in words, and the cause that its frames are lost to."""


def setups_of(runs: Sequence[tuple[str, int, MountSummary, Collection[str]]]) -> list[Plain]:
    """One card a setup, the one with most frames first, of as many in order of their numbers.

    Parameters
    ----------
    runs : sequence of (title, frames, the run's mount in the summary, causes that cost it frames)
    """
    cards: dict[str, Plain] = {}
    for title, frames, mount, lost in runs:
        name = mount.setup
        new = {"setup": name, "runs": [], "frames": 0, "mount": mount, "lost": set(), "faults": {}}
        card = cards.setdefault(name, new)
        card["lost"] |= set(lost)
        card["runs"].append(title)
        card["frames"] += frames
        card["faults"] |= dict.fromkeys(mount.faults)
        # A setup is told by the run that knows most of it, at the rate of the sky if one was.
        if _tells(mount) > _tells(card["mount"]):
            card["mount"] = mount
    ordered = sorted(cards.values(), key=lambda card: (-card["frames"], card["mount"].setup_number))
    return [
        {
            **{key: card[key] for key in ("setup", "runs", "frames")},
            **mount_rows(card["mount"]),
            **_faults(list(card["faults"]), card["lost"]),
            "axis": axis_of(card["mount"]),
        }
        for card in ordered
    ]


def mount_rows(mount: MountSummary) -> Plain:
    """The fit as rows; a figure that could not be had carries the words why."""
    why = mount.why_not or ("" if mount.setup else "no fit of the mount for this run")
    rows = []
    for key, label, unit, sense in MOUNT:
        value = number(getattr(mount, key))
        reason = why.get(key, "") if isinstance(why, dict) else why
        if value is None and not reason:
            continue
        rows.append(
            {
                "key": key,
                "words": label,
                "unit": unit,
                "sense": sense,
                "value": value,
                "sigma": number(getattr(mount, f"{key}_sigma")),
                "why_not": "" if value is not None else reason,
            }
        )
    unknown = {row["why_not"] for row in rows}
    told = {
        "rate_name": mount.rate_name,
        "slip_from": mount.slip_onset_camera[11:19],
        "degenerate_with": mount.degenerate_with,
    }
    # Seven times the same excuse is one excuse.
    if rows and all(row["value"] is None for row in rows) and len(unknown) == 1:
        return {"rows": [], "why_not": unknown.pop(), **told}
    return {"rows": rows, "why_not": "", **told}


def _faults(faults: Sequence[str], lost: Collection[str]) -> Plain:
    """Faults of the mount that cost frames, and those that are there but cost none."""

    def cost(words: str) -> bool:
        causes = {cause for begin, cause in FAULT_OF.items() if words.startswith(begin)}
        return bool(causes & set(lost)) or not causes

    return {
        "faults": [one for one in faults if cost(one)],
        "idle_faults": [one for one in faults if not cost(one)],
    }


def axis_of(mount: MountSummary) -> Plain | None:
    """Where the axis points, seen from the pole, arcmin; None if it is not known.

    `x` is east along the horizon, `y` up, both as angles on the sky; `ring` is the outline
    of the region that holds the axis with 95 % confidence. Without a direction (`x` None) only
    the distance is known.
    """
    total = number(mount.axis_total_error_arcmin)
    if total is None:
        return None
    sigma = number(mount.axis_total_error_arcmin_sigma)
    up = number(mount.axis_alt_error_arcmin)
    along = number(mount.axis_az_error_arcmin)
    axis: Plain = {"total": total, "sigma": sigma, "x": None, "y": None, "ring": []}
    axis |= {"up": up, "up_sigma": number(mount.axis_alt_error_arcmin_sigma)}
    axis |= {"along": along, "along_sigma": number(mount.axis_az_error_arcmin_sigma)}
    if up is None or along is None:
        return axis
    # An angle along the horizon is shorter on the sky by the cosine of the pole's altitude.
    east = math.copysign(math.sqrt(max(total**2 - up**2, 0.0)), along)
    return axis | {"x": east, "y": up, "ring": _ring(mount, east, up, along)}


def _ring(mount: MountSummary, east: float, up: float, along: float) -> list[list[float]]:
    """Outline of the 95 % region, (x, y) in arcmin; empty if the errors are not known."""
    matrix = np.array(mount.axis_covariance_arcmin2, float)
    if not matrix.size:
        sigma_up = number(mount.axis_alt_error_arcmin_sigma)
        sigma_along = number(mount.axis_az_error_arcmin_sigma)
        if sigma_up is None or sigma_along is None or along == 0:
            return []
        matrix = np.diag([sigma_up**2, (sigma_along * east / along) ** 2])
    if matrix.shape != (2, 2) or not np.isfinite(matrix).all():
        return []
    values, ways = np.linalg.eigh(matrix)
    turn = np.linspace(0, 2 * np.pi, 49)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    outline = ways @ (np.sqrt(np.maximum(values, 0))[:, None] * circle) * SURE_95
    return [[round(east + x, 4), round(up + y, 4)] for y, x in outline.T]


def _tells(mount: MountSummary) -> tuple[bool, int]:
    """Whether the drive ran as the sky, and how many figures of a mount are known."""
    known = sum(number(getattr(mount, key)) is not None for key, *_ in MOUNT)
    return not mount.rate_name, known
