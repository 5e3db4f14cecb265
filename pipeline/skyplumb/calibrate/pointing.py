"""Star tables -> where each frame pointed: plate solution, one camera a lens, every frame again.

First each frame is solved by itself with the focal length as a prior (or over all
scales). Then one camera model is fitted to the best frames of the lens, growing from
the middle of the picture outwards, and every frame is solved again with it: frames that
found nothing by themselves start from a neighbour's pointing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import tetra3rs
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from skyplumb.angles import position_axis_deg
from skyplumb.calibrate import patterns
from skyplumb.calibrate.camera import Camera, Matched, fit_attitude, fit_camera
from skyplumb.calibrate.sky import ObservedSky, catalogue, position_angle_deg, unit_vectors
from skyplumb.measure.flags import BIT
from skyplumb.measure.shapes import SIGMA_TO_FWHM
from skyplumb.records import NAN, Measure
from skyplumb.robust import robust_sigma

Floats = NDArray[np.float64]

PATTERN_STARS = 150
SEARCH_LIMIT = 200_000
"""Star patterns tried before a frame counts as unsolved; a count, so that the outcome
does not depend on the machine's speed."""
WIDEST_SEARCH_DEG = 42.0
CALIBRATION_FRAMES = 8
FEWEST_MATCHES = 6
FISHEYE_DISTORTION = 0.25
"""A rectilinear lens draws its corner within a few percent of a pinhole; a fisheye is far off."""


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where one frame pointed in the middle of its exposure."""

    solved: bool = False
    why_not: str = ""
    camera: Camera | None = None
    sky: ObservedSky | None = None
    attitude: Floats = field(default_factory=lambda: np.full((3, 3), np.nan))
    """Rotation from the sky frame (see `sky`) to the camera axes."""
    covariance: Floats = field(default_factory=lambda: np.full((3, 3), np.nan))
    """Of a small rotation about the camera axes x, y, z, rad^2."""
    star: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    """Rows of the star table that were matched."""
    catalogue: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    """The catalogue star each belongs to."""
    rms_px: float = NAN
    """Root mean square distance of matched stars of S/N over 20, per axis."""
    ra_deg: float = NAN
    """Middle of the picture, ICRS."""
    dec_deg: float = NAN
    roll_pa_deg: float = NAN
    """Position angle of the sensor's up direction, north through east."""
    altitude_deg: float = NAN
    azimuth_deg: float = NAN

    @property
    def scale_arcsec_px(self) -> float:
        """Image scale on the optical axis; NaN if unsolved."""
        return self.camera.scale_arcsec_px if self.camera is not None else NAN

    def middle_direction(self) -> Floats:
        """Sky-frame direction of the middle of the picture."""
        assert self.camera is not None
        pixel = np.array([[(self.camera.width_px - 1) / 2, (self.camera.height_px - 1) / 2]])
        return np.asarray((self.camera.directions(pixel) @ self.attitude)[0])

    def position_angle_of(self, image_angle_deg: float) -> float:
        """Position angle on the sky, 0..180, of an axis drawn at this angle in the picture."""
        if not self.solved or not np.isfinite(image_angle_deg):
            return NAN
        return position_axis_deg(_sky_angle(self, image_angle_deg))

    def way_pa_deg(self, image_angle_deg: float) -> float:
        """Position angle on the sky, 0..360, of a way from the middle of the picture."""
        if not self.solved or not np.isfinite(image_angle_deg):
            return NAN
        return _sky_angle(self, image_angle_deg)

    def image_angle_towards(self, direction: Floats) -> float:
        """Angle in the picture, from +x towards +y, of the way from its middle to `direction`."""
        if not self.solved or self.camera is None:
            return NAN
        middle = self.middle_direction()
        way = direction - (direction @ middle) * middle
        length = np.linalg.norm(way)
        if length < 1e-9:
            return NAN
        near = middle + 1e-4 * way / length
        pixels = self.camera.project(np.stack([middle, near]) @ self.attitude.T)
        move = pixels[1] - pixels[0]
        return float(np.degrees(np.arctan2(move[1], move[0])))


@dataclass(frozen=True, slots=True)
class StarField:
    """One light frame as the solver needs it."""

    measure: Measure
    sky: ObservedSky
    """The sky at the middle of the exposure."""


@dataclass(frozen=True, slots=True)
class LensSolution:
    """All frames of one camera and lens."""

    camera: Camera | None
    pointings: list[Pointing]
    fisheye: bool = False
    below_horizon: bool = False
    """True if the time and site would put most frames below the horizon: one is wrong."""


def solve_lens(
    exposures: Sequence[StarField],
    focal_px: float,
    say: Callable[[str], None] | None = None,
) -> LensSolution:
    """Point every frame of one camera and lens.

    Parameters
    ----------
    exposures : sequence of StarField
        In order of time, all of one picture size.
    focal_px : float
        Focal length over pixel pitch, a prior good to some 30 %; NaN if unknown.
    say : callable, optional
        Told when a pattern database is made.
    """
    if not exposures:
        return LensSolution(None, [])
    size = (exposures[0].measure.width_px, exposures[0].measure.height_px)
    known = focal_px
    first: list[_Start | None] = []
    misses = 0
    for exposure in exposures:
        start = None
        # A lens that fails often at every scale would cost more than it can give.
        if len(exposure.measure.stars) >= 5 and (np.isfinite(known) or misses < 6):
            start = _solve_alone(exposure, size, known, say)
            misses += start is None
            if start is not None and not np.isfinite(known):
                known = start.focal_px
        first.append(start)
    if np.isfinite(known) and not np.isfinite(focal_px):
        for number, exposure in enumerate(exposures):
            if first[number] is None and len(exposure.measure.stars) >= 5:
                first[number] = _solve_alone(exposure, size, known, say)
    if not any(first):
        return LensSolution(None, [Pointing(why_not=_why(e)) for e in exposures])
    if _below_horizon(exposures, first):
        return LensSolution(None, [Pointing() for _ in exposures], below_horizon=True)
    camera, fisheye = _calibrate(exposures, first, size)
    if fisheye or camera is None:
        why = "the lens is a fisheye: judged without pointing"
        return LensSolution(None, [Pointing(why_not=why) for _ in exposures], True)
    pointings: list[Pointing] = []
    for exposure, start in zip(exposures, first, strict=True):
        attitude = _attitude(exposure, start) if start is not None else None
        pointings.append(_solve_again(exposure, camera, attitude))
    _solve_from_neighbours(exposures, camera, pointings)
    return LensSolution(camera, pointings)


@dataclass(frozen=True, slots=True)
class _Start:
    """What the plate solver said of one frame."""

    rotation: Floats
    """ICRS to camera axes."""
    focal_px: float
    parity: int


def _why(exposure: StarField) -> str:
    count = len(exposure.measure.stars)
    if count < 5:
        return f"only {count} stars were found"
    return "no star pattern of the catalogue fits"


def _solve_alone(
    exposure: StarField,
    size: tuple[int, int],
    focal_px: float,
    say: Callable[[str], None] | None,
) -> _Start | None:
    """Plate solution of one frame; the whole range of scales is swept if it is unknown."""
    width, height = size
    if np.isfinite(focal_px):
        trials = [(2 * np.degrees(np.arctan(width / 2 / focal_px)), 0.3)]
    else:
        # Each trial covers its own half above and below; together 1.6 to 110 degrees.
        trials = [(60.0, 0.5), (28.0, 0.5), (104.0, 0.3), (13.0, 0.5), (6.5, 0.5), (3.0, 0.5)]
    stars = exposure.measure.stars
    x = stars["x"].astype(np.float64) - (width - 1) / 2
    y = stars["y"].astype(np.float64) - (height - 1) / 2
    for field_deg, tolerance in trials:
        share = 1.0
        if field_deg > WIDEST_SEARCH_DEG:
            share = np.tan(np.radians(WIDEST_SEARCH_DEG / 2)) / np.tan(np.radians(field_deg / 2))
        inside = (np.abs(x) <= share * width / 2) & (np.abs(y) <= share * height / 2)
        rows = np.flatnonzero(inside)[:PATTERN_STARS]
        if len(rows) < 5:
            continue
        seen_deg = min(field_deg, WIDEST_SEARCH_DEG)
        base = patterns.database(patterns.tier_for(seen_deg), say)
        result = base.solve_from_centroids(
            np.stack([x[rows], y[rows], stars["flux"][rows]], 1),
            fov_estimate_deg=float(seen_deg),
            fov_max_error_deg=float(seen_deg * tolerance),
            image_width=max(int(share * width), 8),
            image_height=max(int(share * height), 8),
            solve_timeout_ms=None,
            max_patterns_checked=SEARCH_LIMIT,
        )
        if isinstance(result, tetra3rs.SolveResult):
            return _Start(
                np.asarray(result.rotation_matrix_icrs_to_camera),
                float(result.camera_model.focal_length_px),
                -1 if result.parity_flip else 1,
            )
    return None


def _attitude(exposure: StarField, start: _Start) -> Floats:
    """The solver's rotation carried from ICRS into the frame the stars are seen in."""
    if exposure.sky.utc is None:
        return start.rotation
    axes = start.rotation[[2, 0]]
    # Refraction has no meaning far below the horizon; a point near the axis gives the roll.
    near = axes[0] + 0.02 * axes[1]
    both = np.stack([axes[0], near / np.linalg.norm(near)])
    seen = exposure.sky.directions(np.arctan2(both[:, 1], both[:, 0]), np.arcsin(both[:, 2]))
    z = seen[0]
    x = seen[1] - (seen[1] @ z) * z
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def _below_horizon(exposures: Sequence[StarField], first: Sequence[_Start | None]) -> bool:
    """Whether most frames that were solved point below the horizon of their time and site."""
    altitudes = []
    for exposure, start in zip(exposures, first, strict=True):
        if start is not None and exposure.sky.observed:
            axis = _attitude(exposure, start)[2]
            altitudes.append(float(exposure.sky.altitude_azimuth_deg(axis[None, :])[0][0]))
    return bool(altitudes) and float(np.median(altitudes)) < -1.0


def _calibrate(
    exposures: Sequence[StarField], first: Sequence[_Start | None], size: tuple[int, int]
) -> tuple[Camera | None, bool]:
    """One camera from the frames with the most stars; True if the lens is a fisheye."""
    starts = {n: start for n, start in enumerate(first) if start is not None}
    parity = 1 if sum(start.parity for start in starts.values()) >= 0 else -1
    starts = {n: start for n, start in starts.items() if start.parity == parity}
    focal = float(np.median([start.focal_px for start in starts.values()]))
    # Sharp frames with many stars, from anywhere in the night.
    order = sorted(starts, key=lambda n: (-_sharpness(exposures[n].measure), n))
    chosen = sorted(order[:CALIBRATION_FRAMES])
    camera = Camera(focal, size[0], size[1], parity)
    attitudes = [_attitude(exposures[n], starts[n]) for n in chosen]
    # So near the middle even a fisheye is close enough to a pinhole to be matched.
    reach = 0.15
    centre_sigma = 0.01 * size[0]
    while True:
        sets = [
            _match(exposures[n], camera, attitude, tolerance=8.0, reach=reach)[0]
            for n, attitude in zip(chosen, attitudes, strict=True)
        ]
        usable = [n for n, s in enumerate(sets) if len(s.pixels) >= FEWEST_MATCHES]
        if not usable:
            if reach >= 1.1:
                return None, camera.corner > 0.5
            reach *= 1.3
            continue
        chosen = [chosen[n] for n in usable]
        camera, attitudes = fit_camera(
            camera, [sets[n] for n in usable], [attitudes[n] for n in usable], centre_sigma
        )
        if reach >= 1.1:
            break
        reach *= 1.3
    for tolerance in (4.0, 2.5):
        sets = [
            _match(exposures[n], camera, attitude, tolerance=tolerance)[0]
            for n, attitude in zip(chosen, attitudes, strict=True)
        ]
        keep = [n for n, s in enumerate(sets) if len(s.pixels) >= FEWEST_MATCHES]
        if not keep:
            return camera, False
        chosen = [chosen[n] for n in keep]
        camera, attitudes = fit_camera(
            camera, [sets[n] for n in keep], [attitudes[n] for n in keep], centre_sigma
        )
    fisheye = abs(camera.corner_distortion()) > FISHEYE_DISTORTION or not camera.grows()
    return camera, fisheye


def _sharpness(measure: Measure) -> float:
    """Stars that may vote, less where they are trailed."""
    stars = measure.stars
    voting = stars[(stars["flags"] & ~BIT["faint"]) == 0]
    if len(voting) == 0:
        return 0.0
    size = np.median(voting["mxx"] + voting["myy"])
    return float(len(voting) / max(size, 0.5))


def _match(
    exposure: StarField,
    camera: Camera,
    attitude: Floats,
    tolerance: float,
    reach: float = 1.1,
) -> tuple[Matched, NDArray[np.int64], NDArray[np.int64], float]:
    """Pair stars with the catalogue.

    Returns the pairs, the rows of the star table, the rows of the catalogue, and the
    number of pairs that chance alone would give.
    """
    stars = exposure.measure.stars
    rows = _positions(stars)
    known = catalogue()
    axis = _icrs_axis(exposure, attitude)
    radius = np.arctan(min(camera.corner * 1.3, 12.0)) * 1.05 + 0.01
    radius = min(radius, 1.4)
    # The catalogue goes deeper than a short exposure: as many as there are stars will do.
    most = 4 * len(stars) + 200
    whole_sky = int(1.5 * most / ((1 - np.cos(radius)) / 2)) + 5000
    near = np.flatnonzero(known.directions[:whole_sky] @ axis > np.cos(radius))[:most]
    seen = exposure.sky.directions(known.ra_rad[near], known.dec_rad[near])
    places = camera.project(seen @ attitude.T)
    half = np.array([camera.width_px, camera.height_px]) / 2
    off = (places - camera.middle) / np.hypot(*half)
    inside = (
        np.isfinite(places).all(1)
        & (np.abs(places - half) < half + tolerance).all(1)
        & (np.hypot(off[:, 0], off[:, 1]) <= reach)
    )
    most = int(1.4 * len(stars)) + 30
    pick = np.flatnonzero(inside)[:most]
    near, seen, places = near[pick], seen[pick], places[pick]
    empty = np.zeros(0, np.int64)
    if len(near) == 0 or len(rows) == 0:
        return Matched(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0)), empty, empty, 0.0
    pixels = np.stack([stars["x"][rows], stars["y"][rows]], 1).astype(np.float64)
    distance, index = cKDTree(places).query(pixels, k=2 if len(places) > 1 else 1)
    if distance.ndim == 1:
        distance, index = distance[:, None], index[:, None]
    alone = distance.shape[1] < 2
    clear = np.full(len(rows), True) if alone else distance[:, 1] > 2 * tolerance
    near_enough = (distance[:, 0] < tolerance) & (clear | (distance[:, 0] < tolerance / 4))
    found = np.flatnonzero(near_enough)
    # Each catalogue star belongs to the brightest detection beside it (tables are sorted).
    _, once = np.unique(index[found, 0], return_index=True)
    found = found[np.sort(once)]
    which = index[found, 0]
    area = camera.width_px * camera.height_px * min(reach, 1.0) ** 2
    chance = len(rows) * len(places) * np.pi * tolerance**2 / area
    errors = _errors(stars[rows[found]])
    return (
        Matched(pixels[found], seen[which], 1 / errors),
        rows[found],
        near[which],
        float(chance),
    )


def _positions(stars: NDArray[np.void]) -> NDArray[np.int64]:
    """Rows whose positions can be trusted; all rows where those are few."""
    poor = BIT["saturated"] | BIT["blended"] | BIT["edge"] | BIT["unfit"] | BIT["hot"]
    good = np.flatnonzero((stars["flags"] & poor) == 0)
    if len(good) >= 15:
        return good
    return np.arange(len(stars))


def _errors(stars: NDArray[np.void]) -> Floats:
    """Expected error of a centroid, px: photon noise over a floor for the optics."""
    width = SIGMA_TO_FWHM * np.sqrt(np.maximum(stars["mxx"] + stars["myy"], 0.5) / 2)
    signal = np.where(np.isfinite(stars["snr"]), stars["snr"], 10.0)
    errors: Floats = np.hypot(0.05, 0.6 * width / np.maximum(signal, 3.0)).astype(np.float64)
    return errors


def _icrs_axis(exposure: StarField, attitude: Floats) -> Floats:
    """ICRS direction of the optical axis."""
    ra, dec = exposure.sky.icrs(attitude[2][None, :])
    return np.asarray(unit_vectors(ra, dec)[0])


def _solve_again(exposure: StarField, camera: Camera, attitude: Floats | None) -> Pointing:
    """Attitude with the lens's camera model, from a start within a few pixels or tens of them."""
    if attitude is None:
        return Pointing(why_not=_why(exposure))
    rows = cats = np.zeros(0, np.int64)
    covariance = residuals = np.zeros((0, 2))
    chance = 0.0
    tolerance = 12.0
    for tolerance in (12.0, 5.0, 3.0):
        matched, rows, cats, chance = _match(exposure, camera, attitude, tolerance)
        if len(rows) < FEWEST_MATCHES:
            return Pointing(why_not="too few catalogue stars fit the picture")
        attitude, covariance, residuals = fit_attitude(camera, matched, attitude)
    distance = np.hypot(residuals[:, 0], residuals[:, 1])
    spread = robust_sigma(residuals)
    inlier = distance < max(4 * spread, 0.4)
    if np.count_nonzero(inlier) < FEWEST_MATCHES or len(rows) < 2.5 * chance + 4:
        return Pointing(why_not="too few catalogue stars fit the picture")
    rows, cats, residuals = rows[inlier], cats[inlier], residuals[inlier]
    strong = exposure.measure.stars["snr"][rows] > 20
    used = residuals[strong] if np.count_nonzero(strong) >= 5 else residuals
    pointing = Pointing(
        solved=True,
        camera=camera,
        sky=exposure.sky,
        attitude=attitude,
        covariance=covariance,
        star=rows,
        catalogue=cats,
        rms_px=float(np.sqrt(np.mean(used**2))),
    )
    return _with_places(pointing, exposure.sky)


def _with_places(pointing: Pointing, frame: ObservedSky) -> Pointing:
    """The same with right ascension, declination, roll, altitude and azimuth."""
    middle = pointing.middle_direction()
    ra, dec = frame.icrs(middle[None, :])
    altitude, azimuth = frame.altitude_azimuth_deg(middle[None, :])
    return replace(
        pointing,
        ra_deg=float(np.degrees(ra[0])),
        dec_deg=float(np.degrees(dec[0])),
        roll_pa_deg=_sky_angle(pointing, -90.0),
        altitude_deg=float(altitude[0]),
        azimuth_deg=float(azimuth[0]),
    )


def _sky_angle(pointing: Pointing, image_angle_deg: float) -> float:
    """Position angle, 0..360, of a way in the picture from its middle."""
    camera = pointing.camera
    assert camera is not None and pointing.sky is not None
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    turn = np.radians(image_angle_deg)
    way = middle + 20 * np.array([np.cos(turn), np.sin(turn)])
    seen = camera.directions(np.stack([middle, way])) @ pointing.attitude
    ra, dec = pointing.sky.icrs(seen)
    places = unit_vectors(ra, dec)
    return position_angle_deg(places[0], places[1] - (places[1] @ places[0]) * places[0])


def _solve_from_neighbours(
    exposures: Sequence[StarField], camera: Camera, pointings: list[Pointing]
) -> None:
    """Try frames that found nothing from the nearest solved frame before and after them."""
    for number, exposure in enumerate(exposures):
        if pointings[number].solved or len(exposure.measure.stars) < FEWEST_MATCHES:
            continue
        earlier = next((n for n in range(number - 1, -1, -1) if pointings[n].solved), None)
        later = next((n for n in range(number + 1, len(pointings)) if pointings[n].solved), None)
        for near in (earlier, later):
            if near is None:
                continue
            start = _carried(exposures[near], pointings[near], exposure)
            again = _solve_again(exposure, camera, start)
            if again.solved:
                pointings[number] = again
                break


def _carried(there: StarField, pointing: Pointing, here: StarField) -> Floats:
    """The attitude another frame had, for a camera that followed the stars until now."""
    if here.sky.observed != there.sky.observed:
        return pointing.attitude
    # Rows of the attitude are sky directions of the camera axes; follow them among the stars.
    z = pointing.attitude[2]
    near = z + 0.02 * pointing.attitude[0]
    both = np.stack([z, near / np.linalg.norm(near)])
    ra, dec = there.sky.icrs(both)
    seen = here.sky.directions(ra, dec)
    x = seen[1] - (seen[1] @ seen[0]) * seen[0]
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(seen[0], x), seen[0]])
