"""Light that a fit leaves out, air masses, and zero points with an extinction that is known."""

from __future__ import annotations

from datetime import datetime

import galsim
import numpy as np
import pytest

from bench.sketch import sketched
from resolved import one_night
from skyplumb.demo import Body, Clock, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.judge.calibrated import calibrate
from skyplumb.judge.sky_light import SkyLight, air_mass, left_out_mag
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


def air_of(cloud: tuple[tuple[float, float], ...] = (), seed: int = 1) -> SkyLight:
    """What 18 frames over four hours say, while their target sinks from 63 to 28 degrees under
    air that takes 0.18 mag."""
    run = DrawnRun(
        Lens("Tarnlight 85 mm", 85.0, 2.8, fwhm_px=2.4),
        datetime(2026, 1, 15, 21, 0),
        60.0, 18, alt_deg=63.0, az_deg=205.0, iso=1600, gap_s=840.0,
    )  # fmt: skip
    night = Night(
        DrawnSite(47.0, 9.0, 1000.0),
        Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6),
        Mount(),
        (run,),
        Sky(cloud=cloud, extinction_mag_per_airmass=0.18),
        Clock(utc_offset_h=0.0, gps=True),
        seed=seed,
        faint_to_mag=11.5,
    )
    frames = [sketched(DrawnExposure(night, 0, n), f"{n:02d}.fits") for n in range(run.frames)]
    return calibrate(one_night(frames), lambda line: None).sky


@pytest.mark.broad
def test_what_clear_air_takes_is_told_by_a_target_that_sinks() -> None:
    told = air_of()
    assert 0 < told.extinction_sigma < 0.06
    assert abs(told.extinction_mag_airmass - 0.18) < 2 * told.extinction_sigma


@pytest.mark.broad
@pytest.mark.parametrize(
    "cloud",
    [
        tuple((450.0 * n, 0.1 * (n % 3)) for n in range(36)),
        ((0.0, 0.3), (16000.0, 0.0)),
        ((0.0, 0.2), (16000.0, 0.0)),
    ],
    ids=["drifts through", "clears", "clears slowly"],
)
def test_thin_cloud_is_not_taken_for_air(cloud: tuple[tuple[float, float], ...]) -> None:
    assert np.isnan(air_of(cloud).extinction_mag_airmass)
