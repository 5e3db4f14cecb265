"""The lens: from directions to pixels, and the shape and brightness of a star there.

Pixel positions are (x, y), the centre of the first pixel at (0, 0), +x right and +y down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scene import Body, Lens

Floats = NDArray[np.float64]

_OUTSIDE = 1.35
"""Undistorted radius, in half-diagonals, past which nothing is drawn: a polynomial folds back."""


@dataclass(frozen=True, slots=True)
class Optics:
    """A lens in front of a sensor, ready to project."""

    lens: Lens
    width_px: int
    height_px: int
    pixel_um: float

    @classmethod
    def of(cls, lens: Lens, body: Body) -> Optics:
        """The pair of a lens and a body."""
        return cls(lens, body.width_px, body.height_px, body.pixel_um)

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.lens.focal_mm * 1000.0 / self.pixel_um

    @property
    def scale_arcsec_px(self) -> float:
        """Scale on the axis."""
        return float(np.degrees(1.0 / self.focal_px) * 3600.0)

    @property
    def centre(self) -> Floats:
        """Middle of the picture, where the axis is, px."""
        return np.array([(self.width_px - 1) / 2.0, (self.height_px - 1) / 2.0])

    @property
    def half_diagonal_px(self) -> float:
        """Distance from the middle to a corner of the sensor."""
        return float(np.hypot(self.width_px, self.height_px) / 2.0)

    @property
    def corners(self) -> Floats:
        """Centres of the four corner pixels, shape (4, 2)."""
        right, low = self.width_px - 1.0, self.height_px - 1.0
        return np.array([[0.0, 0.0], [right, 0.0], [0.0, low], [right, low]])

    def pixels(self, vectors: Floats) -> Floats:
        """Where directions in the camera's frame fall, shape (..., 3) to (..., 2).

        NaN behind the camera and far outside the picture.
        """
        ahead = np.where(vectors[..., 2] > 0.02, vectors[..., 2], np.nan)
        flat = vectors[..., :2] / ahead[..., None] * self.focal_px
        r2 = np.sum(flat**2, axis=-1, keepdims=True) / self.half_diagonal_px**2
        stretch = 1.0 + self.lens.k1 * r2 + self.lens.k2 * r2**2
        return np.asarray(np.where(r2 < _OUTSIDE**2, flat * stretch, np.nan) + self.centre)

    def directions(self, pixels: Floats) -> Floats:
        """The inverse of `pixels`: unit vectors in the camera's frame, shape (..., 3)."""
        seen = (np.asarray(pixels) - self.centre) / self.half_diagonal_px
        flat = seen.copy()
        for _ in range(60):  # a contraction for every lens that does not fold
            r2 = np.sum(flat**2, axis=-1, keepdims=True)
            flat = seen / (1.0 + self.lens.k1 * r2 + self.lens.k2 * r2**2)
        flat = flat * self.half_diagonal_px / self.focal_px
        out = np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)
        return np.asarray(out / np.linalg.norm(out, axis=-1, keepdims=True))

    def shape(self, pixels: Floats, hours: float = 0.0) -> Floats:
        """Squared full width of a star as a tensor (xx, yy, xy), px^2, shape (..., 3).

        `hours` since the start of the run lets the focus drift.
        """
        lens = self.lens
        from_centre = np.asarray(pixels) - self.centre
        off = (from_centre - np.array(lens.decentre_px)) / self.half_diagonal_px
        r2 = np.sum(off**2, axis=-1)
        # growth - 2 powers, since the outer product below already carries two
        grow = np.where(r2 > 0, np.maximum(r2, 1e-12) ** (lens.growth / 2.0 - 1.0), 0.0)
        x, y = off[..., 0], off[..., 1]
        radial, tangential = lens.radial_px**2 * grow, lens.tangential_px**2 * grow
        tilt = lens.tilt_px[0] * from_centre[..., 0] / (self.width_px / 2.0) + lens.tilt_px[
            1
        ] * from_centre[..., 1] / (self.height_px / 2.0)
        round_part = lens.fwhm_px**2 + (tilt + lens.focus_drift_px_per_h * hours) ** 2
        return np.stack(
            [
                round_part + radial * x * x + tangential * y * y,
                round_part + radial * y * y + tangential * x * x,
                (radial - tangential) * x * y,
            ],
            axis=-1,
        )

    def brightness(self, pixels: Floats) -> Floats:
        """Share of the light that arrives, 1 in the middle, shape (...)."""
        off = (np.asarray(pixels) - self.centre) / self.half_diagonal_px
        return self.brightness_at(np.sum(off**2, axis=-1))

    def brightness_at(self, r2: Floats) -> Floats:
        """The same from the squared radius in half-diagonals."""
        corner = (1.0 - self.lens.vignetting) ** -0.5 - 1.0
        return np.asarray((1.0 + corner * r2) ** -2)
