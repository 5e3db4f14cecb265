"""Light that a fit leaves out, air masses, and zero points with an extinction that is known."""

from __future__ import annotations

import galsim
import numpy as np
import pytest

from skyplumb.judge.sky_light import air_mass, left_out_mag
from skyplumb.measure.stars import measure_stars
from skyplumb.records import Measure, Plate

SIZE = (700, 500)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("star", "least", "most"),
    [
        (galsim.Gaussian(fwhm=2.2), -0.02, 0.02),
        (galsim.Gaussian(fwhm=4.0), -0.02, 0.02),
        (galsim.Moffat(beta=3.0, fwhm=2.6, trunc=13.0), 0.1, 0.35),
    ],
)
def test_light_in_the_wings_is_that_of_galsim(
    star: galsim.GSObject, least: float, most: float
) -> None:
    rng = np.random.default_rng(2)
    picture = galsim.Image(*SIZE, scale=1.0, dtype=np.float32, xmin=0, ymin=0)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(30, 680, 32.0), np.arange(30, 480, 32.0)))
    at = np.stack([x, y], 1) + rng.uniform(-4, 4, (len(x), 2))
    for place in at:
        corner = np.rint(place).astype(int) - 24
        bounds = galsim.BoundsI(corner[0], corner[0] + 48, corner[1], corner[1] + 48)
        stamp = galsim.Image(bounds & picture.bounds, dtype=np.float32)
        star.withFlux(4e4).drawImage(stamp, scale=1.0, center=galsim.PositionD(*place))
        picture[stamp.bounds] += stamp
    samples = picture.array + rng.normal(100, 4, picture.array.shape)
    found = measure_stars(
        Plate(
            samples.astype(np.float32),
            np.array([[1]], np.uint8),
            np.zeros((1, 1), np.float32),
            np.inf,
        )
    )
    measure = Measure("L.fits", "light", "", width_px=SIZE[0], height_px=SIZE[1],
                      stars=found.stars, mean_star=found.mean_star)  # fmt: skip
    told = left_out_mag(measure)
    missed = 2.5 * np.log10(4e4 / float(np.median(found.stars["flux"])))
    assert told == pytest.approx(missed, abs=0.03)
    assert least < told < most


def test_air_masses_are_those_of_the_published_table() -> None:
    # Kasten and Young 1989, table II: 1.0000, 1.1543, 1.9939, 5.5841 and 37.92 (from memory).
    told = air_mass(np.array([90.0, 60.0, 30.0, 10.0, 0.0]))
    assert told == pytest.approx([1.0, 1.1543, 1.9939, 5.5841, 37.92], rel=2e-3)
