"""A lens: where on the sensor a direction falls, and what it makes of a point of light there.

Places follow the projection r = f/k tan(k theta), which holds the rectilinear (k = 1), the
stereographic (1/2) and, as k falls to 0, the equidistant one (Fleck, "Perspective projection: the
wrong imaging model", 1995, lists those; the family between them is from memory). Points of light
are spots of rays: third-order aberrations of a round pupil (Welford, "Aberrations of Optical
Systems", 1986; from memory), each ray a small round blur of diffraction, filter and seeing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sensor:
    """Samples and what they are worth."""

    width: int = 1600
    height: int = 1064
    pitch_um: float = 9.0
    mosaic: str = "RGGB"
    """Colours of the first two rows; empty for a sensor without filters."""
    black: int = 512
    white: int = 16383
    full_well_e: float = 60_000.0
    """Electrons that reach `white` at ISO 100."""
    read_noise_e: float = 3.2
    dark_e_s: float = 0.06
    hot_pixels: int = 60
    seed: int = 1
    clips_black: bool = False
    """Samples under black are lost, as some bodies do."""

    def gain_e(self, iso: float) -> float:
        """Electrons a digital step."""
        return self.full_well_e / (self.white - self.black) * 100.0 / iso

    @property
    def middle(self) -> tuple[float, float]:
        return (self.width - 1) / 2, (self.height - 1) / 2

    @property
    def half_diagonal_px(self) -> float:
        return float(np.hypot(self.width, self.height) / 2)


@dataclass(frozen=True, slots=True)
class Lens:
    """One lens at one aperture; aberrations in pixels at the edge of the pupil."""

    name: str
    focal_mm: float
    fnumber: float
    bend: float = 0.9
    """k of the projection: under 1 bends straight lines outwards, over 1 inwards."""
    off_axis_px: tuple[float, float] = (0.0, 0.0)
    """Where the optical axis meets the sensor, from its middle."""
    blur_px: float = 0.95
    """Standard deviation of the round blur of each ray."""
    halo: float = 0.12
    """Share of light in a blur 2.3 times as wide."""
    defocus_px: float = 0.0
    spherical_px: float = 0.15
    coma_px: float = 0.4
    """At the corner of the sensor, as the next two."""
    astigmatism_px: float = 0.3
    curvature_px: float = 0.2
    tilt_px: tuple[float, float] = (0.0, 0.0)
    """Defocus that a tilted sensor adds at its right and lower edge."""
    vignetting: float = 0.25
    """Share lost at the corner, beside cos^4."""

    def focal_px(self, sensor: Sensor) -> float:
        return self.focal_mm * 1000.0 / sensor.pitch_um

    def scale_arcsec_px(self, sensor: Sensor) -> float:
        """On the axis: 206264.806 p / f."""
        return 206_264.806 / self.focal_px(sensor)

    def project(self, directions: Floats, sensor: Sensor) -> tuple[Floats, Floats]:
        """Pixel places, shape (...), of camera directions, shape (..., 3); NaN behind the lens."""
        x, y, z = np.moveaxis(directions, -1, 0)
        off = np.hypot(x, y)
        angle = np.arctan2(off, z)
        angle = np.where(angle * self.bend < 1.45, angle, np.nan)
        radius = self.focal_px(sensor) / self.bend * np.tan(self.bend * angle)
        share = np.divide(radius, off, out=np.full_like(off, self.focal_px(sensor)), where=off > 0)
        middle_x, middle_y = sensor.middle
        return (
            middle_x + self.off_axis_px[0] + share * x,
            middle_y + self.off_axis_px[1] + share * y,
        )

    def unproject(self, x: Floats, y: Floats, sensor: Sensor) -> Floats:
        """Camera directions, shape (..., 3), of pixel places."""
        middle_x, middle_y = sensor.middle
        dx = x - middle_x - self.off_axis_px[0]
        dy = y - middle_y - self.off_axis_px[1]
        radius = np.hypot(dx, dy)
        angle = np.arctan(radius * self.bend / self.focal_px(sensor)) / self.bend
        share = np.divide(
            np.sin(angle),
            radius,
            out=np.full_like(radius, 1 / self.focal_px(sensor)),
            where=radius > 0,
        )
        return np.stack([share * dx, share * dy, np.cos(angle)], axis=-1)

    def reach_deg(self, sensor: Sensor) -> float:
        """From the middle to the corner, degrees."""
        corner = np.array([0.0]), np.array([0.0])
        directions = self.unproject(*corner, sensor)
        middle = self.unproject(np.array([sensor.middle[0]]), np.array([sensor.middle[1]]), sensor)
        return float(np.degrees(np.arccos(np.sum(directions * middle))))

    def throughput(self, x: Floats, y: Floats, sensor: Sensor) -> Floats:
        """Share of light at a place: cos^4 and vignetting."""
        radius = self._radius(x, y, sensor) * sensor.half_diagonal_px
        cosine = np.cos(np.arctan(radius / self.focal_px(sensor)))
        return cosine**4 * (1 - self.vignetting * (radius / sensor.half_diagonal_px) ** 3)

    def _radius(self, x: Floats, y: Floats, sensor: Sensor) -> Floats:
        """From the optical axis, in half diagonals."""
        middle_x, middle_y = sensor.middle
        return (
            np.hypot(x - middle_x - self.off_axis_px[0], y - middle_y - self.off_axis_px[1])
            / sensor.half_diagonal_px
        )

    def spots(
        self,
        x: Floats,
        y: Floats,
        sensor: Sensor,
        rays: tuple[int, int],
        more_defocus_px: float = 0.0,
    ) -> tuple[Floats, Floats]:
        """Where rays of stars at places fall about their mean, pixels, each shape (n, rays).

        Transverse aberration at pupil radius p and angle w from the meridian, H the field:
        radial      S p^3 cos w + C H^2.. p^2 (2 + cos 2w) + (3 A + P) H^2 p cos w + D p cos w,
        sagittal    S p^3 sin w + C p^2 sin 2w + (A + P) H^2 p sin w + D p sin w,
        with C growing as H. The centre of light is taken off, so a star stands where `project`
        says. The pupil is sampled so that second moments are exact: Gauss-Legendre in p^2,
        evenly in angle.
        """
        rings, around = rays
        nodes, weights = np.polynomial.legendre.leggauss(rings)
        pupil = np.sqrt((nodes + 1) / 2)
        angle = 2 * np.pi * (np.arange(around) + 0.5) / around
        p = np.repeat(pupil, around)
        w = np.tile(angle, rings)
        weight = np.repeat(weights / 2, around) / around
        middle_x, middle_y = sensor.middle
        dx, dy = x - middle_x - self.off_axis_px[0], y - middle_y - self.off_axis_px[1]
        field = np.hypot(dx, dy) / sensor.half_diagonal_px
        towards = np.arctan2(dy, dx)
        tilt = (
            self.tilt_px[0] * (x - middle_x) / middle_x
            + self.tilt_px[1] * (y - middle_y) / middle_y
        )
        defocus = (self.defocus_px + more_defocus_px + tilt)[:, None]
        coma = self.coma_px * field[:, None]
        astigmatism = self.astigmatism_px * field[:, None] ** 2
        curvature = self.curvature_px * field[:, None] ** 2
        radial = (
            self.spherical_px * p**3 * np.cos(w)
            + coma * p**2 * (2 + np.cos(2 * w))
            + (3 * astigmatism + curvature + defocus) * p * np.cos(w)
        )
        sagittal = (
            self.spherical_px * p**3 * np.sin(w)
            + coma * p**2 * np.sin(2 * w)
            + (astigmatism + curvature + defocus) * p * np.sin(w)
        )
        radial = radial - (radial @ weight)[:, None]
        cos, sin = np.cos(towards)[:, None], np.sin(towards)[:, None]
        return radial * cos - sagittal * sin, radial * sin + sagittal * cos

    @staticmethod
    def ray_weights(rays: tuple[int, int]) -> Floats:
        """Share of light in each ray of `spots`, shape (rays,)."""
        _, weights = np.polynomial.legendre.leggauss(rays[0])
        return np.repeat(weights / 2, rays[1]) / rays[1]

    def rays_for(self, more_defocus_px: float = 0.0) -> tuple[int, int]:
        """Rings and rays a ring that leave no gaps between blurs."""
        size = (
            max(
                abs(self.defocus_px + more_defocus_px)
                + abs(self.tilt_px[0])
                + abs(self.tilt_px[1]),
                self.coma_px * 2,
                3 * self.astigmatism_px + self.curvature_px,
            )
            / self.blur_px
        )
        if size < 2.2:
            return 2, 6
        return (3, 12) if size < 4 else (6, 24)

    def variance_px2(self, sensor: Sensor, more_defocus_px: float = 0.0) -> float:
        """Mean of a star's xx and yy in the middle of the field, the halo in it."""
        middle = np.array([sensor.middle[0] + 1e-6]), np.array([sensor.middle[1]])
        rays = (6, 24)
        dx, dy = self.spots(*middle, sensor, rays, more_defocus_px)
        spot = float((dx**2 + dy**2)[0] @ self.ray_weights(rays)) / 2
        return self.blur_px**2 * (1 - self.halo + self.halo * 2.3**2) + spot + 1 / 12
