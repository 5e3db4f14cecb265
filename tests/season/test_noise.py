"""From which exposure on the sky rules: drawn skies, whose read noise and electrons are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from skyplumb.season.noise import photon_transfer, sky_rules
from skyplumb.season.sessions import Season

READ_E, ELECTRONS = 3.0, 0.4
"""Read noise in electrons, and electrons to a sample unit."""
SKY_E_S = 0.5
"""Electrons a second of a sample, at f/4."""


def frames_under(exposures_s: list[float], fnumber: float = 4.0, focal: float = 85.0) -> Season:
    """Frames whose noise is counted in 40,000 drawn samples each."""
    rng = np.random.default_rng(3)
    rows = []
    for exposure in exposures_s:
        sky = SKY_E_S * exposure * (4 / fnumber) ** 2
        seen = (rng.poisson(sky, 40_000) + rng.normal(0, READ_E, 40_000)) / ELECTRONS
        told = {"camera": "Orvane N6", "iso": 800.0, "gain": np.nan, "excluded": False}
        level = {"sky_level": float(np.median(seen)), "sky_noise": float(seen.std())}
        rows.append(told | level | {"focal_mm": focal, "aperture": fnumber, "exposure_s": exposure})
    return Season(pd.DataFrame(rows), pd.DataFrame(), 1, 0)


def test_a_variance_that_falls_with_the_level_tells_no_read_noise() -> None:
    level = pd.Series([100.0, 200.0, 300.0, 400.0, 500.0, 600.0, 700.0, 800.0])
    rising = photon_transfer(level, np.sqrt(9.0 + 0.5 * level))
    assert rising == pytest.approx((3.0, 0.5))
    assert np.isnan(photon_transfer(level, np.sqrt(900.0 - 0.5 * level))).all()
    # A line that begins under nothing.
    assert np.isnan(photon_transfer(level, np.sqrt(0.5 * level - 20.0))).all()


def test_read_noise_is_the_height_of_the_photon_transfer_curve() -> None:
    frames = frames_under([15, 30, 60, 120, 240] * 4).frames
    read, slope = photon_transfer(frames["sky_level"], frames["sky_noise"])
    # A variance of 40,000 samples is known to 0.7 %, twenty of them tell the line to some per cent.
    assert read == pytest.approx(READ_E / ELECTRONS, rel=0.05)
    assert slope == pytest.approx(1 / ELECTRONS, rel=0.03)


def test_the_sky_rules_where_its_variance_is_ten_times_that_of_read_noise() -> None:
    season = frames_under([15, 30, 60, 120, 240] * 4)
    # 0.5 t = 10 x 9 electrons^2.
    assert sky_rules(season, 85.0).at == pytest.approx(180, rel=0.1)
    # A lens that was never used has the skies of all; two stops more light a quarter of the time.
    assert sky_rules(season, 24.0, fnumber=2.0).at == pytest.approx(45, rel=0.1)


def test_skies_all_alike_tell_no_read_noise() -> None:
    assert not sky_rules(frames_under([60] * 12), 85.0).known
    assert not sky_rules(frames_under([15, 240]), 85.0).known  # a line through two frames


def test_columns_that_earlier_audits_did_not_write_tell_nothing() -> None:
    season = frames_under([15, 240] * 4)
    season.frames["sky_noise"] = np.nan
    assert not sky_rules(season, 85.0).known
