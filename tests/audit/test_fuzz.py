"""Hostile files: a fixed few of those that `make fuzz` tries by the thousand."""

from __future__ import annotations

from collections import Counter
from pathlib import Path, PurePosixPath

from astropy.io import fits

from fuzz.mutate import mutated
from fuzz.seeds import seeds
from fuzz.trial import Case, try_all
from skyplumb.demo import draw_frame
from skyplumb.measure.shot import measure_shot

CASES = 200


def test_two_hundred_damaged_files_cost_a_row_each_and_nothing_else(tmp_path: Path) -> None:
    whole = seeds()
    names = sorted(whole)
    cases = [Case(names[n % len(names)], n) for n in range(CASES)]
    outcomes = list(try_all(whole, cases, tmp_path, jobs=2))
    assert {one.case for one in outcomes} == set(cases)
    assert [(one.case.file, one.failure) for one in outcomes if one.failure] == []
    kinds = Counter(one.kind == "unreadable" for one in outcomes)
    # The damage reaches what matters, and leaves something to measure: a quarter each.
    assert min(kinds[True], kinds[False]) > CASES // 4


def test_the_undamaged_files_are_all_measured_or_none_of_it_would_mean_anything(
    tmp_path: Path,
) -> None:
    for name, content in seeds().items():
        (tmp_path / name).write_bytes(content)
        assert measure_shot(tmp_path, PurePosixPath(name)).kind == "light", name


def test_the_same_number_makes_the_same_damage() -> None:
    content = bytes(range(256)) * 40
    for name in ("a.fits", "a.dng"):
        made = [mutated(name, content, case) for case in range(30)]
        assert made == [mutated(name, content, case) for case in range(30)]
        assert len(set(made)) > 15  # some find nothing to aim at in this


def test_narrow_stars_on_a_picture_of_odd_sides_are_measured(tmp_path: Path) -> None:
    # Met as lossless-2619.dng: the detection image of an odd width was not in one piece.
    frame = draw_frame(257, 193, stars=30, fwhm_px=1.3, snr=(60, 400))
    fits.PrimaryHDU(frame.mosaic).writeto(tmp_path / "odd.fits")
    measure = measure_shot(tmp_path, PurePosixPath("odd.fits"))
    assert (measure.kind, measure.width_px, measure.height_px) == ("light", 257, 193)
    assert len(measure.stars) > 15
