"""Where one copy, clock, site, lens or night ends and another begins: both sides of each border."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.intake.notes import Notes
from skyplumb.night.bodies import bodies_of, body_names
from skyplumb.night.clock import Clock, Dated, clock_of, zone_of
from skyplumb.night.copies import find_copies
from skyplumb.night.lens import complete_lenses, without_assumptions
from skyplumb.night.neighbours import with_neighbours
from skyplumb.night.order import file_number, neighbours
from skyplumb.night.sessions import resolve
from skyplumb.night.shot import Session, Shot
from skyplumb.night.site import Position, distance_km, places_of
from skyplumb.records import NAN, STAR_DTYPE, Measure, ShotInfo

NIGHT = datetime(2026, 8, 14, 22, 0, 7)
SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)
SIZE = (3000, 2000)
SHOT = ShotInfo(camera="Fen One", serial="7", exposure_s=60.0, clock=NIGHT)


# Copies


def stars(count: int = 40, seed: int = 1, snr: float = 50.0) -> NDArray[np.void]:
    """Stars by lot, brightest first: 1 px wide, so that a place is good to 1 / snr px."""
    rng = np.random.default_rng(seed)
    table = np.zeros(count, STAR_DTYPE)
    table["x"], table["y"] = rng.uniform([200, 200], [2800, 1800], (count, 2)).T
    table["flux"], table["snr"] = np.arange(count)[::-1] + 1.0, snr
    table["mxx"] = table["myy"] = 1.0
    return table


def moved(table: NDArray[np.void], x: float = 0.0, y: float = 0.0) -> NDArray[np.void]:
    out = table.copy()
    out["x"], out["y"] = out["x"] + x, out["y"] + y
    return out


def shaken(table: NDArray[np.void], px: float) -> NDArray[np.void]:
    """Every star off by so much in x and y, to all sides alike: the median of what is left."""
    out = table.copy()
    n = np.arange(len(table))
    out["x"] += px * np.where(n % 2, 1, -1)
    out["y"] += px * np.where(n // 2 % 2, 1, -1)
    return out


def is_copy(
    theirs: NDArray[np.void] | None = None,
    ours: NDArray[np.void] | None = None,
    file: str = "b.fits",
    size: tuple[int, int] = SIZE,
    **info: Any,
) -> bool:
    """Whether a second file is taken for the shot a.dng."""
    first = Measure("a.dng", "light", "", SHOT, *SIZE)
    second = Measure(file, "light", "", replace(SHOT, is_fits=True) if not info
                     else replace(SHOT, **({"is_fits": True} | info)), *size)  # fmt: skip
    tables = {
        "a.dng": stars() if ours is None else ours,
        file: stars() if theirs is None else theirs,
    }

    def stars_of(files: Sequence[str]) -> Mapping[str, NDArray[np.void]]:
        return {name: tables[name] for name in files}

    found = find_copies([second, first], stars_of)
    assert found in ({}, {file: "a.dng"})
    return bool(found)


@pytest.mark.parametrize(
    ("info", "copy"),
    [
        ({}, True),
        ({"clock": NIGHT + SECOND}, True),
        ({"clock": NIGHT - SECOND}, True),
        ({"clock": NIGHT + 1.01 * SECOND}, False),
        ({"clock": NIGHT - 2 * SECOND}, False),
        ({"clock": None}, False),
        ({"exposure_s": NAN}, False),
        ({"exposure_s": 60.59}, True),
        ({"exposure_s": 59.41}, True),
        ({"exposure_s": 60.62}, False),
        ({"exposure_s": 59.38}, False),
        ({"camera": "Fen Two"}, False),
        ({"camera": ""}, True),
        ({"serial": "8"}, False),
        ({"serial": ""}, True),
        # One of both may be in UTC: by any quarter of an hour up to 14 hours.
        ({"clock": NIGHT - 2 * HOUR}, True),
        ({"clock": NIGHT - 5.75 * HOUR + SECOND}, True),
        ({"clock": NIGHT + 5.75 * HOUR - SECOND}, True),
        ({"clock": NIGHT - 14 * HOUR}, True),
        ({"clock": NIGHT - 14.25 * HOUR}, False),
        ({"clock": NIGHT - 2 * HOUR + 2 * SECOND}, False),
        ({"clock": NIGHT - 2 * HOUR - 2 * SECOND}, False),
        ({"clock": NIGHT - 2 * HOUR + 7 * MINUTE}, False),
        ({"clock": NIGHT - 2 * HOUR, "is_fits": False}, False),
    ],
)
def test_a_copy_tells_the_same_body_exposure_and_time(info: dict[str, Any], copy: bool) -> None:
    assert is_copy(**info) == copy


@pytest.mark.parametrize(
    ("ours_h", "theirs_h", "apart_h", "copy"),
    [(2.0, 0.0, 2.0, True), (2.0, 0.0, -2.0, False), (2.0, 1.0, 1.0, True), (2.0, 2.0, 1.0, False)],
)
def test_where_both_tell_a_zone_it_says_how_far_apart_their_clocks_are(
    ours_h: float, theirs_h: float, apart_h: float, copy: bool
) -> None:
    first = replace(SHOT, utc_offset_h=ours_h)
    second = replace(SHOT, utc_offset_h=theirs_h, clock=NIGHT - apart_h * HOUR)
    both = [
        Measure("a.dng", "light", "", first, *SIZE),
        Measure("b.dng", "light", "", second, *SIZE),
    ]
    assert find_copies(both, lambda files: dict.fromkeys(files, stars())) == (
        {"b.dng": "a.dng"} if copy else {}
    )


@pytest.mark.parametrize(
    ("change", "copy"),
    [
        (lambda t: moved(t, 19.0, -19.0), True),  # borders that were cut off
        (lambda t: moved(t, 21.0), False),
        (lambda t: shaken(t, 0.06), False),  # scatter 0.09 px, over errors of 0.028: not one noise
        (lambda t: shaken(t, 0.009), True),  # 0.47 of both errors
        (lambda t: shaken(t, 0.0099), False),  # 0.52
        (lambda t: t[:10], True),
        (lambda t: t[:9], False),
    ],
)
def test_stars_of_a_copy_stand_where_those_of_the_shot_do(change: Any, copy: bool) -> None:
    assert is_copy(change(stars())) == copy


def test_faint_stars_may_scatter_by_a_tenth_of_a_pixel_and_no_more() -> None:
    faint = stars(snr=2.0)  # errors of 0.7 px in both
    for px, copy in ((0.066, True), (0.069, False)):  # times 1 / 0.6745: 0.098 and 0.102
        assert is_copy(shaken(faint, px), faint) == copy


def test_bright_stars_have_errors_of_a_fiftieth_of_a_pixel() -> None:
    bright = stars(snr=1000.0)
    # Half of sqrt(2) times 0.02 px, times 0.6745: 0.0095.
    assert is_copy(shaken(bright, 0.0092), bright)
    assert not is_copy(shaken(bright, 0.0098), bright)


def test_six_of_ten_of_the_fewer_stars_have_to_be_found_again() -> None:
    other = moved(stars(seed=2), 0.5)
    for share, copy in ((24, True), (23, False)):
        assert is_copy(np.concatenate([stars()[:share], other[share:]])) == copy


def test_without_star_tables_nothing_is_a_copy() -> None:
    both = [Measure(name, "light", "", SHOT, *SIZE) for name in ("a.dng", "b.dng")]
    assert find_copies(both, lambda _: {}) == {}
    assert find_copies(both, lambda _: {"a.dng": stars()}) == {}
    assert find_copies(both, lambda _: {"b.dng": stars()}) == {}
    no_size = [replace(one, width_px=0, height_px=0) for one in both]
    assert find_copies(no_size, lambda files: dict.fromkeys(files, stars())) == {}


def test_only_usable_stars_are_asked_and_of_two_sizes_that_are_close() -> None:
    spoiled = stars(20)
    spoiled["flags"][10:] = 1
    assert is_copy(spoiled)
    spoiled["flags"][9] = 1
    assert not is_copy(spoiled)
    assert is_copy(size=(2980, 2020)) and not is_copy(size=(2979, 2000))
    assert not is_copy(size=(3000, 2021))


def test_a_picture_written_upside_down_is_a_copy() -> None:
    turned = stars()
    turned["y"] = 1999 - turned["y"]
    assert is_copy(turned) and not is_copy(turned, size=(3000, 1980 - 1))
    mirrored = stars()
    mirrored["x"] = 2999 - mirrored["x"]
    assert not is_copy(mirrored)


def test_of_the_same_samples_the_raw_file_then_the_one_less_deep_is_the_shot() -> None:
    names = ("in/b.fits", "in/b.dng", "a.fits", "deep/in/b.nef", "in/c.nef", "in/B2.nef")
    same = [Measure(name, "light", "", samples_digest="one") for name in names]
    assert find_copies(same, dict) == dict.fromkeys({*names} - {"in/B2.nef"}, "in/B2.nef")
    headers = replace(SHOT, is_fits=True)
    both = [Measure("a.x", "dark", "", headers, samples_digest="d"),
            Measure("b.dng", "dark", "", samples_digest="d"),
            Measure("c.dng", "dark", "")]  # fmt: skip
    assert find_copies(both, dict) == {"a.x": "b.dng"}


# Bodies


@pytest.mark.parametrize(("lone", "one"), [(3, False), (4, True)])
def test_serials_of_one_shot_each_are_none_from_four_on(lone: int, one: bool) -> None:
    infos = {f"{n}": ShotInfo(camera="A", serial=f"{n}") for n in range(lone)}
    infos |= {"x": ShotInfo(camera="A", serial="70"), "y": ShotInfo(camera="A", serial="70")}
    infos["none"] = ShotInfo(camera="A")
    found = bodies_of(infos)
    assert found["x"] == ("A", "70")
    assert found["0"] == (("A", "70") if one else ("A", "0"))
    assert found["none"] == (("A", "70") if one else ("A", ""))
    assert bodies_of({"a": ShotInfo(camera="B")}) == {"a": ("B", "")}


def test_names_of_bodies_are_short_and_never_alike() -> None:
    bodies = [
        ("Fen One", "123456789"),
        ("Fen One", "987456789"),
        ("FEN one", ""),
        ("Alp", "1"),
        ("", ""),
    ]
    assert body_names(bodies) == {
        ("Alp", "1"): "alp",
        ("", ""): "camera",
        ("FEN one", ""): "fen-one",
        ("Fen One", "123456789"): "fen-one-456789",
        ("Fen One", "987456789"): "fen-one-456789-2",
    }
    assert body_names([("a", ""), ("A", ""), ("A ", "")]) == {
        ("A", ""): "a", ("A ", ""): "a-2", ("a", ""): "a-3",
    }  # fmt: skip


# Clocks


def dated(zones: Sequence[float], ages_s: Mapping[int, float], zone_h: float = 2.0) -> list[Dated]:
    """Frames two minutes apart, some with stamps so old."""
    return [
        Dated(f"{n}", NIGHT + 2 * n * MINUTE, zone,
              NIGHT + 2 * n * MINUTE - zone_h * HOUR - ages_s[n] * SECOND if n in ages_s else None)
        for n, zone in enumerate(zones)
    ]  # fmt: skip


NONE = [NAN] * 8


@pytest.mark.parametrize(
    ("off_min", "zone"),
    [(0, 2.0), (4.99, 2.0), (-4.99, 2.0), (5.01, None), (-5.01, None)],
)
def test_a_zone_is_one_within_five_minutes(off_min: float, zone: float | None) -> None:
    assert zone_of(2 * HOUR + off_min * MINUTE) == zone
    for known in (
        -12,
        -9.5,
        -3.5,
        -2.5,
        0,
        3.5,
        4.5,
        5.5,
        5.75,
        6.5,
        8.75,
        9.5,
        10.5,
        12.75,
        13,
        13.75,
        14,
    ):
        assert zone_of(known * HOUR) == known
    assert zone_of(14.25 * HOUR) is None and zone_of(-12.5 * HOUR) is None
    assert zone_of(7.5 * HOUR) is None


@pytest.mark.parametrize(
    ("shots", "clock"),
    [
        ([], Clock(why_not="the files give no time zone and no GPS time stamp; "
                           "give clock: utc_offset_h in the night notes")),
        (dated([2.0, NAN, 2.0], {}), Clock(2 * HOUR, "time zone in the files")),
        (dated(NONE, {0: 9, 1: 8}), Clock(2 * HOUR, "2 GPS time stamps")),
        # Within five minutes one fix may serve some frames.
        (dated(NONE, {0: 9, 1: 129}), Clock(2 * HOUR, "one GPS time stamp")),
        (dated(NONE, {0: 9, 3: 369}), Clock(why_not=(
            "the GPS time stamp is old, or the clock wrong: it does not advance with the frames or "
            "differs from their times by no time zone; give clock: utc_offset_h in the night notes"
        ))),
        # Twelve minutes and some seconds: the least old is the best.
        (dated([2.0] * 8, {0: 725, 1: 722, 2: 740}), Clock(
            2 * HOUR + 722 * SECOND, "GPS time stamps", notices=(
                "By 3 GPS time stamps the clock was 12 min ahead of its zone; UTC is theirs.",))),
        (dated([2.0] * 8, {0: -725, 1: -722, 2: -740}), Clock(
            2 * HOUR - 740 * SECOND, "GPS time stamps", notices=(
                "By 3 GPS time stamps the clock was 12 min behind its zone; UTC is theirs.",))),
        (dated([2.0] * 8, {0: 725, 1: 722}), Clock(2 * HOUR, "time zone in the files")),
        (dated([2.0] * 8, {0: 725, 1: 722, 2: 665, 3: 782}), Clock(
            2 * HOUR + 665 * SECOND, "GPS time stamps", notices=(
                "By 4 GPS time stamps the clock was 11 min ahead of its zone; UTC is theirs.",))),
        # Of five one is off by more than a minute: four of five do, three of five do not.
        (dated([2.0] * 8, {0: 722, 1: 722, 2: 722, 3: 723, 4: 790}), Clock(
            2 * HOUR + 722 * SECOND, "GPS time stamps", notices=(
                "By 4 GPS time stamps the clock was 12 min ahead of its zone; UTC is theirs.",))),
        (dated([2.0] * 8, {0: 722, 1: 722, 2: 722, 3: 790, 4: 791}), Clock(
            2 * HOUR, "time zone in the files")),
        # Within a minute of the zone they are one.
        (dated([2.0, 2.0, 1.0], {}), Clock(2 * HOUR, "time zone in the files", notices=(
            "2: the time zone contradicts that of 2 frames of the night (+02:00), which was "
            "taken.",))),
    ],
)  # fmt: skip
def test_what_a_clock_follows_from(shots: list[Dated], clock: Clock) -> None:
    assert clock_of(shots) == clock


def test_two_clocks_are_told_with_how_many_frames_speak_for_each() -> None:
    found = clock_of(dated([1.0] * 8, {0: 9, 1: 8, 2: 7}))
    assert found.ahead == 2 * HOUR and found.words == "GPS time stamps (+02:00, 3 of 8 frames)"
    assert found.other is not None
    assert (found.other.later_h, found.other.words) == (
        1.0,
        "time zone in the files (+01:00, 8 of 8)",
    )
    even = clock_of(dated([1.0, 1.0, 3.0, 3.0], {}))
    assert even.ahead == HOUR and even.words == "time zone in the files (+01:00, 2 of 4 frames)"
    assert even.other is not None
    assert (even.other.later_h, even.other.words) == (-2.0, "as many other files (+03:00, 2 of 4)")
    # Stamps that advance decide between zones that as many files state.
    decided = clock_of(dated([1.0, 1.0, 2.0, 2.0], {0: 9, 1: 8}))
    assert decided.ahead == 2 * HOUR and decided.other is None
    assert decided.words == "2 GPS time stamps"
    assert "FITS times are UTC" in clock_of(dated([0.0], {}), is_fits=True).words


# Sites


@pytest.mark.parametrize(("km", "sites"), [(4.99, 1), (5.01, 2)])
def test_a_site_is_five_kilometres_wide(km: float, sites: int) -> None:
    away = math.degrees(km / 6371.0)
    found = places_of([Position(f"{n}", 46.0 + away * (n > 5), 8.0) for n in range(10)])
    assert len(found.places) == sites
    assert len(found.notices) == sites - 1


@pytest.mark.parametrize(("count", "sites"), [(3, 1), (4, 2)])
def test_four_frames_elsewhere_are_another_placement_and_three_strays(
    count: int, sites: int
) -> None:
    some = [Position(f"{n}", 46.0, 8.0, 100.0 + n) for n in range(9)]
    there = [Position(f"b{n}", 46.0, 9.0, 7.0) for n in range(count)]
    for first in (True, False):
        found = places_of([*there, *some] if first else [*some, *there])
        assert len(found.places) == sites
        km = round(distance_km(46.0, 8.0, 46.0, 9.0))
        assert km == 77  # 111.19 cos(46 deg)
        (line,) = found.notices
        assert f"{km} km" in line
        home = found.places[-1 if first and sites == 2 else 0]
        assert (home.latitude_deg, home.longitude_deg, home.height_m) == (46.0, 8.0, 104.0)
        assert len(home.files) == (9 if sites == 2 else 9 + count)
    # Amid the others they are strays.
    found = places_of([*some[:5], *there, *some[5:]])
    assert len(found.places) == 1 and "9 frames of the night" in found.notices[0]


def test_the_middle_of_positions_is_their_median_across_the_date_line_too() -> None:
    east = [179.99, -179.99, 179.98, 180.0, -179.985]
    (place,) = places_of([Position(f"{n}", 1e-3 * n, e, n) for n, e in enumerate(east)]).places
    assert place.latitude_deg == pytest.approx(2e-3, abs=1e-12)
    assert place.longitude_deg % 360 == pytest.approx(180.0, abs=1e-9)
    assert place.height_m == 2.0
    (bare,) = places_of([Position("a", 1.0, 2.0), Position("b", 1.0, 2.0, 9.0)]).places
    assert bare.height_m == 9.0


# Lenses


FULL = ShotInfo(camera="Fen One", serial="7", lens="Fen 85", focal_mm=85.0, fnumber=2.0, iso=800.0,
                exposure_s=60.0, pixel_um=5.0, orientation=1, utc_offset_h=2.0)  # fmt: skip
SILENT = {"lens": "", "focal_mm": NAN, "fnumber": NAN}


def night(count: int, other: Mapping[int, dict[str, Any]], **sizes: Any) -> Session:
    """Frames a minute apart, some of which say something else."""
    measures = [
        Measure(f"F_{n:04d}.dng", "light", "",
                replace(FULL, clock=NIGHT + n * MINUTE, **other.get(n, {})),
                *sizes.get(f"f{n}", SIZE))
        for n in range(count)
    ]  # fmt: skip
    (session,), _ = resolve(measures, Notes())
    return session


@pytest.mark.parametrize(("gap", "doubtful"), [(1, False), (3, False), (4, True)])
def test_a_lens_is_taken_from_both_sides_over_three_frames(gap: int, doubtful: bool) -> None:
    found = night(gap + 4, dict.fromkeys(range(2, 2 + gap), SILENT))
    for shot in found.shots[2 : 2 + gap]:
        assert (shot.info.lens, shot.info.focal_mm, shot.info.fnumber) == ("Fen 85", 85.0, 2.0)
        assert shot.doubtful_lens == doubtful
        assert shot.taken_over == ("focal_mm", "lens", "fnumber")
        alone = without_assumptions(shot)
        assert alone.info.lens == "" and math.isnan(alone.info.focal_mm)
        assert alone.taken_over == () and not alone.doubtful_lens
    files = f"{gap} frame{'s' * (gap > 1)}"
    assert [line.partition(" (")[0] for line in found.notices] == [
        f"{files} without focal length", f"{files} without lens name", f"{files} without aperture",
    ]  # fmt: skip


def test_settings_from_one_side_alone_are_sure_but_a_lens_is_not() -> None:
    found = night(3, {2: {"iso": NAN, "pixel_um": NAN}})
    assert found.shots[2].info.iso == 800.0 and found.shots[2].info.pixel_um == 5.0
    assert not found.shots[2].doubtful_lens
    assert night(3, {2: {"lens": ""}}).shots[2].doubtful_lens


def test_pictures_of_another_size_tell_nothing_of_this_one() -> None:
    found = night(3, {1: {"pixel_um": NAN}}, f1=(1500, 1000))
    assert math.isnan(found.shots[1].info.pixel_um)
    nearest = night(5, {2: {"iso": NAN}, 3: {"iso": 800.0}, 4: {"iso": 100.0}}, f3=(1500, 1000))
    assert math.isnan(nearest.shots[2].info.iso)


@pytest.mark.parametrize(
    ("mine", "lens"),
    [
        ({"lens": "", "focal_mm": 24.0}, "Fen 24"),
        ({"lens": "", "focal_mm": 85.5}, "Fen 85"),  # to a per cent
        ({"lens": "", "focal_mm": 86.5}, "86.5 mm"),
        ({"lens": "", "focal_mm": NAN, "fnumber": 4.0}, ""),
    ],
)
def test_beside_a_change_the_lens_is_that_of_the_side_that_fits(
    mine: dict[str, Any], lens: str
) -> None:
    wide = {"lens": "Fen 24", "focal_mm": 24.0, "fnumber": 4.0}
    found = night(6, {3: mine, 4: wide, 5: wide})
    shot = found.shots[3]
    assert shot.info.lens == lens
    assert shot.doubtful_lens == (lens in ("Fen 24", "Fen 85"))


def test_completing_lenses_leaves_what_is_told_alone() -> None:
    shots = [Shot(Measure("a", "light", ""), Notes().for_shot("a", FULL))]
    assert complete_lenses(shots) == (shots, [])
    assert complete_lenses([]) == ([], [])


# Order


def test_numbers_of_files() -> None:
    assert file_number("d/IMG_0012.DNG") == ("d/img_#.dng", 12)
    assert file_number("d/a12b007c.dng") == ("d/a12b#c.dng", 7)
    assert file_number("x/none.dng") is None
    assert file_number(f"{'1' * 12}.dng") == ("./#.dng", 111_111_111_111)
    assert file_number(f"{'1' * 13}.dng") is None


@pytest.mark.parametrize(("away", "near"), [(3, True), (4, False)])
def test_neighbours_are_three_numbers_away_at_most(away: int, near: bool) -> None:
    found = neighbours([f"a{10 + away}"], ["a10", "b11"])
    assert found == ({f"a{10 + away}": ("a10", "")} if near else {})
    found = neighbours([f"a{10 - away}"], ["a10"])
    assert found == ({f"a{10 - away}": ("", "a10")} if near else {})
    chain = neighbours(["a13", "a16", "a20"], ["a10"])
    assert chain == {"a13": ("a10", ""), "a16": ("a10", "")}


def test_frames_without_a_time_stand_between_their_neighbours() -> None:
    at = {"latitude_deg": 46.0, "longitude_deg": 8.0, "height_m": 700.0}
    infos = {
        "F_01": replace(FULL, clock=None),
        "F_02": replace(FULL, clock=NIGHT, **at),
        "F_03": replace(FULL, clock=None),
        "F_04": replace(FULL, clock=NIGHT + 100 * SECOND, **at),
        "F_05": replace(FULL, clock=None),
        "F_30": replace(FULL, clock=None),
        "F_31": replace(FULL, clock=None),
    }
    sessions, of = resolve([Measure(f, "light", "", info) for f, info in infos.items()], Notes())
    dated_one, undated = sessions
    assert undated.name == "undated-fen-one" and dated_one.name == "2026-08-14-fen-one"
    assert [(s.file, s.order_s, s.clocked) for s in dated_one.shots] == [
        ("F_01", -0.5, False), ("F_02", 0.0, True), ("F_03", 50.0, False), ("F_04", 100.0, True),
        ("F_05", 100.5, False),
    ]  # fmt: skip
    assert [(s.file, s.order_s, s.clocked) for s in undated.shots] == [
        ("F_30", 0.0, False), ("F_31", 1.0, False),
    ]  # fmt: skip
    assert {(s.info.latitude_deg, s.info.height_m) for s in dated_one.shots} == {(46.0, 700.0)}
    assert dated_one.notices == (
        "3 frames without a time of their own (F_01, F_03, F_05): put in order by the file's "
        "number.",
    )
    assert undated.notices == () and (undated.camera, undated.serial) == ("Fen One", "7")
    assert {of[f] for f in ("F_01", "F_05")} == {dated_one.name}


def test_a_frame_without_a_time_between_two_nights_is_of_neither() -> None:
    infos = {
        "F_1": replace(FULL, clock=NIGHT),
        "F_2": replace(FULL, clock=None),
        "F_3": replace(FULL, clock=NIGHT + 24 * HOUR),
        "F_4": replace(FULL, clock=None),
    }
    _, of = resolve([Measure(f, "light", "", info) for f, info in infos.items()], Notes())
    assert of == {
        "F_1": "2026-08-14-fen-one", "F_2": "undated-fen-one", "F_3": "2026-08-15-fen-one",
        "F_4": "2026-08-15-fen-one",
    }  # fmt: skip
    other = infos | {"F_4": replace(FULL, clock=None, camera="Fen Two")}
    _, of = resolve([Measure(f, "light", "", info) for f, info in other.items()], Notes())
    assert of["F_4"] == "undated-fen-two"


def test_files_that_say_nothing_go_where_their_name_or_the_one_before_goes() -> None:
    found = {"d/b2.nef": "two", "d/b4.nef": "four"}
    names = ["d/b1.txt", "d/b2.jpg", "d/b3.txt", "d/B4.JPG", "d/b5.txt", "e/x.txt"]
    assert with_neighbours(names, found) == found | {
        "d/b1.txt": "two", "d/b2.jpg": "two", "d/b3.txt": "two", "d/B4.JPG": "four",
        "d/b5.txt": "four", "e/x.txt": "four",
    }  # fmt: skip
    assert with_neighbours(["x"], {}) == {"x": "undated-camera"}


# Nights


@pytest.mark.parametrize(("hours", "names"), [(5.99, 1), (6.0, 2)])
def test_a_pause_of_six_hours_ends_a_session(hours: float, names: int) -> None:
    info = replace(FULL, utc_offset_h=NAN)
    begin = datetime(2026, 8, 14, 18)
    measures = [Measure(f"{n}", "light", "", replace(info, clock=begin + n * hours * HOUR))
                for n in range(2)]  # fmt: skip
    sessions, _ = resolve(measures, Notes())
    assert [one.name for one in sessions] == [
        "2026-08-14-fen-one", "2026-08-14-fen-one-part2",
    ][:names]  # fmt: skip
    assert {one.evening for one in sessions} == {date(2026, 8, 14)}
    assert all(one.clock_words == "" and "no time zone" in one.clock_why_not for one in sessions)


@pytest.mark.parametrize(("count", "parts"), [(2, 1), (3, 2)])
def test_three_files_of_another_zone_were_taken_after_the_clock_was_set(
    count: int, parts: int
) -> None:
    zones = [2.0] * 3 + [1.0] * count
    # The clock was put back an hour while the night went on.
    measures = [
        Measure(f"F{n}", "light", "", replace(
            FULL, latitude_deg=46.0, longitude_deg=8.0, utc_offset_h=zone,
            clock=NIGHT + (zone - 2) * HOUR + 10 * n * MINUTE))
        for n, zone in enumerate(zones)
    ]  # fmt: skip
    (session,), _ = resolve(measures, Notes())
    starts = [shot.start_utc for shot in session.shots]
    if parts == 2:
        assert starts == [NIGHT - 2 * HOUR + 10 * n * MINUTE for n in range(3 + count)]
        assert session.notices == ()
    else:
        assert "F3, F4: the time zone contradicts that of 3 frames" in session.notices[0]


@pytest.mark.parametrize(("micro", "step_s"), [(0, 1.0), (250_000, 0.0)])
def test_the_step_of_a_clock(micro: int, step_s: float) -> None:
    measure = Measure("a", "light", "", replace(FULL, clock=NIGHT + timedelta(microseconds=micro)))
    (session,), _ = resolve([measure], Notes())
    (shot,) = session.shots
    assert shot.clock_step_s == step_s and shot.order_s == 0.0
    assert shot.start_utc == NIGHT - 2 * HOUR + timedelta(microseconds=micro)


@pytest.mark.parametrize(("minutes", "stale"), [(5, False), (6, True)])
def test_a_fix_is_old_where_its_stamp_stands_on_a_frame_long_before(
    minutes: int, stale: bool
) -> None:
    where = {"latitude_deg": 46.0, "longitude_deg": 8.0}
    there = {"latitude_deg": 46.0, "longitude_deg": 9.0}
    stamp = NIGHT - 2 * HOUR
    infos = [
        replace(FULL, clock=NIGHT, gps_utc=stamp, **where),
        replace(FULL, clock=NIGHT + minutes * MINUTE, gps_utc=stamp, **there),
        replace(FULL, clock=NIGHT + 20 * MINUTE, gps_utc=stamp + 20 * MINUTE, **where),
    ]
    measures = [Measure(f"F{n}", "light", "", info) for n, info in enumerate(infos)]
    (session,), _ = resolve(measures, Notes())
    assert [shot.info.longitude_deg for shot in session.shots] == [8.0] * 3
    strays = [line for line in session.notices if "position" in line and "km" in line]
    assert len(strays) == (not stale)


def test_notes_give_a_clock_its_zone_and_seconds() -> None:
    measures = [
        Measure("F1", "light", "", replace(FULL, clock=NIGHT, utc_offset_h=NAN)),
        # A frame by itself whose stamp is its time: that is UTC.
        Measure("X9", "light", "", replace(FULL, clock=None, gps_utc=NIGHT - HOUR)),
    ]
    notes = Notes.model_validate({"clock": {"utc_offset_h": 3, "ahead_s": 30}})
    (session,), _ = resolve(measures, notes)
    starts = {shot.file: shot.start_utc for shot in session.shots}
    assert starts == {
        "F1": NIGHT - 3 * HOUR - 30 * SECOND,
        "X9": NIGHT - HOUR - 30 * SECOND,
    }
    assert session.clock_words == "night notes" and session.clock_why_not == ""


def test_the_words_of_a_clock_are_those_of_the_first_stretch() -> None:
    # Two of one night by the Sun, seven hours apart.
    where = {"latitude_deg": 46.0, "longitude_deg": 8.0}
    begin = datetime(2026, 8, 14, 21)
    early = [replace(FULL, clock=begin + n * MINUTE, **where) for n in range(2)]
    late = [replace(FULL, clock=begin + (420 + n) * MINUTE, utc_offset_h=NAN,
                    gps_utc=begin + (300 + n) * MINUTE, **where) for n in range(2)]  # fmt: skip
    measures = [Measure(f"F{n}", "light", "", info) for n, info in enumerate([*early, *late])]
    (session,), _ = resolve(measures, Notes())
    assert session.clock_words == "time zone in the files" and session.clock_why_not == ""
    assert [shot.start_utc for shot in session.shots] == [
        begin + (n - 120) * MINUTE for n in (0, 1, 420, 421)
    ]


def test_a_night_of_two_bodies_frames_without_a_time_copies_and_stamps_is_two_sessions() -> None:
    infos = [replace(FULL, clock=NIGHT, gps_utc=NIGHT - 2 * HOUR), replace(FULL, clock=None),
             replace(FULL, serial="8", latitude_deg=46.0, longitude_deg=8.0)]  # fmt: skip
    measures = [Measure(f"F{n}", "light", "", info, samples_digest="one" * (n > 1))
                for n, info in enumerate([*infos, infos[2]])]  # fmt: skip
    sessions, _ = resolve(measures, Notes())
    assert sum(len(one.shots) for one in sessions) == 4
    assert [shot.copy_of for one in sessions for shot in one.shots if shot.copy_of] == ["F2"]
    (undated,) = [shot for one in sessions for shot in one.shots if shot.file == "F1"]
    assert (undated.clocked, undated.clock_step_s, undated.start_utc) == (False, 0.0, None)
    assert sessions[0].measures == tuple(shot.measure for shot in sessions[0].shots)
    assert sessions[0].only(["F0"]).shots == sessions[0].shots[:1]
