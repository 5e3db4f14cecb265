"""The store: out comes what went in, and damage counts as absence."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import os
import shutil
import sqlite3
import subprocess
import sys
import time
import zlib
from datetime import datetime
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd
import pytest

from skyplumb.errors import UserError
from skyplumb.measure import rows
from skyplumb.measure import store as store_module
from skyplumb.measure.store import Store
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo


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
    store.put("half", halved)
    assert_same(halved, store.get("half"))
    assert len(rows.pack(crops)) < len(rows.pack(a_measure().crops)) - 0.3 * crops.nbytes


def test_what_is_not_there_is_none(store: Store) -> None:
    assert store.get("ab12") is None
    assert store.get_blob("camera-model") is None


def test_a_name_that_is_no_unicode_comes_back(store: Store) -> None:
    odd = dataclasses.replace(a_measure(), file=os.fsdecode(b"DCIM/\xff\xfe.dng"), note="\0 \ud800")
    store.put("ab12", odd)
    assert_same(odd, store.get("ab12"))


def test_only_the_arrays_that_are_asked_for_are_read(store: Store) -> None:
    store.put("ab12", a_measure())
    (bare,) = store.get_all(["ab12", "none"], arrays=()).values()
    assert bare.info == a_measure().info or repr(bare.info) == repr(a_measure().info)
    assert len(bare.stars) == len(bare.crops) == 0
    assert_same(store.get_all(["ab12"], arrays=["crops"])["ab12"].crops, a_measure().crops)


def test_any_tool_for_tables_reads_it_in_a_line(store: Store) -> None:
    measure = a_measure()
    store.put("ab12", measure)
    shots = pd.read_sql("SELECT * FROM shots", sqlite3.connect(store.path))
    assert shots.loc[0, "camera"] == "Fernhill One"
    assert shots.loc[0, "focal_mm"] == measure.info.focal_mm
    (data,) = sqlite3.connect(store.path).execute("SELECT data FROM arrays WHERE name = 'stars'")
    stars = np.load(io.BytesIO(zlib.decompress(data[0])))
    assert stars.tobytes() == measure.stars.tobytes()
    told = pd.read_sql("SELECT * FROM columns", sqlite3.connect(store.path), index_col="name")
    assert set(told.index) == set(shots.columns) - {"key", "digest"} | set(rows.ARRAYS)
    assert "brightest first" in told.loc["stars", "meaning"]


@pytest.mark.broad
def test_a_flipped_bit_anywhere_never_gives_another_measure(store: Store) -> None:
    """Measured again is fine, a wrong number is not; what can still be read is saved."""
    kept = {f"k{n}": a_measure(n, stars=40) for n in range(8)}
    for key, measure in kept.items():
        store.put(key, measure)
    store.close()
    whole = store.path.read_bytes()
    rng = np.random.default_rng(3)
    saved = 0
    for place in rng.integers(100, len(whole), 60):
        damaged = bytearray(whole)
        damaged[place] ^= 0xFF
        store.path.write_bytes(damaged)
        told: list[str] = []
        again = Store(store.folder, told.append)
        found = again.get_all(kept)
        again.close()
        for key, measure in found.items():
            assert_same(kept[key], measure)
        assert len(found) == len(kept) or told
        assert all("\n" not in line and "None" not in line for line in told)
        saved += len(found)
    assert saved > 0.5 * 60 * len(kept)


def test_a_store_that_was_cut_or_is_something_else_is_made_anew_and_said(store: Store) -> None:
    store.put("ab12", a_measure())
    store.close()
    whole = store.path.read_bytes()
    for content in (whole[: len(whole) // 2], b"notes of mine", b"\0" * 5000):
        store.path.write_bytes(content)
        told: list[str] = []
        again = Store(store.folder, told.append)
        assert again.get("ab12") is None
        again.put("ab12", a_measure())
        assert_same(a_measure(), again.get("ab12"))
        again.close()
        assert told


OPENER = """
import pathlib, random, sys, time
from skyplumb.measure.store import Store
from test_store import a_measure
folder, go, number = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), int(sys.argv[3])
keys = [f"k{n}" for n in range(200)]
random.Random(number).shuffle(keys)
print("ready", flush=True)
while not go.exists():
    time.sleep(0.001)
told = []
store = Store(folder, told.append)
found = {key for key in keys if store.get(key) is not None}
store.put(f"mine{number}", a_measure(number, stars=30))
found |= set(store.get_all(keys))
print(len(found), sum("could be saved" in line for line in told))
"""


@pytest.mark.slow
@pytest.mark.parametrize("where", ["at opening", "while reading"])
def test_damage_that_several_meet_at_once_is_mended_once(
    store: Store, tmp_path: Path, where: str
) -> None:
    for n in range(200):
        store.put(f"k{n}", dataclasses.replace(a_measure(1, stars=30), crops=np.zeros((0, 0, 0))))
    store.put_blob("b", b"kept", "d")
    store.close()
    whole = bytearray(store.path.read_bytes())
    page = int.from_bytes(whole[16:18], "big")
    rng = np.random.default_rng(5)
    if where == "at opening":
        whole[:16] = b"no database here"
    for damaged in rng.choice(np.arange(8, len(whole) // page), 12, replace=False):
        # The head of a page of a tree, as SQLite's file format has it: no such kind of page.
        whole[damaged * page : damaged * page + 8] = b"\xee" * 8
    store.path.write_bytes(whole)
    # One alone saves so many.
    shutil.copytree(store.folder, tmp_path / "alone")
    told: list[str] = []
    alone = Store(tmp_path / "alone", told.append)
    saved = {key for n in range(200) if alone.get(key := f"k{n}") is not None}
    assert (100 < len(saved) < 200) if where == "while reading" else not saved
    assert sum("could be saved" in line for line in told) == 1
    here, tests = Path(__file__).parent, Path(__file__).parents[1]
    path = os.pathsep.join(map(str, (here, tests, tests.parent / "pipeline")))
    go = tmp_path / "go"
    openers = [
        subprocess.Popen(
            [sys.executable, "-c", OPENER, str(store.folder), str(go), str(number)],
            env=os.environ | {"PYTHONPATH": path},
            stdout=subprocess.PIPE,
            text=True,
        )
        for number in range(6)
    ]
    for one in openers:
        assert one.stdout is not None and one.stdout.readline() == "ready\n"
    go.touch()
    said = [[int(word) for word in one.communicate(timeout=120)[0].split()] for one in openers]
    assert [one.returncode for one in openers] == [0] * 6
    assert [found for found, _ in said] == [len(saved)] * 6
    assert sum(mended for _, mended in said) == 1
    left = {path.name for path in store.folder.iterdir()}
    assert not [name for name in left if "damaged" in name or "mending" in name]
    after = Store(store.folder, told.append)
    assert set(after.get_all(f"k{n}" for n in range(200))) == saved
    # What was written while others mended is there.
    assert len(after.get_all(f"mine{number}" for number in range(6))) == 6
    assert after.get_blob("b", "d") == (b"kept" if saved else None)


def test_what_was_written_last_is_saved_from_a_damaged_store_too(
    store: Store, tmp_path: Path
) -> None:
    # SQLite keeps it beside the file until the last one lets go of it.
    for n in range(40):
        store.put(f"k{n}", a_measure(n, stars=300))
    store.close()
    store = Store(store.folder)
    for n in range(3):
        store.put(f"late{n}", a_measure(n, stars=30))
    killed = tmp_path / "killed"
    shutil.copytree(store.folder, killed)
    path = killed / store.path.name
    assert path.with_name(path.name + "-wal").stat().st_size > 0
    whole = bytearray(path.read_bytes())
    page = int.from_bytes(whole[16:18], "big")
    late = path.with_name(path.name + "-wal").read_bytes()
    # Frames of 24 bytes and a page, after 32 bytes; each begins with its page's number.
    held = {
        int.from_bytes(late[at : at + 4], "big") for at in range(32, len(late) - page, page + 24)
    }
    for damaged in {5, 9, 20, 21, 30, 33} - held:
        whole[(damaged - 1) * page : (damaged - 1) * page + 8] = b"\xee" * 8
    path.write_bytes(whole)
    told: list[str] = []
    again = Store(killed, told.append)
    found = again.get_all([*(f"k{n}" for n in range(40)), *(f"late{n}" for n in range(3))])
    assert "could be saved" in told[0]
    assert {f"late{n}" for n in range(3)} <= set(found)
    assert len(found) < 43


def test_entries_that_changed_places_count_as_absent(store: Store) -> None:
    store.put("one", a_measure(1))
    store.put("two", a_measure(2))
    store.close()
    with sqlite3.connect(store.path) as db:
        for table in ("shots", "arrays"):
            db.execute(f"UPDATE {table} SET key = 'aside' WHERE key = 'one'")
            db.execute(f"UPDATE {table} SET key = 'one' WHERE key = 'two'")
            db.execute(f"UPDATE {table} SET key = 'two' WHERE key = 'aside'")
    told: list[str] = []
    again = Store(store.folder, told.append)
    assert again.get_all(["one", "two"]) == {}
    assert len(told) == 2 and "damaged" in told[0]


def test_a_folder_in_its_place_is_set_aside_and_said(tmp_path: Path) -> None:
    (tmp_path / ".skyplumb" / "measures.sqlite" / "mine").mkdir(parents=True)
    told: list[str] = []
    store = Store(tmp_path / ".skyplumb", told.append)
    store.put("ab12", a_measure())
    assert_same(a_measure(), store.get("ab12"))
    assert len(told) == 1 and "is no file" in told[0]
    assert (tmp_path / ".skyplumb" / "measures.sqlite.damaged-1" / "mine").is_dir()


def test_a_store_of_another_version_is_measured_anew(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put("ab12", a_measure())
    store.close()
    # What an older version made, or somebody laid there: nothing tells which.
    (store.folder / "measures").mkdir()
    (store.folder / "measures" / "thesis.txt").write_text("mine")
    monkeypatch.setattr(store_module, "MEASURE_VERSION", store_module.MEASURE_VERSION + 1)
    told: list[str] = []
    assert Store(store.folder, told.append).get("ab12") is None
    assert len(told) == 1
    assert (store.folder / "measures" / "thesis.txt").read_text() == "mine"


@pytest.mark.slow
def test_killed_at_any_moment_it_keeps_what_was_put_and_nothing_half(tmp_path: Path) -> None:
    writer = tmp_path / "writer.py"
    writer.write_text(WRITER)
    here, tests = Path(__file__).parent, Path(__file__).parents[1]
    path = os.pathsep.join(map(str, (here, tests, tests.parent / "pipeline")))
    for delay_s in (0.02, 0.1, 0.3):
        with subprocess.Popen(
            [sys.executable, str(writer), str(tmp_path / "s")],
            env=os.environ | {"PYTHONPATH": path},
            stdout=subprocess.PIPE,
            text=True,
        ) as running:
            assert running.stdout is not None
            running.stdout.readline()
            time.sleep(delay_s)
            running.kill()
            said = running.stdout.read().split()
        told: list[str] = []
        store = Store(tmp_path / "s", told.append)
        found = store.get_all(said)
        assert set(found) == set(said[: len(found)]) and len(found) == len(said)
        assert told == []
        for key, measure in found.items():
            assert_same(a_measure(int(key), stars=200), measure)
        store.close()


WRITER = """
import sys
from pathlib import Path
from test_store import Store, a_measure
store = Store(Path(sys.argv[1]))
print(flush=True)
for n in range(10_000):
    store.put(str(n), a_measure(n, stars=200))
    print(n, flush=True)
"""


def test_a_full_disk_is_one_line_that_names_the_folder(store: Store) -> None:
    pages = store._db.connected().execute("PRAGMA page_count").fetchone()[0]
    store._db.connected().execute(
        f"PRAGMA max_page_count = {pages + 1}"
    )  # SQLite's own way to be full
    with pytest.raises(UserError, match=r"\.skyplumb.*disk is full.*make room") as told:
        store.put("ab12", a_measure())
    assert "\n" not in str(told.value)
    assert store.get("ab12") is None


def test_an_output_that_cannot_be_written_to_is_said_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(UserError, match=r"out/\.skyplumb: cannot be written to"):
        Store(tmp_path / "out" / ".skyplumb")


def test_blobs_come_back_and_damaged_or_outdated_ones_do_not(store: Store) -> None:
    store.put_blob("pointings", b"\x00\x01 model", "made of this")
    assert store.get_blob("pointings", "made of this") == b"\x00\x01 model"
    assert store.get_blob("pointings", "made of that") is None
    store._db.write([("UPDATE blobs SET data = x'00'", [[]])])
    assert store.get_blob("pointings", "made of this") is None


class TestKey:
    """When is a shot another shot."""

    @pytest.fixture(autouse=True, params=[0, 10**30], ids=["settled", "just changed"])
    def settled(self, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
        """With what is remembered of files that have not changed, and without."""
        monkeypatch.setattr(store_module, "_SETTLED_NS", request.param)

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
        time.sleep(0.02)  # a tick of the disk's clock, which tells one change from the next
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
        time.sleep(0.02)
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
        time.sleep(0.02)
        os.utime(card / "a.dng", ns=(0, 10**18))
        assert store.key(card, "a.dng") == keys[0]
        monkeypatch.setattr(store_module, "MEASURE_VERSION", store_module.MEASURE_VERSION + 1)
        keys.append(store.key(card, "a.dng"))
        assert len(set(keys)) == len(keys)

    def test_a_file_that_is_gone_or_empty_has_a_key_too(self, store: Store, card: Path) -> None:
        gone = store.key(card, "gone.dng")
        (card / "gone.dng").touch()
        assert store.key(card, "gone.dng") != gone

    def test_what_is_remembered_of_untouched_files_cannot_change_places(
        self, store: Store, card: Path
    ) -> None:
        for number, name in enumerate(("b.dng", "c.dng")):
            (card / name).write_bytes(np.random.default_rng(number).bytes(1000))
        keys = {name: store.key(card, name) for name in ("b.dng", "c.dng")}
        store.close()
        with contextlib.closing(sqlite3.connect(store.path)) as db, db:
            # As after damage, or a tool for tables in a careless hand.
            db.execute("UPDATE seen SET key = ?", [keys["c.dng"]])
        again = Store(store.folder)
        assert {name: again.key(card, name) for name in keys} == keys
        again.close()
