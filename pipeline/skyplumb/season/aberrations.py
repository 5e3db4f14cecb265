"""Second moments over a lens's field -> tilt, decentring, coma and astigmatism.

Third-order aberrations of a round pupil (Welford, *Aberrations of Optical Systems*, 1986; from
memory) spread light, at a distance H from the optical axis in half diagonals, with the variances

    radial    b + L_r^2 / 4 + C^2 H^2 / 2,   L_r = D + (3 A + P) H^2,
    sagittal  b + L_s^2 / 4 + C^2 H^2 / 6,   L_s = D + (A + P) H^2,

C being coma, A astigmatism, P the field's curvature and D the focus, which a tilted sensor changes
along the picture; spherical aberration shifts D and b alone. What a place has beyond the middle is
then coma's 2/3 C^2 H^2, astigmatism's A^2 H^4 / 2, and what the medial focus there is worse than in
the middle. Lenses have aberrations of higher orders too, which the misfit tells; the fit's error
grows with it. Several solutions may fit about as well: shares are told with the range of all.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Floats = NDArray[np.float64]

PRIOR = np.array([np.inf, 1.0, 1.0, 4.0, 2.0, 2.0, 0.1, 0.1, 0.2, 0.2])
"""Widths of normal priors about zero of b, both tilts, the square of coma, astigmatism, curvature,
both places of the axis and the stretch in the middle, px and half diagonals: what camera lenses
have (common practice, no source); they only bind what the moments leave open. The square of coma is
fitted, since the moments go with that: noise may make it negative."""
FOCUS = (0.0, 0.15, 0.3, 0.5, 0.75, 1.1, 1.5)
"""Tried each: a little astigmatism far from focus draws what more of it near focus does. All but
coma may change sign together, so that one sign will do."""
FOCUS_PRIOR = 1.0
STARTS = ((0.3, 0.0), (-0.3, 0.0))
"""Astigmatism, curvature."""
LEAST_SIGMA_PX2 = 0.01
LAW_SHARE = 0.08
"""Moments of the Gaussian that fits best follow third order within so much of what they have beyond
the middle: drawn spots have 0.8 to 1.1 of their stretch and 0.95 to 1.07 of their width."""
DRAWS = 400
ENDS, MOST_STEPS = 1e-12, 500
"""A search ends so near the floor of its valley, which is flat, that where it ends is one place on
all processors."""
FEWEST_ZONES = 12
SEED = 3


@dataclass(frozen=True, slots=True)
class Term:
    """A number and its standard deviation over all solutions."""

    value: float = float("nan")
    sigma: float = float("nan")


UNKNOWN = Term()


@dataclass(frozen=True, slots=True)
class Aberrations:
    """What the field of a lens is made of; lengths in half diagonals, squares in px^2."""

    axis_x: Term = UNKNOWN
    """Optical axis from the middle of the picture: decentring."""
    axis_y: Term = UNKNOWN
    excess: Term = UNKNOWN
    """Of the trace at the corners over that in the middle, the mean of the corners, px^2."""
    coma: Term = UNKNOWN
    """Its part of that, px^2; and so on."""
    astigmatism: Term = UNKNOWN
    focus: Term = UNKNOWN
    """Curvature of the field, and tilt: the rest."""
    misfit: float = float("nan")
    """Root mean square of the residuals over their errors."""


def aberrations(place: Floats, moments: Floats, sigmas: Floats, corners: Floats) -> Aberrations:
    """Fit them.

    Parameters
    ----------
    place : ndarray, shape (n, 2)
        From the middle of the picture, over its half diagonal.
    moments, sigmas : ndarray, shape (n, 3)
        Trace, mxx - myy and 2 mxy, px^2.
    corners : ndarray, shape (k, 2)
        Where the excess is told.
    """
    if len(place) < FEWEST_ZONES:
        return Aberrations()
    beyond = np.linalg.norm(moments - moments[np.hypot(*place.T).argmin()], axis=1)
    sigmas = np.sqrt(sigmas**2 + LEAST_SIGMA_PX2**2 + (LAW_SHARE * beyond[:, None]) ** 2)
    least = float(moments[:, 0].min())
    found = []
    for focus, (astigmatism, curvature) in product(FOCUS, STARTS):

        def residuals(params: Floats, focus: float = focus) -> Floats:
            misfit = (_moments(focus, params, place) - moments) / sigmas
            return np.concatenate([misfit.ravel(), params / PRIOR, [focus / FOCUS_PRIOR]])

        start = np.array([least / 2, 0, 0, 0.1, astigmatism, curvature, 0, 0, 0, 0])
        one = least_squares(
            residuals, start, x_scale=0.1, ftol=ENDS, xtol=ENDS, gtol=ENDS, max_nfev=MOST_STEPS
        )
        found.append((focus, one))
    costs = np.array([2 * one.cost for _, one in found])
    free = max(3 * len(place) - len(PRIOR) - 1, 1)
    scale = max(costs.min() / free, 1.0)
    normals = [one.jac.T @ one.jac / scale for _, one in found]
    # Laplace's approximation of what each focus is worth.
    worth = -costs / 2 / scale - np.array([np.linalg.slogdet(one)[1] for one in normals]) / 2
    worth = np.exp(worth - worth.max())
    rng = np.random.default_rng(SEED)
    parts = []
    for (focus, one), normal, share in zip(found, normals, worth / worth.sum(), strict=True):
        count = round(DRAWS * share)
        some = rng.multivariate_normal(one.x, np.linalg.inv(normal), count, method="cholesky")
        parts += [_parts(focus, params, corners) for params in some]
    terms = [Term(float(np.median(column)), float(column.std())) for column in np.array(parts).T]
    # A law that errs on one aberration does so all over the field, which no scatter shows.
    terms[3:] = [Term(o.value, float(np.hypot(o.sigma, LAW_SHARE * o.value))) for o in terms[3:]]
    misfit = float(np.sqrt(costs.min() / free))
    return Aberrations(terms[0], terms[1], terms[2], terms[3], terms[4], terms[5], misfit)


def _moments(focus: float, params: Floats, place: Floats) -> Floats:
    """Trace, mxx - myy and 2 mxy, shape (n, 3)."""
    b, tilt_x, tilt_y, coma2, astigmatism, curvature, x0, y0, q1, q2 = params
    x, y = place.T
    dx, dy = x - x0, y - y0
    square = dx**2 + dy**2
    here = focus + tilt_x * x + tilt_y * y
    radial = here + (3 * astigmatism + curvature) * square
    sagittal = here + (astigmatism + curvature) * square
    trace = 2 * b + (radial**2 + sagittal**2) / 4 + 2 / 3 * coma2 * square
    # Along the radius, over the distance's square, so that nothing is divided by zero at the axis.
    stretch = astigmatism * (radial + sagittal) / 2 + coma2 / 3
    return np.stack([trace, q1 + stretch * (dx**2 - dy**2), q2 + stretch * 2 * dx * dy], axis=1)


def _parts(focus: float, params: Floats, corners: Floats) -> tuple[float, ...]:
    """Axis, and the mean corner's excess with its parts."""
    _, tilt_x, tilt_y, coma2, astigmatism, curvature, x0, y0, _, _ = params
    square = ((corners - (x0, y0)) ** 2).sum(axis=1)
    medial = focus + corners @ (tilt_x, tilt_y) + (2 * astigmatism + curvature) * square
    by_coma = float((2 / 3 * coma2 * square).mean())
    by_astigmatism = float((astigmatism**2 * square**2 / 2).mean())
    by_focus = float((medial**2 / 2).mean() - focus**2 / 2)
    whole = by_coma + by_astigmatism + by_focus
    return x0, y0, whole, by_coma, by_astigmatism, by_focus
