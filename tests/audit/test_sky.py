"""The sky's brightness in magnitudes, against the sky that the small card was drawn under."""

from __future__ import annotations

import json

import pytest

from smallcard import SESSION, SKY, Finished


def test_the_sky_of_a_drawn_night_is_as_bright_as_it_was_drawn(audited: Finished) -> None:
    told = {
        name: (float(row["sky_mag_arcsec2"]), float(row["sky_mag_arcsec2_sigma"]))
        for name, row in audited.rows.items()
        if row.get("sky_mag_arcsec2")
    }
    assert len(told) >= 8  # of two runs, exposures and parts of the sky
    for mag, sigma in told.values():
        assert mag == pytest.approx(SKY.mag_arcsec2, abs=0.15)
        assert 0.02 < sigma < 0.2
    (session,) = json.loads((audited.out / SESSION / "summary.json").read_text("utf-8"))["sessions"]
    for run in session["runs"]:
        assert run["sky_mag_arcsec2"] == pytest.approx(SKY.mag_arcsec2, abs=0.15)
    if session["sky_extinction_mag_airmass"] is not None:
        off = session["sky_extinction_mag_airmass"] - SKY.extinction_mag_per_airmass
        assert abs(off) < 3 * session["sky_extinction_mag_airmass_sigma"]
