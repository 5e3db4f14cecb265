"""Copies of a shot, and other shots that look like one."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path, PurePosixPath

import numpy as np
import pytest
import rawpy
from astropy.io import fits
from numpy.typing import NDArray

from skyplumb.measure.all_shots import bare
from skyplumb.measure.shot import measure_shot
from skyplumb.night.copies import find_copies
from skyplumb.records import Measure
from smallcard import MOOR, Finished, change_exif

Command = Callable[..., Finished]

BEST = f"{MOOR}/best ones"


def copies_among(measures: Sequence[Measure]) -> dict[str, str]:
    """Copies of measures that are asked for their stars when it is needed."""
    by_file = {one.file: one for one in measures}

    def stars_of(files: Sequence[str]) -> Mapping[str, NDArray[np.void]]:
        return {file: by_file[file].stars for file in files}

    return find_copies([bare(one) for one in measures], stars_of)


@pytest.fixture(scope="module")
def card(small_card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two shots, one of them in several forms."""
    out = tmp_path_factory.mktemp("copies")
    for name in ("MIST_0001", "MIST_0002"):
        shutil.copy2(small_card / MOOR / f"{name}.dng", out / f"{name}.dng")
    (out / "best ones").mkdir()
    again = out / "best ones" / "MIST_0001 (2).dng"
    shutil.copy2(out / "MIST_0001.dng", again)
    change_exif(again, UserComment="a favourite", BodySerialNumber=None)
    return out


@pytest.fixture(scope="module")
def shots(card: Path) -> dict[str, Measure]:
    names = ("MIST_0001.dng", "MIST_0002.dng", "best ones/MIST_0001 (2).dng")
    return {name: measure_shot(card, PurePosixPath(name)) for name in names}


def converted(card: Path, first: Measure, folder: Path, *, turned: bool, noise: float) -> Measure:
    """A shot as another program might have written it: in FITS, in UTC, cut at its borders."""
    with rawpy.imread(str(card / first.file)) as raw:
        samples = raw.raw_image_visible[4:, 2:].astype(np.float32)
    if turned:
        samples = samples[::-1]
    if noise:
        rng = np.random.default_rng(8)
        samples = samples + rng.normal(size=samples.shape).astype(np.float32) * noise
    assert first.info.clock is not None
    utc = first.info.clock - timedelta(hours=2)
    header = fits.Header()
    header["DATE-OBS"] = utc.isoformat(timespec="seconds")
    header["EXPTIME"] = first.info.exposure_s
    header["BAYERPAT"] = "RGGB"
    header["ROWORDER"] = "BOTTOM-UP" if turned else "TOP-DOWN"
    path = folder / "converted.fits"
    fits.PrimaryHDU(samples, header).writeto(path, overwrite=True)
    return measure_shot(folder, PurePosixPath(path.name))


@pytest.mark.broad
def test_the_same_samples_are_a_copy_whatever_else_the_file_says(
    shots: dict[str, Measure],
) -> None:
    found = copies_among(list(shots.values()))
    assert found == {"best ones/MIST_0001 (2).dng": "MIST_0001.dng"}


@pytest.mark.broad
@pytest.mark.parametrize("turned", [False, True])
def test_a_shot_converted_to_fits_is_a_copy(
    card: Path, shots: dict[str, Measure], tmp_path: Path, turned: bool
) -> None:
    first = shots["MIST_0001.dng"]
    fit = converted(card, first, tmp_path, turned=turned, noise=0.0)
    assert fit.samples_digest != first.samples_digest
    assert copies_among([fit, first, shots["MIST_0002.dng"]]) == {fit.file: first.file}


def test_another_shot_that_says_the_same_is_no_copy(
    card: Path, shots: dict[str, Measure], tmp_path: Path
) -> None:
    first, second = shots["MIST_0001.dng"], shots["MIST_0002.dng"]
    # The next exposure of the same field, by a clock that stood still.
    twin = replace(second, info=first.info)
    assert copies_among([first, twin]) == {}
    # One exposure's noise is in doubt where as much was added to it again.
    noisy = converted(card, first, tmp_path, turned=False, noise=1.5 * first.noise)
    assert copies_among([first, noisy]) == {}


def test_what_the_files_tell_must_not_speak_against_it(
    card: Path, shots: dict[str, Measure], tmp_path: Path
) -> None:
    first = shots["MIST_0001.dng"]
    fit = converted(card, first, tmp_path, turned=False, noise=0.0)
    assert fit.info.clock is not None
    same = replace(fit.info, serial="8", camera="Fen One")
    told = replace(first, info=replace(first.info, serial="8", camera="Fen One"))
    assert copies_among([told, replace(fit, info=same)]) == {fit.file: told.file}
    for other in (
        replace(same, serial="9"),
        replace(same, camera="Fen Two"),
        replace(same, exposure_s=61.0),
    ):
        assert copies_among([told, replace(fit, info=other)]) == {}
    # Of unknown zones: whole quarters of an hour may be, seven minutes or a day are another time.
    unknown = float("nan")
    told = replace(told, info=replace(told.info, utc_offset_h=unknown))
    for minutes, copies in ((45, {fit.file: told.file}), (7, {}), (-24 * 60, {})):
        clock = fit.info.clock + timedelta(minutes=minutes)
        other = replace(same, clock=clock, utc_offset_h=unknown)
        assert copies_among([told, replace(fit, info=other)]) == copies


def test_the_shot_is_raw_before_dng_before_fits_then_the_shallower_then_the_first() -> None:
    def alike(file: str) -> Measure:
        return Measure(file, "light", "", samples_digest="same")

    files = ["a/x.dng", "b.nef", "c.fits", "d/e/f.cr3", "a.dng"]
    assert set(copies_among([alike(file) for file in files]).values()) == {"b.nef"}
    assert copies_among([alike("b/2.dng"), alike("a/1.dng"), alike("z.dng")]) == {
        "b/2.dng": "z.dng",
        "a/1.dng": "z.dng",
    }


def test_equal_samples_everywhere_are_no_sign() -> None:
    blank = [Measure(file, "light", "") for file in ("1.dng", "2.dng")]
    assert copies_among(blank) == {}


@pytest.fixture(scope="module")
def copied(small_card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small card with two of its shots in another folder as well."""
    # With the night notes beside it, without which the card is another night.
    beside = tmp_path_factory.mktemp("copied")
    shutil.copytree(small_card.parent, beside, dirs_exist_ok=True)
    card = beside / small_card.name
    (card / BEST).mkdir()
    for name in ("MIST_0001.dng", "MIST_0003.dng"):
        shutil.copy2(card / MOOR / name, card / BEST / name)
    return card


@pytest.mark.slow
def test_copies_on_a_card_are_rows_that_are_never_judged_stacked_or_counted(
    copied: Path, audited: Finished, skyplumb: Command, tmp_path: Path
) -> None:
    out, laid = tmp_path / "out", tmp_path / "laid"
    done = skyplumb("audit", copied, "--out", out, "--link-into", laid, "--jobs", "1")
    assert done.code == 0, done.stderr
    copies = {file: row for file, row in done.rows.items() if file.startswith(BEST)}
    assert len(copies) == 2
    for file, row in copies.items():
        first = f"{MOOR}/{PurePosixPath(file).name}"
        assert (row["kind"], row["reason"]) == ("companion", f"a copy of {first}")
        assert not row["verdict"] and not row["run"]
    others = {file: row for file, row in done.rows.items() if file not in copies}
    before = audited.rows
    same = ("verdict", "cause", "confidence", "trail_px", "run", "kind", "drift_px")
    for file, row in others.items():
        assert {k: row.get(k) for k in same} == {k: before[file].get(k) for k in same}
    for path in (*out.rglob("stackable*.txt"), *out.rglob("stackable/*.txt")):
        assert "best ones" not in path.read_text(encoding="utf-8")
    # A dark or flat may serve both runs.
    lights = [p.resolve() for p in laid.rglob("MIST_*.dng") if p.parent.name == "light-frames"]
    assert len(lights) == len(set(lights)) > 0


@pytest.mark.slow
def test_a_verdict_by_hand_on_a_copy_holds_for_its_shot_and_a_contradiction_is_refused(
    copied: Path, skyplumb: Command, tmp_path: Path
) -> None:
    given, out = tmp_path / "mine.yaml", tmp_path / "out"
    entry = f"  - {{file: '{BEST}/MIST_0001.dng', verdict: reject, note: a moth}}\n"
    given.write_text("frames:\n" + entry, encoding="utf-8")
    done = skyplumb("audit", copied, "--out", out, "--overrides", given, "--jobs", "1")
    assert done.code == 0, done.stderr
    row = done.rows[f"{MOOR}/MIST_0001.dng"]
    assert (row["verdict"], row["note"]) == ("reject", "a moth")
    other = f"  - {{file: '{MOOR}/MIST_0001.dng', verdict: keep}}\n"
    given.write_text("frames:\n" + entry + other, encoding="utf-8")
    refused = skyplumb("audit", copied, "--out", out, "--overrides", given, "--jobs", "1")
    assert refused.code == 2
    assert "mine.yaml:2" in refused.stderr and "is a copy of" in refused.stderr
