"""What kind of shot a picture is, how much light cloud took, which patterns serve a field."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from golden import FILES, GOLDEN, figures
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.patterns import TIERS, tier_for
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import catalogue
from skyplumb.demo import draw_frame
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.transparency import extinctions_mag
from skyplumb.measure.flags import BIT
from skyplumb.measure.kind import kind_of
from skyplumb.measure.stars import measure_stars
from skyplumb.measure.store import MEASURE_VERSION
from skyplumb.records import NAN, STAR_DTYPE, Measure, Plate, ShotInfo

BAYER = np.array([[0, 1], [1, 2]], np.uint8)


def plate(samples: NDArray[np.generic], black: float = 512.0) -> Plate:
    """A plate of 14 bits."""
    return Plate(samples, BAYER, np.full((2, 2), black, np.float32), 16383.0)


def even(level: float, noise: float) -> Plate:
    """A picture of nothing but a level and its noise."""
    rng = np.random.default_rng(1)
    return plate(rng.normal(level, noise, (600, 800)).round().clip(0, 16383).astype(np.uint16))


@pytest.mark.parametrize(
    ("level", "noise", "exposure", "kind"),
    [
        (512, 4, 120.0, "dark"),
        (512, 4, NAN, "dark"),
        (512, 4, 1 / 4000, "bias"),
        (8000, 90, 0.5, "flat"),
        (9000, 90, NAN, "flat"),
        (5000, 70, NAN, "other"),  # under half of full scale, and nobody says that it was short
        (8000, 90, 120.0, "light"),  # a sky in twilight or under cloud: a lost light frame
        (700, 14, 120.0, "light"),  # cloud: sky without a star
    ],
)
def test_frames_without_stars_are_told_apart(
    level: float, noise: float, exposure: float, kind: str
) -> None:
    shot = even(level, noise)
    found, why = kind_of(measure_stars(shot), shot, ShotInfo(exposure_s=exposure))
    assert found == kind
    assert bool(why) == (kind != "light")


def test_a_dark_frame_with_hot_pixels_is_a_dark_frame() -> None:
    rng = np.random.default_rng(2)
    samples = rng.normal(512, 4, (600, 800)).round()
    rows, columns = rng.integers(0, 600, 800), rng.integers(0, 800, 800)
    samples[rows, columns] += rng.uniform(50, 4000, 800)
    shot = plate(samples.astype(np.uint16))
    assert kind_of(measure_stars(shot), shot, ShotInfo(exposure_s=120.0))[0] == "dark"


def test_a_short_exposure_of_stars_is_a_light_frame() -> None:
    frame = draw_frame(stars=40, snr=(60, 300), seed=3)
    shot = plate(frame.mosaic)
    assert kind_of(measure_stars(shot), shot, ShotInfo(exposure_s=1.0)) == ("light", "")


def starlit(number: int, dimmed_mag: float, *, exposure: float = 60.0, count: int = 80) -> Light:
    """A solved frame whose stars are dimmed by so much; a few are saturated, a few lost."""
    rng = np.random.default_rng(number)
    stars = np.zeros(count, STAR_DTYPE)
    known = 500 + np.arange(count)
    # Colour makes each star differ from its catalogue magnitude, the same in every frame.
    colour = np.random.default_rng(99).normal(0, 0.3, count)
    magnitude = catalogue().magnitude[known] + colour + dimmed_mag + rng.normal(0, 0.03, count)
    stars["flux"] = exposure * 10 ** (-0.4 * (magnitude - 15))
    stars["flags"][:5] = BIT["saturated"]
    stars["flux"][:5] *= 0.5
    there = rng.random(count) > 0.2
    info = ShotInfo(exposure_s=exposure)
    pointing = Pointing(
        solved=True, star=np.flatnonzero(there).astype(np.int64), catalogue=known[there]
    )
    measure = Measure(f"{number}", "light", "", info, stars=stars, stars_found=count)
    return Light(measure, ShotNotes(info), None, 70.0 * number, True, pointing)


def test_lost_starlight_is_measured_star_by_star() -> None:
    dimmed = [0.0, 0.0, 0.02, 0.0, 0.7, 1.5, 0.0, 0.3, 0.01, 0.0]
    found = extinctions_mag([starlit(n, mag) for n, mag in enumerate(dimmed)])
    # 0.03 mag a star over 60 stars, and as much again in the reference.
    assert found == pytest.approx(np.array(dimmed), abs=0.03)


def test_a_cloud_with_holes_is_not_measured_by_the_stars_that_shine_through_alone() -> None:
    # Five magnitudes of stars; half of the sky lost 0.4 mag and half 1.6, and what has become
    # fainter than the faintest of a clear frame is not found.
    spread = np.linspace(-2.5, 2.5, 200)
    veil = np.where(np.random.default_rng(7).random(200) < 0.5, 0.4, 1.6)
    clear = [_dimmed(starlit(n, 0.0, count=200), spread) for n in range(6)]
    faintest = float(clear[0].measure.stars["flux"].min())
    lost = extinctions_mag([*clear, _dimmed(starlit(6, 0.0, count=200), spread + veil, faintest)])
    assert lost[:6] == pytest.approx(np.zeros(6), abs=0.03)
    # Half way between the two, as nearly as the median of two heaps is; those that are left say
    # 0.5.
    assert lost[6] > 0.7


def _dimmed(light: Light, by_mag: np.ndarray, faintest: float = 0.0) -> Light:
    """The same with each star fainter by so much, without those that are too faint then."""
    stars = light.measure.stars.copy()
    stars["flux"] *= 10 ** (-0.4 * by_mag)
    point = light.pointing
    found = stars["flux"][point.star] >= faintest
    point = replace(point, star=point.star[found], catalogue=point.catalogue[found])
    return replace(light, measure=replace(light.measure, stars=stars), pointing=point)


def test_exposure_is_not_extinction() -> None:
    found = extinctions_mag([starlit(n, 0.0, exposure=60.0 if n % 2 else 62.0) for n in range(8)])
    assert found == pytest.approx(np.zeros(8), abs=0.03)


def test_exposures_that_are_not_known_have_no_extinction() -> None:
    # Bulb frames of 60 and 180 s differ by 2.5 log 3 = 1.2 mag, which was read as cloud.
    unknown = ShotInfo(exposure_s=float("nan"))
    bulb = [starlit(n, 0.0, exposure=60.0 if n % 2 else 180.0) for n in range(6)]
    bulb = [replace(one, notes=ShotNotes(unknown)) for one in bulb]
    found = extinctions_mag([*bulb, *(starlit(10 + n, 0.0) for n in range(4))])
    assert np.isnan(found[:6]).all()
    assert found[6:] == pytest.approx(np.zeros(4), abs=0.03)


def test_frames_that_were_not_solved_have_no_extinction() -> None:
    lost = starlit(3, 0.0)
    lost = Light(lost.measure, lost.notes, None, 0.0)
    found = extinctions_mag([starlit(0, 0.0), lost, starlit(1, 0.0, count=6)])
    assert np.isnan(found[1:]).all()
    assert np.isfinite(found[0])
    assert np.isnan(extinctions_mag([lost])).all()
    assert len(extinctions_mag([])) == 0


def test_every_width_of_field_has_its_patterns() -> None:
    for width in np.geomspace(1.9, 50, 60):
        tier = tier_for(float(width))
        # A prior good to 8 % may not leave the tier at its lower end.
        assert tier.narrowest_deg <= width / 1.08 or tier is TIERS[-1]
        assert width <= tier.widest_deg
    assert tier_for(0.5) is TIERS[-1]
    assert tier_for(90.0) is TIERS[0]


@pytest.mark.parametrize("name", FILES)
def test_the_same_file_gives_the_same_measure_until_the_version_is_raised(name: str) -> None:
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))
    mend = "raise MEASURE_VERSION in store.py, then run python tests/golden.py"
    assert golden["MEASURE_VERSION"] == MEASURE_VERSION, mend
    # Single precision: sums of 10^3 stars differ between machines by some 1e-6.
    now, kept = figures(name), golden["files"][name]
    assert now.pop("kind") == kept.pop("kind"), mend
    assert now == pytest.approx(kept, rel=2e-5, abs=1e-6), mend
