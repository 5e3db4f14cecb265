"""Outputs that something damaged: `python -m tests.bench.damages` prints the table.

A small drawn card is audited with lists, links, sidecars and a page to give away, and tallied. Then
one file of that output after the other, the store's and the marks among them, is damaged in a way
that a lot draws: cut, emptied, overwritten in the middle, made longer, replaced by another file of
the output, by words, by a folder, or removed. The damaged output is tallied, then audited again.
A tally must give the numbers it gave before, or say in a line what is wrong; an audit must end
well with the bytes it wrote before, or say in a line what is in its way; nothing on the card, and
nothing that is not skyplumb's own, may change.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ..smallcard import Finished, draw_small_card
from .kills import run, stamps
from .tables import Table, aim

MINE = "thesis.txt"
"""A file of the user's own beside the store; whoever deletes it has lost it."""


def _cut(path: Path, lot: random.Random, _: list[Path]) -> None:
    path.write_bytes(path.read_bytes()[: lot.randrange(max(path.stat().st_size, 1))])


def _empty(path: Path, _: random.Random, __: list[Path]) -> None:
    path.write_bytes(b"")


def _overwritten(path: Path, lot: random.Random, _: list[Path]) -> None:
    held = bytearray(path.read_bytes())
    for _ in range(lot.choice((1, 1, 8, 100))):
        if held:
            held[lot.randrange(len(held))] = lot.randrange(256)
    path.write_bytes(bytes(held))


def _longer(path: Path, lot: random.Random, _: list[Path]) -> None:
    path.write_bytes(path.read_bytes() + lot.randbytes(lot.choice((1, 30, 5000))))


def _another(path: Path, lot: random.Random, files: list[Path]) -> None:
    path.write_bytes(lot.choice(files).read_bytes())


def _words(path: Path, lot: random.Random, _: list[Path]) -> None:
    path.write_text(lot.choice(("[" * 300_000, "{}", "null", "mine\n", "\0" * 4096)))


def _folder(path: Path, _: random.Random, __: list[Path]) -> None:
    path.unlink()
    path.mkdir()
    (path / MINE).write_text("mine")


def _gone(path: Path, _: random.Random, __: list[Path]) -> None:
    path.unlink()


WAYS: tuple[Callable[[Path, random.Random, list[Path]], None], ...] = (
    *(_cut, _cut, _empty, _overwritten, _overwritten, _overwritten, _longer, _another, _words),
    *(_folder, _gone),
)


@dataclass(frozen=True, slots=True)
class Told:
    """What the two commands made of one damage."""

    tally: str
    """`same`, `said` (in a line), or what is wrong with it."""
    audit: str
    mine: bool
    """The user's own files are there and as they were."""


def _numbers(season: Path) -> object:
    """What a tally counted; None where it wrote nothing."""
    try:
        return json.loads((season / "tally.json").read_text("utf-8"))
    except (OSError, ValueError):
        return None


def _of(done: subprocess.CompletedProcess[str], same: bool) -> str:
    if "Traceback" in done.stderr + done.stdout or done.returncode not in (0, 2, 3):
        return f"exit {done.returncode}: {done.stderr.strip()[-200:]}"
    if same and done.returncode == 0:
        return "same"
    return "said" if done.stderr.strip() else "wrong and unsaid"


def _mine(out: Path) -> list[str]:
    """What the user's own files hold, wherever they lie: a damaged store is put aside whole."""
    return [path.read_text("utf-8") for path in out.rglob(MINE) if path.is_file()]


def told(
    words: tuple[Path | str, ...], out: Path, whole: dict[str, bytes], counted: object
) -> Told:
    """Tally and audit a damaged output."""
    mine = _mine(out)
    season = out.parent / "season"
    shutil.rmtree(season, ignore_errors=True)
    tallied = run("tally", out, "--out", season)
    audited = run(*words)
    files = {
        name: held for name, held in Finished(out, 0, "", "").files.items() if MINE not in name
    }
    return Told(
        _of(tallied, _numbers(season) == counted),
        _of(audited, files == whole),
        _mine(out) == mine,
    )


def damage_tables(damages: int, folder: Path, seed: int) -> list[Table]:
    """Audit a card, then damage what was written, file by file."""
    card = draw_small_card(folder / "drawn")
    out, kept = folder / "out", folder / "kept"
    words = ("audit", card, "--out", out, "--link-into", out / "links", "--xmp", "--share")
    assert run(*words).returncode == 0
    assert run("tally", out, "--out", folder / "season").returncode == 0
    counted, whole = _numbers(folder / "season"), Finished(out, 0, "", "").files
    before = stamps(card)
    (out / ".skyplumb" / MINE).write_text("mine")
    out.rename(kept)
    names = sorted(
        path.relative_to(kept) for path in kept.rglob("*")
        if path.is_file() and not path.is_symlink() and path.stat().st_nlink == 1
        and path.name != MINE
    )  # fmt: skip
    lot = random.Random(seed)
    found = []
    for turn in range(damages):
        name, way = names[turn % len(names)], lot.choice(WAYS)
        shutil.rmtree(out, ignore_errors=True)
        shutil.copytree(kept, out, symlinks=True)
        way(out / name, lot, [out / other for other in names])
        found.append(told(words, out, whole, counted))
        print(name, way.__name__.strip("_"), found[-1], flush=True)
    rows: list[tuple[str, ...]] = [("damages", str(damages), "", "", f"{len(names)} files")]
    for what in ("tally", "audit"):
        counts = Counter(getattr(one, what) for one in found)
        well = counts["same"] + counts["said"]
        rows += [
            (f"{what}: the same as before", str(counts["same"]), "", "", ""),
            (f"{what}: said what is wrong", str(counts["said"]), "", "", ""),
            aim(f"{what}: anything else", damages - well, 0),
        ]
    rows.append(aim("files of the user's own that changed", sum(not one.mine for one in found), 0))
    rows.append(aim("changes on the card", 0 if stamps(card) == before else 1, 0))
    return [Table("Damaged outputs", ("what", "found", "aim", "", "of"), rows)]


def main() -> None:
    """Parse, damage, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.damages", description=__doc__)
    parser.add_argument("--damages", type=int, default=100, help="[default: 100]")
    parser.add_argument("--seed", type=int, default=1, help="of the lot [default: 1]")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for table in damage_tables(asked.damages, Path(folder), asked.seed):
            print(table.text())


if __name__ == "__main__":
    main()
