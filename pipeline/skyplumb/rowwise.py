"""The statistics of `robust` for many sets at once, a set a row.

A call costs as much for all frames of a lens as for one: sets of unlike length are filled up
with NaN to the longest, and NaN never counts.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skyplumb.robust import SETTLED, cauchy_cut, median_length

Floats = NDArray[np.float64]

AT_ONCE = 64
"""So many frames are worked out together: of 3000 stars and ten terms an array takes 15 MB."""


class Rows:
    """Where each of many values stands once its set is a row.

    Parameters
    ----------
    lengths : iterable of int
        Of the sets, whose values follow each other in one flat array.
    """

    def __init__(self, lengths: Iterable[int]) -> None:
        self.lengths = np.fromiter(lengths, np.int64)
        self.row = np.repeat(np.arange(len(self.lengths)), self.lengths)
        """Of each value of a flat array."""
        start = np.cumsum(self.lengths) - self.lengths
        self.place = np.arange(len(self.row)) - start[self.row]
        self.shape = (len(self.lengths), int(self.lengths.max(initial=0)))

    def of(self, flat: NDArray[np.generic]) -> Floats:
        """A flat array, shape (n, ...), as rows, shape (sets, longest, ...), filled with NaN."""
        rows = np.full((*self.shape, *flat.shape[1:]), np.nan)
        rows[self.row, self.place] = flat
        return rows

    def flat(self, rows: NDArray[np.generic]) -> NDArray[np.generic]:
        """The inverse of `of`."""
        return np.asarray(rows[self.row, self.place])


def quantiles(values: Floats, share: float) -> Floats:
    """Quantile of each row, between the two nearest values by their distance; NaN of none."""
    ordered = np.sort(values, axis=1)  # NaN at the end
    known = np.count_nonzero(~np.isnan(values), axis=1)
    at = share * np.maximum(known - 1, 0)
    low = np.floor(at).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(known - 1, 0))
    if values.shape[1] == 0:
        return np.full(len(values), np.nan)
    row = np.arange(len(values))
    return np.asarray(ordered[row, low] + (at - low) * (ordered[row, high] - ordered[row, low]))


def medians(values: Floats) -> Floats:
    """Median of each row; NaN of none."""
    return quantiles(values, 0.5)


def sigmas(residuals: Floats, freedom: ArrayLike = 1.0) -> Floats:
    """`robust.robust_sigma` of each row of residuals of one number each, shape (sets, n).

    `freedom` is that of all rows or of each.
    """
    return np.asarray(medians(np.abs(residuals)) / median_length(1) / np.sqrt(freedom))


def solved(normals: Floats, slopes: Floats) -> Floats:
    """Solution of each row's symmetric positive definite equations, shape (sets, terms).

    Written out, for the linear-algebra library picks its sums by the processor, and no two
    machines would agree to the last digits. A row that is not positive definite has anything.

    Parameters
    ----------
    normals : ndarray, shape (sets, terms, terms)
    slopes : ndarray, shape (sets, terms)
    """
    return _eliminated(normals, slopes[..., None])[..., 0]


def inverses(normals: Floats) -> Floats:
    """Inverse of each row's symmetric positive definite matrix, shape (sets, terms, terms)."""
    return _eliminated(normals, np.broadcast_to(np.eye(normals.shape[1]), normals.shape))


def _eliminated(normals: Floats, right: Floats) -> Floats:
    """Gauss-Jordan elimination of each row, each term in its own unit, without pivoting.

    A term of which nothing is known (its own diagonal is zero) becomes zero.
    """
    # Sets stand last, so that each operation runs through many numbers.
    terms, width = normals.shape[1], normals.shape[1] + right.shape[2]
    own = np.einsum("sii->is", normals)
    known = own > 0
    unit = np.where(known, 1 / np.sqrt(np.where(known, own, 1.0)), 0.0)
    left = np.empty((terms, width, len(normals)))
    left[:, :terms] = normals.transpose(1, 2, 0) * unit
    left[:, terms:] = right.transpose(1, 2, 0)
    left *= unit[:, None]
    np.einsum("iis->is", left[:, :terms])[~known] = 1.0
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # not positive definite
        for term in range(terms):
            after = left[:, term + 1 :]
            row = after[term] / left[term, term]
            after -= left[:, term, None] * row
            after[term] = row
        return np.asarray((left[:, terms:] * unit[:, None]).transpose(2, 0, 1))


def robust_fits(
    design: Floats, values: Floats, errors: Floats, prior: Floats | None = None, rounds: int = 12
) -> tuple[Floats, Floats]:
    """Weighted linear least squares of many sets, which outliers cannot pull.

    Parameters
    ----------
    design : ndarray, shape (sets, terms, n)
        Anything where a value is missing.
    values, errors : ndarray, shape (sets, n)
        NaN where a set is shorter than others.
    prior : ndarray, shape (terms,) or (sets, terms), optional
        One-sigma width of a prior about zero for each term; inf for none.
    rounds : int
        Most rounds of solving and weighing anew by Cauchy weights.

    Returns
    -------
    solution : ndarray, shape (sets, terms)
    covariance : ndarray, shape (sets, terms, terms)
        Scaled by the scatter that was seen, where that is larger than the errors.
    """
    sets, terms, _ = design.shape
    known = np.isfinite(values)
    count = np.count_nonzero(known, axis=1)
    freedom = np.maximum(count - terms, 1) / np.maximum(count, 1)
    design = np.where(known[:, None, :], design, 0.0)
    values, errors = np.where(known, values, 0.0), np.where(known, errors, np.inf)
    information = 1 / errors**2
    ridge = np.zeros((sets, terms))
    if prior is not None:
        ridge = np.broadcast_to(1 / np.square(prior), (sets, terms))
    squares = np.einsum("stn,sn,stn->st", design, information, design)
    ridge = ridge + 1e-9 * squares.max(axis=1, initial=1e-9)[:, None]
    own = np.arange(terms)
    normals = np.zeros((sets, terms, terms))
    normals[:, own, own] = ridges = ridge
    solutions, seen = np.zeros((sets, terms)), np.ones((sets, 1))
    # From here on the arrays are of the sets that still move.
    number, scale, used, before = np.arange(sets), seen, information, np.full_like(values, np.inf)
    for _ in range(rounds):
        weighed = design * used[:, None, :]
        normal = np.empty((len(number), terms, terms))
        for term in own:
            sums = np.einsum("sn,sjn->sj", weighed[:, term], design[:, term:])
            normal[:, term, term:] = normal[:, term:, term] = sums
        normals[number] = normal
        normal[:, own, own] += scale**2 * ridge
        solution = solved(normal, np.einsum("sin,sn->si", weighed, values))
        residuals = (values - np.einsum("si,sin->sn", solution, design)) / errors
        scale = sigmas(np.where(known, residuals, np.nan), freedom)[:, None]
        # Where nothing is known the scale is one, where all residuals are alike never zero.
        scale = np.where(np.isnan(scale), 1.0, np.maximum(scale, 1e-3))
        solutions[number], seen[number] = solution, scale
        moves = (np.abs(residuals - before) > SETTLED * scale).any(axis=1)
        used, before = information / (1 + (residuals / (cauchy_cut(1) * scale)) ** 2), residuals
        if not moves.any():
            break
        if not moves.all():
            number, known = number[moves], known[moves]
            scale, used, before = scale[moves], used[moves], before[moves]
            design, values, errors = design[moves], values[moves], errors[moves]
            information, freedom, ridge = information[moves], freedom[moves], ridge[moves]
    normals /= np.maximum(seen, 1.0)[:, :, None] ** 2
    normals[:, own, own] += ridges
    return solutions, inverses(normals)
