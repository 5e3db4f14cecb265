"""Two lists of points -> the rotation, scale and translation that lays one on the other.

Any two points of one list laid on two of the other give a scale, a rotation and a translation.
Where the lists share n points, n (n - 1) / 2 such trials agree; chance scatters the others over
all that scale, rotation and translation may be. Points are complex numbers here: one list is laid
on the other by `a z + b`, and a mirrored one by `a conj(z) + b`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Points = NDArray[np.complex128]

VOTERS = 50
"""So many points of each list make pairs."""
CANDIDATES = 6
"""So many of the best agreed trials are held against all points."""
SHORTEST = 0.15
"""Pairs of points nearer than so much of the list's extent say little of a rotation."""
CELLS = 1 << 18
HASH = np.array([73_856_093, 19_349_663, 83_492_791, 49_979_687])
MOST_TRIALS = 100_000
"""Of more, every second or third is left out: a field with so many has agreement to spare."""


@dataclass(frozen=True, slots=True)
class Similarity:
    """How the points of one list lie on another."""

    factor: complex
    """Scale and rotation: `a` of a z + b."""
    translation: complex
    mirrored: bool
    hits: int
    """Points that meet one of the other list."""

    def __call__(self, points: Floats) -> Floats:
        """Where points, shape (n, 2), of the first list lie on the second."""
        return _plain(self._laid(_complex(points)))

    def _laid(self, z: Points) -> Points:
        return self.factor * (z.conj() if self.mirrored else z) + self.translation


def best_similarity(
    one: Floats,
    other: Floats,
    within: float,
    scales: tuple[float, float] = (0.995, 1.005),
    mirrored: bool = False,
    apart: float = 0.0,
) -> Similarity | None:
    """The similarity under which most points of one list meet points of the other.

    It says nothing of chance: the caller holds it against the odds. None if no two pairs of
    points agree at all.

    Parameters
    ----------
    one, other : ndarray, shape (n, 2)
        The likeliest to be common first.
    within : float
        How far apart common points may lie, in units of `other`.
    scales : tuple of float
        Least and greatest scale.
    mirrored : bool
        Whether the first list is turned over.
    apart : float
        Points that lie nearer than this before anything is moved are no pair: what stands still
        on a sensor is not the sky's.
    """
    from scipy.spatial import cKDTree

    z, w = _complex(one), _complex(other)
    seen = z.conj() if mirrored else z
    factors, places = _trials(seen[:VOTERS], w[:VOTERS], scales, apart)
    if len(factors) == 0:
        return None
    middle = seen[:VOTERS].mean()
    extent = float(np.abs(seen[:VOTERS] - middle).max())
    best: Similarity | None = None
    tree = cKDTree(other)
    for row in _agreed(factors, places, within, scales, extent):
        factor = complex(factors[row])
        start = Similarity(factor, complex(places[row] - factor * middle), mirrored, 0)
        found = _settled(start, z, other, tree, within, apart)
        if found is not None and (best is None or found.hits > best.hits):
            best = found
    return best


def _trials(
    z: Points, w: Points, scales: tuple[float, float], apart: float
) -> tuple[Points, Points]:
    """Factor of each trial, and where it lays the middle of the first list's voters."""
    first, second = np.triu_indices(len(z), 1)
    longest = np.abs(z[:, None] - z[None]).max(initial=0.0)
    way = z[second] - z[first]
    far = np.abs(way) > SHORTEST * longest
    first, second, way = first[far], second[far], way[far]
    there, onwards = np.nonzero(~np.eye(len(w), dtype=bool))
    ways = w[onwards] - w[there]
    order = np.argsort(np.abs(ways), kind="stable")
    there, onwards, ways = there[order], onwards[order], ways[order]
    length = np.abs(ways)
    # Of each pair of the first list, the pairs of the other that are as long.
    low = np.searchsorted(length, scales[0] * np.abs(way))
    count = np.maximum(np.searchsorted(length, scales[1] * np.abs(way), "right") - low, 0)
    total = int(count.sum())
    if total == 0:
        return np.zeros(0, complex), np.zeros(0, complex)
    mine = np.repeat(np.arange(len(way)), count)
    theirs = np.arange(total) - np.repeat(np.cumsum(count) - count, count) + low[mine]
    if total > MOST_TRIALS:
        step = total // MOST_TRIALS + 1
        mine, theirs = mine[::step], theirs[::step]
    factor = ways[theirs] / way[mine]
    start, end = z[first[mine]], z[second[mine]]
    meets, ends = w[there[theirs]], w[onwards[theirs]]
    place = (meets + ends) / 2 + factor * (z.mean() - (start + end) / 2)
    moved = (np.abs(meets - start) >= apart) & (np.abs(ends - end) >= apart)
    return factor[moved], place[moved]


def _agreed(
    factors: Points, places: Points, within: float, scales: tuple[float, float], extent: float
) -> NDArray[np.int64]:
    """Rows of the trials that most others agree with."""
    # Errors of points turn and stretch a pair by no more than this; cells twice as wide.
    step = 3 * within / (SHORTEST * 4 * extent * np.sqrt(scales[0] * scales[1]))
    numbers = np.stack(
        [
            np.log(np.abs(factors)) / step,
            np.angle(factors) / step,
            places.real / (3 * within),
            places.imag / (3 * within),
        ],
        1,
    )
    rows: list[NDArray[np.int64]] = []
    # What lies across the edge of a cell lies within one of a grid that is moved by half.
    for offset in (0.0, 0.5):
        cell = np.floor(numbers + offset).astype(np.int64)
        # Cells are counted by a hash: two that share one by chance gain a vote, which the points
        # themselves take away again.
        number = (cell * HASH).sum(1) % CELLS
        votes = np.bincount(number, minlength=CELLS)
        # Of cells with as many votes the first; `argpartition` takes what the processor likes.
        least = np.partition(votes, -CANDIDATES)[-CANDIDATES]
        top = np.flatnonzero(votes >= max(least, 1))
        top = top[np.argsort(-votes[top], kind="stable")][:CANDIDATES]
        rows.append(np.array([int(np.argmax(number == one)) for one in top], int))
    return np.concatenate(rows)


def _settled(
    start: Similarity, z: Points, other: Floats, tree: cKDTree, within: float, apart: float
) -> Similarity | None:
    """The trial fitted to the points that meet, twice; None if fewer than three do."""
    found = start
    for reach in (3 * within, within, within):
        laid = found._laid(z)
        distance, index = tree.query(_plain(laid), distance_upper_bound=reach)
        hit = np.flatnonzero(np.isfinite(distance))
        hit = hit[np.abs(_complex(other)[index[hit]] - z[hit]) >= apart]
        # One point of the other list for each.
        hit = hit[np.unique(index[hit], return_index=True)[1]]
        if len(hit) < 3:
            return None
        w = _complex(other)[index[hit]]
        seen = z[hit].conj() if found.mirrored else z[hit]
        off = seen - seen.mean()
        factor = complex(np.vdot(off, w - w.mean()) / np.vdot(off, off))
        found = Similarity(
            factor, complex(w.mean() - factor * seen.mean()), found.mirrored, len(hit)
        )
    return found


def _complex(points: Floats) -> Points:
    return np.asarray(points[:, 0] + 1j * points[:, 1])


def _plain(points: Points) -> Floats:
    return np.stack([points.real, points.imag], 1)
