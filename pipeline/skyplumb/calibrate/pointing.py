"""Where one frame pointed, and what directions in its picture mean on the sky."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import position_axis_deg
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.sky import ObservedSky, east_and_north, unit_vectors
from skyplumb.records import NAN

Floats = NDArray[np.float64]


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
    on_sky: Floats = field(default_factory=lambda: np.full((2, 2), np.nan))
    """How far east and north the middle moves for a pixel along x and along y, rad, ICRS."""

    @property
    def scale_arcsec_px(self) -> float:
        """Image scale on the optical axis; NaN if unsolved."""
        return self.camera.scale_arcsec_px if self.camera is not None else NAN

    def middle_direction(self) -> Floats:
        """Sky-frame direction of the middle of the picture."""
        assert self.camera is not None
        return np.asarray(_around_middle(self.camera)[0] @ self.attitude)

    def position_angle_of(self, image_angle_deg: float) -> float:
        """Position angle on the sky, 0..180, of an axis drawn at this angle in the picture."""
        if not self.solved or not np.isfinite(image_angle_deg):
            return NAN
        return position_axis_deg(self.way_pa_deg(image_angle_deg))

    def way_pa_deg(self, image_angle_deg: float) -> float:
        """Position angle on the sky, 0..360, of a way from the middle of the picture."""
        if not self.solved or not np.isfinite(image_angle_deg):
            return NAN
        turn, on_sky = np.radians(image_angle_deg), self.on_sky
        if self.sky is not None and not np.isfinite(on_sky).all():
            on_sky = _on_sky(self, self.sky)[2]
        east, north = np.array([np.cos(turn), np.sin(turn)]) @ on_sky
        return float(np.degrees(np.arctan2(east, north)) % 360.0)

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


def with_places(pointing: Pointing, frame: ObservedSky) -> Pointing:
    """The same with right ascension, declination, roll, altitude and azimuth."""
    middle = pointing.middle_direction()
    ra, dec, on_sky = _on_sky(pointing, frame)
    pointing = replace(pointing, on_sky=on_sky)
    altitude, azimuth = frame.altitude_azimuth_deg(middle[None, :])
    return replace(
        pointing,
        ra_deg=float(np.degrees(ra)),
        dec_deg=float(np.degrees(dec)),
        roll_pa_deg=pointing.way_pa_deg(-90.0),
        altitude_deg=float(altitude[0]),
        azimuth_deg=float(azimuth[0]),
    )


def _on_sky(pointing: Pointing, frame: ObservedSky) -> tuple[float, float, Floats]:
    """Place of the middle, rad, and what `Pointing.on_sky` keeps: each angle is turned by it."""
    camera = pointing.camera
    assert camera is not None
    middle, per_px = _around_middle(camera)
    seen = np.stack([middle, middle + per_px[0], middle + per_px[1]])
    seen /= np.linalg.norm(seen, axis=1)[:, None]
    ra, dec = frame.icrs(seen @ pointing.attitude)
    here, *there = unit_vectors(ra, dec)
    return float(ra[0]), float(dec[0]), (np.stack(there) - here) @ east_and_north(here).T


@lru_cache(maxsize=64)
def _around_middle(camera: Camera) -> tuple[Floats, Floats]:
    """Direction of the picture's middle in camera axes, and its change a pixel, shape (2, 3).

    Kept, since every frame of a lens asks for it several times and a lens is inverted slowly.
    """
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    steps = np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    here, right, left, down, up = camera.directions(middle + steps)
    return here, np.stack([right - left, down - up]) / 2
