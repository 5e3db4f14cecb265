"""The store: out comes what went in, and damage counts as absence."""

from __future__ import annotations

import dataclasses
import errno
import os
from datetime import datetime
from pathlib import Path, PurePosixPath

import numpy as np
import pytest

from skyplumb.measure import store as store_module
from skyplumb.measure.store import Store
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo, UserError


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "out" / ".skyplumb")


def a_measure(seed: int = 1, stars: int = 1500) -> Measure:
    """A light frame with every kind of value, NaN and infinity among them."""
    rng = np.random.default_rng(seed)
    table = np.zeros(stars, STAR_DTYPE)
    for name in STAR_DTYPE.names or ():
        table[name] = rng.lognormal(3.0, 2.0, stars)
    table["sxx"][::7] = np.nan
    table["kurt"][::11] = -np.inf
    return Measure(
        file="DCIM/Ærø 'ny' – 1/a.dng",
        kind="light",
        note='a "note"\nin two lines',
        info=ShotInfo(
            camera="Fernhill One",
            focal_mm=34.99999999999999,
            exposure_s=1 / 3,
            clock=datetime(2026, 8, 14, 23, 59, 59, 123456),
            latitude_deg=float(np.float32(54.1)),
        ),
        width_px=6000,
        height_px=4000,
        stars=table,
        sky_level=0.1 + 0.2,
        trails=3,
        crops=rng.normal(0, 12, (9, 41, 41)).astype(np.float32),
        crop_xy=rng.uniform(0, 4000, (9, 2)).astype(np.float32),
    )


def assert_same(one: object, other: object) -> None:
    """Bit for bit, types included."""
    assert type(one) is type(other)
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name))
    elif isinstance(one, np.ndarray):
        assert isinstance(other, np.ndarray)
        assert (one.dtype, one.shape, one.tobytes()) == (other.dtype, other.shape, other.tobytes())
    else:
        assert repr(one) == repr(other)  # repr tells -0.0 from 0.0 and takes NaN as equal to NaN


@pytest.mark.parametrize(
    "measure",
    [a_measure(), Measure("a.fits", "unreadable", "cut short"), a_measure(2, stars=0)],
    ids=["light", "empty", "no stars"],
)
def test_a_measure_comes_back_bit_for_bit(store: Store, measure: Measure) -> None:
    store.put("ab12", measure)
    again = store.get("ab12")
    assert_same(measure, again)
    assert again is not None
    again.stars["x"] = 0.0  # and like a fresh one it may be worked on


def test_crops_that_half_precision_holds_come_back_exactly_too(store: Store) -> None:
    crops = a_measure().crops.astype(np.float16).astype(np.float32)
    crops[0, 0, 0] = np.nan
    halved = dataclasses.replace(a_measure(), crops=crops)
    store.put("full", a_measure())
    store.put("half", halved)
    assert_same(halved, store.get("half"))
    size = {key: store._measure_path(key).stat().st_size for key in ("full", "half")}
    saved = size["full"] - size["half"]
    assert saved > 0.4 * crops.nbytes  # half of the bytes, less what compression took anyway


def test_what_is_not_there_is_none(store: Store) -> None:
    assert store.get("ab12") is None
    assert store.get_blob("camera-model") is None


def test_a_damaged_entry_counts_as_absent_wherever_the_damage_is(store: Store) -> None:
    store.put("ab12", a_measure(stars=40))
    path = store._measure_path("ab12")
    whole = path.read_bytes()
    rng = np.random.default_rng(3)
    for cut in rng.integers(0, len(whole), 40):
        path.write_bytes(whole[:cut])
        assert store.get("ab12") is None
    for place in rng.integers(0, len(whole), 400):
        damaged = bytearray(whole)
        damaged[place] ^= 0xFF
        path.write_bytes(damaged)
        again = store.get("ab12")
        if again is not None:  # a byte that means nothing, such as the time inside the zip
            assert_same(a_measure(stars=40), again)


def test_an_entry_of_another_shape_counts_as_absent(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put("ab12", a_measure())

    @dataclasses.dataclass(frozen=True)
    class Later(Measure):
        moons: int = 0

    monkeypatch.setattr(store_module, "Measure", Later)
    assert store.get("ab12") is None


def test_an_interrupted_write_leaves_the_old_entry_and_no_litter(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put("ab12", a_measure(1))

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(Path, "replace", interrupted)
        store.put("ab12", a_measure(2))
    assert_same(a_measure(1), store.get("ab12"))
    assert [entry.name for entry in store._measure_path("ab12").parent.iterdir()] == ["ab12.npz"]


def test_a_full_disk_is_one_line_that_names_the_folder(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(UserError, match=r"\.skyplumb.*no space left on device.*make room") as told:
        store.put("ab12", a_measure())
    assert "\n" not in str(told.value)
    assert not list(store.folder.rglob(".unfinished-*"))


def test_an_output_that_cannot_be_written_to_is_said_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(UserError, match=r"out/\.skyplumb: cannot be written to"):
        Store(tmp_path / "out" / ".skyplumb")


def test_blobs_come_back_and_damaged_ones_do_not(store: Store) -> None:
    store.put_blob("camera-model.json", b"\x00\x01 model")
    assert store.get_blob("camera-model.json") == b"\x00\x01 model"
    path = store._blob_path("camera-model.json")
    path.write_bytes(path.read_bytes()[:-1])
    assert store.get_blob("camera-model.json") is None


@pytest.mark.parametrize("name", ["../x", "a/b", "", ".hidden"])
def test_a_blob_cannot_be_named_out_of_its_folder(store: Store, name: str) -> None:
    with pytest.raises(ValueError, match="not a blob's name"):
        store.put_blob(name, b"")


def test_clearing_forgets_measures_and_blobs_only(store: Store) -> None:
    store.put("ab12", a_measure())
    store.put_blob("x", b"y")
    (store.folder.parent / "frames.csv").write_text("kept")
    store.clear()
    assert store.get("ab12") is None and store.get_blob("x") is None
    assert (store.folder.parent / "frames.csv").read_text() == "kept"


class TestKey:
    """When is a shot another shot."""

    @pytest.fixture
    def card(self, tmp_path: Path) -> Path:
        card = tmp_path / "card"
        card.mkdir()
        (card / "a.dng").write_bytes(np.random.default_rng(5).bytes(1_000_000))
        os.utime(card / "a.dng", ns=(0, 10**18))
        return card

    def test_the_same_file_has_the_same_key(self, store: Store, card: Path) -> None:
        again = Store(card.parent / "elsewhere").key(card, PurePosixPath("a.dng"))
        assert store.key(card, "a.dng") == again

    @pytest.mark.parametrize("place", [0, 65535, 65536, 700_000, 999_999])
    def test_another_content_has_another_key(self, store: Store, card: Path, place: int) -> None:
        """Written over in one 64 KiB stretch, the size and time as before."""
        before = store.key(card, "a.dng")
        content = bytearray((card / "a.dng").read_bytes())
        content[max(0, place - 65535) : place + 1] = bytes(min(place + 1, 65536))
        (card / "a.dng").write_bytes(content)
        os.utime(card / "a.dng", ns=(0, 10**18))
        assert store.key(card, "a.dng") != before

    def test_another_size_time_name_or_way_to_measure_has_another_key(
        self, store: Store, card: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        content = (card / "a.dng").read_bytes()
        keys = [store.key(card, "a.dng")]
        (card / "b.dng").write_bytes(content)
        os.utime(card / "b.dng", ns=(0, 10**18))
        keys.append(store.key(card, "b.dng"))
        os.utime(card / "a.dng", ns=(0, 10**18 + 1000))
        keys.append(store.key(card, "a.dng"))
        (card / "a.dng").write_bytes(content + b"\0")
        os.utime(card / "a.dng", ns=(0, 10**18))
        keys.append(store.key(card, "a.dng"))
        (card / "a.dng").write_bytes(content)
        os.utime(card / "a.dng", ns=(0, 10**18))
        assert store.key(card, "a.dng") == keys[0]
        monkeypatch.setattr(store_module, "MEASURE_VERSION", store_module.MEASURE_VERSION + 1)
        keys.append(store.key(card, "a.dng"))
        assert len(set(keys)) == len(keys)

    def test_a_file_that_is_gone_or_empty_has_a_key_too(self, store: Store, card: Path) -> None:
        gone = store.key(card, "gone.dng")
        (card / "gone.dng").touch()
        assert store.key(card, "gone.dng") != gone
