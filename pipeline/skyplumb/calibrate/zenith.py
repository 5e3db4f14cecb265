"""Where the zenith was, by the stars alone: air bends a field towards it.

Refraction squeezes a picture along the way to the zenith, the more the lower it was taken, by
several pixels at the edge of a wide or a low field. No camera does that, since it turns with
the sky from frame to frame. So the stars of a night say what its clock and site are worth:
each time and place puts the zenith somewhere, and what is left of the residuals there is
compared with the best that any zenith leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera, camera_columns, free_values, prior_sigmas
from skyplumb.calibrate.lens_search import FoundLens, StarField
from skyplumb.calibrate.matching import FEWEST_MATCHES, match_stars, unsaturated
from skyplumb.calibrate.plate_solving import centre_sigma_of
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S, Site, lifted, raised, unit_vectors
from skyplumb.robust import robust_sigma

Floats = NDArray[np.float64]
Numbers = TypeVar("Numbers", float, Floats)

SIDEREAL_RAD_S = float(np.radians(SIDEREAL_RATE_ARCSEC_S / 3600))
GRID_DEG = 15.0
STARTS = 4
ROUGH_DEG, FINE_DEG = 2.0, 0.1
ROUNDS = 3
POLES = (-np.pi / 2, np.pi / 2)
STARS_A_FRAME = 120
CELLS = 4
"""Cells across and down in which neighbouring stars may share an error."""
BELOW_HORIZON = -0.01
"""Sine of the altitude of a star that shows all the same: a mountain looks below its horizon."""
STRAY_SHARE = 0.02
"""Part of the matched stars that may be wrong ones."""
STRAY_SIGMAS = 5.0
"""A star so far off by the others' scatter is a wrong or a blended one: by chance one in 270,000
(the length of two normal values, exp(-5^2 / 2))."""
ROUGH_STARS = 150
"""So many stars of a lens find the basin; all of them then find the zenith."""
AT_ONCE = 20_000
"""Stars times zeniths that are worked out together: an array of their places takes 0.5 MB."""


@dataclass(frozen=True, slots=True)
class Air:
    """How much air bends, over that of 1013 hPa and 10 C."""

    mean: float = 0.9
    sigma: float = 0.1
    """A site of unknown height lies between the sea and a high ridge."""

    @classmethod
    def over(cls, site: Site | None) -> Air:
        """At a site, as well as its air is known on average."""
        if site is None:
            return cls()
        mean = site.pressure_hpa / 1013.25
        return cls(mean, mean * site.refraction_sigma)

    def amount(self, pull: Numbers, strength: Numbers) -> Numbers:
        """Best amount for residuals that ask for `pull` of a bend of this `strength`."""
        weight = 1 / self.sigma**2
        return (pull + self.mean * weight) / (strength + weight)


@dataclass(frozen=True, slots=True)
class Zenith:
    """A zenith among the stars, turning with the Earth."""

    sidereal_rad: float
    """Local sidereal time when the session's own time line is at zero."""
    latitude_rad: float

    @property
    def direction(self) -> Floats:
        """Unit vector, ICRS axes, at zero of the time line."""
        return unit_vectors(np.array(self.sidereal_rad), np.array(self.latitude_rad))

    def at(self, time_s: float) -> Floats:
        """Unit vector, ICRS axes, at a time."""
        return replace(self, sidereal_rad=self.sidereal_rad + SIDEREAL_RAD_S * time_s).direction

    def apart_rad(self, other: Zenith) -> float:
        """Angle between the two."""
        return float(np.arccos(np.clip(self.direction @ other.direction, -1.0, 1.0)))


def _zenith(sidereal_rad: Floats, latitude_rad: Floats, time_s: Floats) -> Floats:
    """Unit vectors, ICRS axes, of zeniths at times: their sidereal times run with the Earth."""
    longitude = sidereal_rad + SIDEREAL_RAD_S * time_s
    return unit_vectors(longitude, np.broadcast_to(latitude_rad, longitude.shape))


@dataclass(frozen=True)
class Refraction:
    """What the stars of one lens say of the zenith.

    Rows are pixel residuals over their errors, with all that a camera could do taken out.
    """

    camera: Camera
    seen: Floats
    """Shape (n, 3): unlifted directions of the stars of all frames, ICRS axes."""
    frame: NDArray[np.int64]
    """Shape (n,): which frame each is of."""
    attitudes: Floats
    """Shape (frames, 3, 3)."""
    times_s: Floats
    """Shape (frames,)."""
    weights: Floats
    """Shape (n,): one over the error of a place, 1/px."""
    rows: Floats
    """x and y of each star by turns, then what is known of any camera."""
    basis: Floats
    """Orthonormal columns that span what the camera could do."""

    def chi2(self, zeniths: Sequence[Zenith], air: Air, variance: float) -> Floats:
        """Sum of squares of the residuals over their errors; infinite with stars under the horizon.

        `variance` is that of one row.
        """
        up = self._up(zeniths)
        hidden = np.mean(np.einsum("ni,kni->kn", self._axes, up) < BELOW_HORIZON, axis=1)
        pull, strength = self._pull(up)
        amount = air.amount(pull / variance, strength / variance)
        squares = self.squares + amount * (amount * strength - 2 * pull)
        chi2 = squares / variance + ((amount - air.mean) / air.sigma) ** 2
        return np.where(hidden > STRAY_SHARE, np.inf, chi2)

    def pull(self, zenith: Zenith) -> tuple[float, float]:
        """How strongly the residuals ask for a zenith's bend, and for how much of it."""
        pull, strength = self._pull(self._up([zenith]))
        return float(pull[0]), float(strength[0])

    def _pull(self, up: Floats) -> tuple[Floats, Floats]:
        """The same for many zeniths, as `_up` has them."""
        # What a camera could do of the bend is taken out of its square, not out of each row.
        bend = self._bend(up, lifted(self._axes, up))
        camera = bend @ self.basis
        strength = np.einsum("kr,kr->k", bend, bend) - np.einsum("kr,kr->k", camera, camera)
        return bend @ self._rows_left, strength

    def variance(self, under: tuple[Zenith, float] | None) -> float:
        """Variance of one row by its scatter, times what neighbouring stars have in common.

        `under` is a zenith and the amount of its bend.
        """
        rows = self.rows if under is None else self._straight(*under)
        left = self._left(rows)
        freedom = max(len(rows) - self.basis.shape[1], 1)
        scatter = float(np.sum(left**2) / freedom)
        size = np.array([self.camera.width_px, self.camera.height_px])
        cells = np.clip(self._unlifted / size * CELLS, 0, CELLS - 1).astype(int) @ (1, CELLS)
        cells += CELLS**2 * self.frame
        stars = left[: 2 * len(self.seen)].reshape(-1, 2)
        count = np.bincount(cells)
        sums = np.stack([np.bincount(cells, stars[:, axis]) for axis in (0, 1)], axis=1)
        full = count >= 4
        shared = np.mean(sums[full] ** 2, axis=1) / count[full]
        common = float(np.mean(shared)) / scatter if shared.size and scatter > 0 else 1.0
        return scatter * max(common, 1.0)

    def without_strays(self, zenith: Zenith, amount: float) -> Refraction:
        """The same without the stars that fit this zenith far worse than the others do.

        A blended star at the edge is off by the same in every frame, and pulls as hard as a
        hundred others.
        """
        left = self._left(self._straight(zenith, amount))[: 2 * len(self.seen)]
        stars = left.reshape(-1, 2)
        keep = np.hypot(*stars.T) <= STRAY_SIGMAS * robust_sigma(stars)
        return self if keep.all() else self._with(keep)

    def thinned(self, stars: int) -> Refraction:
        """The same with at most so many stars, evenly taken."""
        keep = np.zeros(len(self.seen), bool)
        keep[:: max(1, -(-len(keep) // stars))] = True
        return self if keep.all() else self._with(keep)

    def _with(self, keep: NDArray[np.bool_]) -> Refraction:
        rows = np.ones(len(self.rows), bool)
        rows[: 2 * len(keep)] = np.repeat(keep, 2)
        # The span of some rows of the basis is what the camera can do to these stars.
        basis, rest = np.linalg.qr(self.basis[rows])
        basis = basis[:, np.abs(np.diag(rest)) > 1e-7]
        return replace(
            self,
            seen=self.seen[keep],
            frame=self.frame[keep],
            weights=self.weights[keep],
            rows=self.rows[rows],
            basis=basis,
        )

    def bend(self, zeniths: Sequence[Zenith]) -> Floats:
        """How far refraction moves each star in the picture, over its error; a zenith a row."""
        up = self._up(zeniths)
        return self._bend(up, lifted(self._axes, up))

    def bend_by(self, zenith: Zenith, lift_rad: Floats) -> Floats:
        """The same of one zenith and an air that lifts each star by so much."""
        up = self._up([zenith])
        return np.asarray(self._bend(up, raised(self._axes, up, lift_rad))[0])

    def sines_of_altitude(self, zenith: Zenith) -> Floats:
        """Shape (n,): of each star under a zenith, without refraction."""
        return np.asarray(np.einsum("ni,ni->n", self._axes, self._up([zenith])[0]))

    def row_of(self, moved_px: Floats) -> Floats:
        """Moves of the stars in the picture, shape (n, 2), over their errors, as a row."""
        row = np.zeros(len(self.rows))
        row[: 2 * len(self.seen)] = (moved_px * self.weights[:, None]).ravel()
        return row

    def without_camera(self, rows: Floats) -> Floats:
        """Rows, one or columns of them, with all that a camera could do taken out."""
        return self._left(rows)

    def apart_px(self, zenith: Zenith, other: Zenith) -> float:
        """Root mean square of how far apart the air of two zeniths puts the stars, px."""
        bends = self.bend([zenith, other])
        stars = self._left(bends[0] - bends[1])[: 2 * len(self.seen)].reshape(-1, 2)
        away = np.hypot(*stars.T) / self.weights
        return float(np.sqrt(np.mean(away**2)))

    @property
    def places(self) -> Floats:
        """Shape (n, 2): where the stars stand in the picture."""
        return self._unlifted

    def _left(self, rows: Floats) -> Floats:
        return np.asarray(rows - self.basis @ (self.basis.T @ rows))

    def _straight(self, zenith: Zenith, amount: float) -> Floats:
        """The rows less so much of a zenith's bend."""
        return np.asarray(self.rows - amount * self.bend([zenith])[0])

    def _up(self, zeniths: Sequence[Zenith]) -> Floats:
        """Each zenith in the camera axes of each star's frame, shape (zeniths, n, 3)."""
        longitude = np.array([one.sidereal_rad for one in zeniths])[:, None]
        latitude = np.array([one.latitude_rad for one in zeniths])[:, None]
        up = _zenith(longitude, latitude, self.times_s)
        return np.asarray(np.einsum("fij,kfj->kfi", self.attitudes, up)[:, self.frame])

    def _bend(self, up: Floats, seen: Floats) -> Floats:
        """How far stars that are seen so are moved in the picture, over their errors."""
        moved = self.camera.project(seen)
        moved = np.nan_to_num(moved - self._unlifted) * self.weights[:, None]
        bend = np.zeros((len(up), len(self.rows)))
        bend[:, : 2 * len(self.seen)] = moved.reshape(len(up), -1)
        return bend

    @cached_property
    def squares(self) -> float:
        """Sum of the squared residuals that no camera explains, over their errors."""
        return float(self._rows_left @ self._rows_left)

    @cached_property
    def _rows_left(self) -> Floats:
        return self._left(self.rows)

    @cached_property
    def _axes(self) -> Floats:
        """The stars' directions in camera axes."""
        return np.asarray(np.einsum("nij,nj->ni", self.attitudes[self.frame], self.seen))

    @cached_property
    def _unlifted(self) -> Floats:
        return self.camera.project(self._axes)


def refraction_of(exposures: Sequence[StarField], found: FoundLens) -> Refraction | None:
    """The stars of the frames a camera was fitted to; None without times or stars.

    Saturated ones are left out: their places lean to where their light ran over, by less than a
    field is pointed to and more than the air bends it.
    """
    camera = found.camera
    if camera is None:
        return None
    seen, attitudes, times, weights, rows, columns = [], [], [], [], [], []
    for n in found.chosen:
        exposure, attitude = exposures[n], found.attitudes[n]
        if attitude is None or not np.isfinite(exposure.time_s):
            continue
        matches = match_stars(exposure.stars, exposure.plain, camera, attitude, 2.0)
        if not matches.certain:
            continue
        whole = unsaturated(exposure.measure.stars[matches.star])
        if len(whole) < FEWEST_MATCHES:
            continue
        some = whole[:: max(1, len(whole) // STARS_A_FRAME)]
        pixels = matches.matched.pixels[some]
        directions = matches.matched.directions[some]
        camera_axes = directions @ attitude.T
        off = pixels - camera.project(camera_axes)
        weight = matches.matched.weights[some]
        seen.append(directions)
        attitudes.append(attitude)
        times.append(exposure.time_s)
        weights.append(weight)
        rows.append((off * weight[:, None]).ravel())
        columns.append(camera_columns(camera, camera_axes) * weight[:, None, None])
    if not seen:
        return None
    # What is known of any camera beforehand holds it too: rows of their own.
    sigmas = prior_sigmas(camera, centre_sigma_of(camera))
    rows.append(-free_values(camera) / sigmas)
    basis = _span(columns, 1 / sigmas)
    frame = np.repeat(np.arange(len(seen)), [len(one) for one in seen])
    return Refraction(
        camera,
        np.concatenate(seen),
        frame,
        np.array(attitudes),
        np.array(times),
        np.concatenate(weights),
        np.concatenate(rows),
        basis,
    )


def _span(columns: Sequence[Floats], held: Floats) -> Floats:
    """Orthonormal basis of what one camera and an attitude for each frame could do."""
    shared = len(held)
    height = sum(2 * len(one) for one in columns) + shared
    design = np.zeros((height, shared + 3 * len(columns)))
    at = 0
    for n, one in enumerate(columns):
        flat = one.reshape(-1, shared + 3)
        design[at : at + len(flat), :shared] = flat[:, :shared]
        design[at : at + len(flat), shared + 3 * n : shared + 3 * n + 3] = flat[:, shared:]
        at += len(flat)
    design[at:, :shared] = np.diag(held)
    design /= np.maximum(np.linalg.norm(design, axis=0), 1e-12)
    vectors, values, _ = np.linalg.svd(design, full_matrices=False)
    return np.asarray(vectors[:, values > 1e-7 * values[0]])


@dataclass(frozen=True, slots=True)
class ZenithEvidence:
    """The zenith of a night by all its lenses together."""

    lenses: list[Refraction]
    air: Air
    variances: list[float]
    """Of one row of each lens."""
    best: Zenith | None = None
    """None if every zenith puts stars below its horizon."""
    amount: float = 1.0
    """Bend of the air under the best zenith, over that of 1013 hPa."""

    def misfit(self, zenith: Zenith | None) -> float:
        """Chi squared above that of the best zenith (2 degrees of freedom); None is no air."""
        return self.chi2(zenith) - self.chi2(self.best)

    def apart_px(self, zenith: Zenith) -> float:
        """Largest root mean square, of any lens, of how far apart this zenith and the best one
        would put its stars, px; what a camera could do is taken out."""
        assert self.best is not None
        return max(self.amount * lens.apart_px(zenith, self.best) for lens in self.lenses)

    def chi2(self, zenith: Zenith | None) -> float:
        """Of all lenses; the air is taken for each as it likes best within its doubt."""
        if zenith is not None:
            return float(self.chi2_of_each([zenith])[0])
        return sum(
            lens.squares / variance
            for lens, variance in zip(self.lenses, self.variances, strict=True)
        )

    def chi2_of_each(self, zeniths: Sequence[Zenith]) -> Floats:
        """The same of many zeniths."""
        found = np.zeros(len(zeniths))
        for lens, variance in zip(self.lenses, self.variances, strict=True):
            many = max(1, AT_ONCE // len(lens.seen))
            found += np.concatenate(
                [
                    lens.chi2(zeniths[start : start + many], self.air, variance)
                    for start in range(0, len(zeniths), many)
                ]
            )
        return found


def evidence_of(lenses: Sequence[Refraction], air: Air) -> ZenithEvidence | None:
    """Search the whole sky for the zenith; None without lenses."""
    if not lenses:
        return None
    rough = [lens.thinned(ROUGH_STARS) for lens in lenses]
    evidence = ZenithEvidence(rough, air, _variances(rough))
    grid = _grid()
    scored = sorted(zip(evidence.chi2_of_each(grid).tolist(), range(len(grid)), strict=True))
    starts: list[Zenith] = []
    for chi2, n in scored:
        far = all(grid[n].apart_rad(one) > np.radians(1.5 * GRID_DEG) for one in starts)
        if np.isfinite(chi2) and far and len(starts) < STARTS:
            starts.append(grid[n])
    if not starts:
        return evidence
    # A narrow field hardly tells its zenith from the one opposite: each basin has its turn.
    best = min((_climbed(evidence, start, ROUGH_DEG) for start in starts), key=evidence.chi2)
    mine = list(lenses)
    evidence = ZenithEvidence(mine, air, _variances(mine))
    for _ in range(ROUNDS):
        best = _climbed(evidence, best, FINE_DEG)
        pulls = [lens.pull(best) for lens in mine]
        amount = air.amount(
            sum(p / v for (p, _), v in zip(pulls, evidence.variances, strict=True)),
            sum(b / v for (_, b), v in zip(pulls, evidence.variances, strict=True)),
        )
        mine = [lens.without_strays(best, amount) for lens in mine]
        # The scatter at the best zenith is what the errors are.
        evidence = ZenithEvidence(mine, air, _variances(mine, (best, amount)), best, amount)
    return evidence


def _variances(
    lenses: Sequence[Refraction], under: tuple[Zenith, float] | None = None
) -> list[float]:
    """Of one row of each lens; never quite nothing."""
    return [max(lens.variance(under), 1e-12) for lens in lenses]


def _grid() -> list[Zenith]:
    """Zeniths all over the sky, evenly spaced."""
    found = []
    for latitude in np.arange(-90 + GRID_DEG / 2, 90, GRID_DEG):
        count = max(round(360 / GRID_DEG * np.cos(np.radians(latitude))), 1)
        for angle in np.arange(count) * 360 / count:
            found.append(Zenith(float(np.radians(angle)), float(np.radians(latitude))))
    return found


def _climbed(evidence: ZenithEvidence, start: Zenith, least_step_deg: float) -> Zenith:
    """The best zenith near a start, by a pattern search with shrinking steps."""
    at, least, step = start, evidence.chi2(start), np.radians(GRID_DEG / 2)
    while step > np.radians(least_step_deg):
        spread = step / max(np.cos(at.latitude_rad), 0.1)
        tries = [
            Zenith(at.sidereal_rad + a * spread, float(np.clip(at.latitude_rad + b * step, *POLES)))
            for a in (-1, 0, 1)
            for b in (-1, 0, 1)
            if a or b
        ]
        found = evidence.chi2_of_each(tries)
        lowest = int(np.argmin(found))
        if found[lowest] < least:
            at, least = tries[lowest], float(found[lowest])
        else:
            step /= 2
    return at
