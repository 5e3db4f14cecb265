"""Which star of a picture is which of the catalogue, by the odds against chance.

A detection's nearest catalogue star lies close by if it is the same star, and anywhere if it
is not: of points strewn with density n, the nearest lies at a distance d with density
2 pi n d exp(-pi n d^2). The distances of a whole frame are a mixture of the two laws, whose
share and scatter are found by expectation maximisation (Dempster, Laird & Rubin 1977). So a
dense field, where chance finds a neighbour everywhere, is matched as surely as an empty one,
and a picture of something else shows no scatter that is smaller than chance's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera, Matched
from skyplumb.calibrate.sky import CATALOGUE_SKY, ObservedSky, carry, catalogue
from skyplumb.measure.flags import BIT
from skyplumb.measure.shapes import SIGMA_TO_FWHM
from skyplumb.records import NAN, Measure
from skyplumb.robust import mad_sigma

Floats = NDArray[np.float64]

FEWEST_MATCHES = 6
SPARSE_DEG = 1.7
"""A field narrower than this may hold fewer stars of the catalogue, which ends at G 10 with twelve
stars a square degree."""
FEWEST_OF_SPARSE = 4
"""So many do there, which no other field a degree or two around lays so within a pixel, if their
light is the catalogue's too."""
SPARSE_PX = 1.0
WHOLE = 1.1
"""Reach, in half diagonals, that holds the whole picture."""
SURE = 0.5
"""Least probability of a match to be the same star."""
CERTAIN_LOG_ODDS = 18.0
"""Natural logarithm of the odds against chance from which a frame counts as solved: one in
70 million, since thousands of attitudes and scales were tried before."""
NEIGHBOURS = 5
"""So many catalogue stars around a detection tell the density there."""
ROUNDS = 25
EDGE_PX = 8.0
"""A catalogue star so far outside the picture may be the one of a star at its edge."""
OFF_PX = 50.0
"""A start is off by no more, and its matches at the edge are still wanted."""
BENT_RAD = float(np.radians(0.3))
"""Refraction at 2 degrees of altitude: by no more it bends a field."""
CHANCE = ((3.0, 0.65), (12.0, 0.4))
"""How loosely matches lie, px, and how unlike the catalogue's their light is, mag: past both they
are chance neighbours among a thousand faint stars. Colours, cloud and saturation part stars of one
magnitude by 0.35 in 99 of 100 of 1,200 drawn frames and by 0.59 at most, chance neighbours by 0.74
at least."""
SATURATED_PX = 0.2
"""Error of the place of a star whose middle is flat (common practice, no source)."""
PATCHES = 64
"""Patches of the sky are some 0.9 degrees wide: one over so many."""


@dataclass(frozen=True, slots=True)
class Matches:
    """Stars of one frame and the catalogue stars they are."""

    matched: Matched
    star: NDArray[np.int64]
    """Rows of the star table."""
    catalogue: NDArray[np.int64]
    """Rows of the catalogue."""
    sigma_px: float
    """Scatter per axis of true matches beyond the expected centroid errors."""
    log_odds: float
    """Natural logarithm of the likelihood over that of chance matches alone."""
    unlike_mag: float
    """Scatter of their brightness against the catalogue's."""
    fewest: int = FEWEST_MATCHES
    """So many are needed in a field of this width."""

    @property
    def few(self) -> bool:
        """Whether they are fewer than a wider field would need."""
        return len(self.star) < FEWEST_MATCHES

    @property
    def certain(self) -> bool:
        """Whether these are the stars of the picture, beyond any doubt of chance."""
        if self.few and not (self.sigma_px < SPARSE_PX and self.unlike_mag < CHANCE[-1][1]):
            return False
        return (
            len(self.star) >= self.fewest
            and self.log_odds > CERTAIN_LOG_ODDS
            and not any(
                self.sigma_px > loose and self.unlike_mag > unlike for loose, unlike in CHANCE
            )
        )

    def same_stars(self, other: Matches) -> bool:
        """Whether these are the same matches, which an attitude would be fitted to alike."""
        return np.array_equal(self.star, other.star) and np.array_equal(
            self.catalogue, other.catalogue
        )


def _no_matches() -> Matches:
    nothing = Matched(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0))
    empty = np.zeros(0, np.int64)
    return Matches(nothing, empty, empty, NAN, 0.0, NAN)


@dataclass(frozen=True, slots=True)
class Mixture:
    """Distances of nearest neighbours as true matches and chance ones."""

    share: float
    """Part of the detections that are true matches."""
    sigma_px: float
    """Scatter per axis of true matches beyond their errors."""
    probability: Floats = field(repr=False)
    """Shape (n,): that each match is a true one."""
    log_odds: float
    """Natural logarithm of the likelihood over that of chance alone."""

    def sure(self, which: NDArray[np.int64]) -> NDArray[np.int64]:
        """Matches surely true; of those with the same neighbour, `which`, the likeliest."""
        found = np.flatnonzero(self.probability > SURE)
        found = found[np.argsort(-self.probability[found], kind="stable")]
        return np.sort(found[np.unique(which[found], return_index=True)[1]])


@dataclass(frozen=True, slots=True)
class Detections:
    """The stars of a picture whose places can be trusted, brightest first."""

    rows: NDArray[np.int64]
    """Of the star table."""
    pixels: Floats
    """Shape (n, 2)."""
    errors: Floats
    """Shape (n,): expected error of each per axis, px."""
    magnitude: Floats
    """Shape (n,): of its flux, without a zero point."""
    found: int
    """Length of the whole table."""

    @classmethod
    def of(cls, measure: Measure) -> Detections:
        """Those of one frame."""
        stars = measure.stars
        rows = trusted_rows(stars)
        pixels = np.stack([stars["x"][rows], stars["y"][rows]], 1).astype(np.float64)
        magnitude = -2.5 * np.log10(np.maximum(stars["flux"][rows].astype(np.float64), 1e-9))
        return cls(rows, pixels, centroid_errors(stars[rows]), magnitude, len(stars))


def match_stars(
    stars: Detections,
    sky: ObservedSky,
    camera: Camera,
    attitude: Floats,
    sigma_px: float,
    reach: float = WHOLE,
) -> Matches:
    """Match the stars of one frame with the catalogue; parameters as of `match_frames`."""
    around = stars_around(stars, sky, camera, attitude)
    return match_frames([stars], [around], camera, [attitude], [sigma_px], reach)[0]


def match_frames(
    frames: Sequence[Detections],
    around: Sequence[Around],
    camera: Camera,
    attitudes: Sequence[Floats],
    sigmas_px: Sequence[float],
    reach: float = WHOLE,
) -> list[Matches]:
    """Match the stars of frames with the catalogue, side by side.

    Parameters
    ----------
    frames : sequence of Detections
    around : sequence of Around
        The catalogue around each.
    camera, attitudes
        Where the catalogue is expected.
    sigmas_px : sequence of float
        How far off that may be; the search starts there.
    reach : float
        Only stars so far from the optical axis, in half diagonals.
    """
    from scipy.spatial import cKDTree

    if not frames:
        return []
    within = reach * _half_diagonal(camera)
    expected = _expected(frames, around, camera, attitudes, within)
    out = [_no_matches()] * len(frames)
    some, near, distance, index, density = [], [], [], [], []
    for n, (stars, (_, _, places)) in enumerate(zip(frames, expected, strict=True)):
        close = np.flatnonzero(np.hypot(*(stars.pixels - camera.middle).T) <= within)
        if len(close) == 0 or len(places) < 2:
            continue
        apart, which = cKDTree(places).query(stars.pixels[close], k=min(NEIGHBOURS, len(places)))
        some.append(n)
        near.append(close)
        distance.append(apart[:, 0])
        index.append(which[:, 0])
        density.append(_density(apart, camera, places))
    if not some:
        return out
    errors = [frames[n].errors[close] for n, close in zip(some, near, strict=True)]
    mixtures = mixtures_of(distance, density, errors, [sigmas_px[n] for n in some])
    for n, close, which, error, mixture in zip(some, near, index, errors, mixtures, strict=True):
        stars, (known, seen, _) = frames[n], expected[n]
        found = mixture.sure(which)
        rows, theirs = close[found], which[found]
        matched = Matched(stars.pixels[rows], seen[theirs], 1 / error[found])
        light = stars.magnitude[rows] - catalogue().magnitude[known[theirs]]
        out[n] = Matches(
            matched,
            stars.rows[rows],
            known[theirs],
            mixture.sigma_px,
            mixture.log_odds,
            mad_sigma(light),
            fewest_matches(camera),
        )
    return out


def fewest_matches(camera: Camera) -> int:
    """How many stars have to be the catalogue's in a picture of this field."""
    return FEWEST_OF_SPARSE if camera.width_deg < SPARSE_DEG else FEWEST_MATCHES


def mixture_of(distance: Floats, density: Floats, errors: Floats, sigma_px: float) -> Mixture:
    """One frame of `mixtures_of`."""
    return mixtures_of([distance], [density], [errors], [sigma_px])[0]


def mixtures_of(
    distance: Sequence[Floats],
    density: Sequence[Floats],
    errors: Sequence[Floats],
    sigmas_px: Sequence[float],
) -> list[Mixture]:
    """Share and scatter of true matches among nearest neighbours, frame by frame.

    Where the wanted scatter leaves doubt, smaller ones are tried: among many detections that the
    catalogue does not hold, a few close matches hide from a wide start.

    Parameters
    ----------
    distance : sequence of ndarray, shape (n,)
        From each detection of a frame to the nearest catalogue star, px.
    density : sequence of ndarray, shape (n,)
        Catalogue stars around it, 1/px^2.
    errors : sequence of ndarray, shape (n,)
        Expected error of each detection per axis, px.
    sigmas_px : sequence of float
        Where the scatter is looked for first. It stays below half of what chance makes of it.
    """
    best = _climb(distance, density, errors, sigmas_px)
    for part in (4, 16):
        doubtful = [n for n, one in enumerate(best) if not one.log_odds > CERTAIN_LOG_ODDS]
        if not doubtful:
            break
        others = _climb(
            [distance[n] for n in doubtful],
            [density[n] for n in doubtful],
            [errors[n] for n in doubtful],
            [sigmas_px[n] / part for n in doubtful],
        )
        for n, other in zip(doubtful, others, strict=True):
            if other.log_odds > best[n].log_odds:
                best[n] = other
    return best


def _climb(
    distances: Sequence[Floats],
    densities: Sequence[Floats],
    errors: Sequence[Floats],
    sigmas_px: Sequence[float],
) -> list[Mixture]:
    """Expectation maximisation from one start a frame, all frames in one array."""
    lengths = np.array([len(one) for one in distances])
    first = np.cumsum(lengths) - lengths
    frame = np.repeat(np.arange(len(lengths)), lengths)
    # A copy of a frame lies on it to the last digit, where both laws are zero.
    distance = np.maximum(np.concatenate(distances), 1e-6)
    density, errors2 = np.concatenate(densities), np.concatenate(errors) ** 2
    d2 = distance**2
    chance = 2 * np.pi * density * distance * np.exp(-np.pi * density * d2) + 1e-300
    # The nearest of points of density n lies at a mean square distance of 1 / (pi n).
    widest2 = np.array([0.25 / (2 * np.pi * np.median(one)) for one in densities])
    share, sigma2 = np.full(len(lengths), 0.5), np.minimum(np.square(sigmas_px), widest2)
    beyond = np.maximum(d2 / 2 - errors2, 0)
    true = probability = np.zeros(len(distance))
    climbs = np.ones(len(lengths), bool)
    for _ in range(ROUNDS):
        live, part, variance = climbs[frame], share[frame], sigma2[frame] + errors2
        true = np.where(live, distance / variance * np.exp(-d2 / (2 * variance)), true)
        mixed = part * true
        probability = np.where(live, mixed / (mixed + (1 - part) * chance), probability)
        total = np.add.reduceat(probability, first)
        climbs &= total >= 1e-3
        new = np.add.reduceat(probability * beyond, first) / np.maximum(total, 1e-3)
        settled = np.abs(new - sigma2) < 1e-3 * (sigma2 + 1e-4)
        sigma2 = np.where(climbs, np.minimum(np.maximum(new, 1e-6), widest2), sigma2)
        share = np.where(climbs, np.clip(total / lengths, 1e-3, 0.999), share)
        climbs &= ~settled
        if not climbs.any():
            break
    likelier = np.log(share[frame] * true + (1 - share[frame]) * chance) - np.log(chance)
    odds = np.add.reduceat(likelier, first)
    return [
        Mixture(float(part), float(np.sqrt(s2)), each, float(log_odds))
        for part, s2, each, log_odds in zip(
            share, sigma2, np.split(probability, first[1:]), odds, strict=True
        )
    ]


def trusted_rows(stars: NDArray[np.void]) -> NDArray[np.int64]:
    """Rows whose positions can be trusted; all rows where those are few.

    Saturated stars are among them, as places of a lesser worth (`centroid_errors`): in a long
    exposure or an empty field they are the ones that the catalogue holds.
    """
    poor = BIT["blended"] | BIT["edge"] | BIT["unfit"] | BIT["hot"]
    good = np.flatnonzero((stars["flags"] & poor) == 0)
    if len(good) >= 15:
        return good
    return np.arange(len(stars))


def unsaturated(stars: NDArray[np.void]) -> NDArray[np.int64]:
    """Rows whose places the sensor's limit did not move."""
    return np.flatnonzero((stars["flags"] & BIT["saturated"]) == 0)


def centroid_errors(stars: NDArray[np.void]) -> Floats:
    """Expected error of a centroid, px: photon noise over a floor for the optics."""
    width = SIGMA_TO_FWHM * np.sqrt(np.maximum(stars["mxx"] + stars["myy"], 0.5) / 2)
    signal = np.where(np.isfinite(stars["snr"]), stars["snr"], 10.0)
    floor = np.where(stars["flags"] & BIT["saturated"], SATURATED_PX, 0.05)
    errors: Floats = np.hypot(floor, 0.6 * width / np.maximum(signal, 3.0)).astype(np.float64)
    return errors


def _half_diagonal(camera: Camera) -> float:
    return float(np.hypot(camera.width_px, camera.height_px) / 2)


@dataclass(frozen=True, slots=True)
class Around:
    """The catalogue in and around a picture."""

    rows: NDArray[np.int64]
    seen: Floats
    """Shape (n, 3): the directions in which they are seen."""


def stars_around(stars: Detections, sky: ObservedSky, camera: Camera, attitude: Floats) -> Around:
    """The brightest stars around where a frame is believed to point, off by some pixels or not."""
    known = catalogue()
    radius = camera.field_radius_rad()
    # The catalogue goes deeper than a short exposure: as many as there are stars will do.
    most = 4 * stars.found + 200
    whole_sky = int(1.5 * most / ((1 - np.cos(radius)) / 2)) + 5000
    rows = may_show(sky, camera, attitude, (0, whole_sky), most)
    return Around(rows, sky.directions(known.ra_rad[rows], known.dec_rad[rows]))


def may_show(
    sky: ObservedSky,
    camera: Camera,
    attitude: Floats,
    between: tuple[int, int],
    most: int | None = None,
) -> NDArray[np.int64]:
    """Catalogue stars in a picture or just outside of it, brightest first.

    Where stars are seen takes longest to work out, so this tells first which are worth it.

    Parameters
    ----------
    sky, camera, attitude
    between : tuple of int
        Rows of the catalogue from the first on and before the second.
    most : int, optional
        So many at most, around the picture as well.
    """
    among_stars = carry(attitude, sky, CATALOGUE_SKY)
    axis = among_stars[2]
    radius = camera.field_radius_rad()
    rough = float(np.ceil(radius * PATCHES) / PATCHES)
    about, directions = _stars_about(*(int(n) for n in np.rint(axis * PATCHES)), rough)
    these = slice(*np.searchsorted(about, between))
    about, directions = about[these], directions[these]
    near = np.flatnonzero(directions @ axis > np.cos(radius))[:most]
    places = camera.project(directions[near] @ among_stars.T)
    with np.errstate(invalid="ignore"):
        inside = _inside(camera, places, OFF_PX + BENT_RAD * camera.focal_px)
    return about[near[inside]]


@lru_cache(maxsize=32)
def _stars_about(x: int, y: int, z: int, radius: float) -> tuple[NDArray[np.int64], Floats]:
    """Catalogue stars so near to any axis of one patch of the sky, brightest first, and their
    directions.

    Kept, since frame after frame of a run asks for the same patch.
    """
    middle = np.array([x, y, z]) / PATCHES
    # Half a patch along each axis, and that the middle is not quite a unit vector.
    reach = radius + 1.1 * np.sqrt(3) / 2 / PATCHES
    sky = catalogue().directions
    rows = np.flatnonzero(sky @ (middle / np.linalg.norm(middle)) > np.cos(min(reach, np.pi)))
    return rows, sky[rows]


def _inside(camera: Camera, places: Floats, margin_px: float) -> NDArray[np.bool_]:
    """Which pixels lie in the picture or so close to it; NaN does not."""
    half = np.array([camera.width_px, camera.height_px]) / 2
    return np.asarray((np.abs(places - half) < half + margin_px).all(1))


def _expected(
    frames: Sequence[Detections],
    around: Sequence[Around],
    camera: Camera,
    attitudes: Sequence[Floats],
    within_px: float,
) -> list[tuple[NDArray[np.int64], Floats, Floats]]:
    """Catalogue stars that should show: their rows, sky-frame directions and pixels."""
    turned = [one.seen @ attitude.T for one, attitude in zip(around, attitudes, strict=True)]
    places = camera.project(np.concatenate(turned))
    with np.errstate(invalid="ignore"):
        inside = _inside(camera, places, EDGE_PX)
        inside &= np.hypot(*(places - camera.middle).T) <= within_px
    out, begin = [], 0
    for stars, one in zip(frames, around, strict=True):
        mine = slice(begin, begin + len(one.rows))
        pick = np.flatnonzero(inside[mine])[: int(1.4 * stars.found) + 30]
        out.append((one.rows[pick], one.seen[pick], places[mine][pick]))
        begin += len(one.rows)
    return out


def _density(distance: Floats, camera: Camera, places: Floats) -> Floats:
    """Catalogue stars for each square pixel around each detection, by its neighbours."""
    k = distance.shape[1]
    # k - 1 within the k-th: unbiased for strewn points.
    local = (k - 1) / (np.pi * np.maximum(distance[:, -1], 0.5) ** 2)
    # An empty corner is no sparser than a tenth of the mean.
    return np.asarray(np.maximum(local, 0.1 * len(places) / (camera.width_px * camera.height_px)))
