"""Verdicts by hand that stay with the output, so that the next audit does not lose them.

They stand in `overrides.yaml` in the output folder, in the form of any overrides file, with the
camera's time of each frame beside its name: two cards in one output may use the same names.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import yaml

from skyplumb._data import write_whole
from skyplumb.errors import UserError
from skyplumb.intake.overrides import Overrides, OverridesFile, Overrule
from skyplumb.intake.yaml_file import composed, load_yaml_model, read_text
from skyplumb.records import Measure

KEPT = "overrides.yaml"
_ABOUT = """\
# Verdicts changed by hand. skyplumb audit keeps them here and applies them each time it writes
# into this folder. Remove an entry to take it back, or say `verdict: rules` for the frame in a
# file given by --overrides.
"""


def keep_overrides(
    given: Overrides, out: Path, judged: Sequence[Measure], say: Callable[[str], None]
) -> Overrides:
    """Verdicts by hand that hold now: those given, and those of earlier audits into the output.

    Parameters
    ----------
    given : Overrides
        By `--overrides`; they outrank earlier ones, and `verdict: rules` takes one back.
    out : Path
        The output folder.
    judged : sequence of Measure
        The frames of this card that get a verdict.
    say : callable
        Told how many of earlier audits are applied.

    Raises
    ------
    SettingsError, UserError
        If the kept file has a mistake in it or cannot be written.
    """
    path = out / KEPT
    before = _read(path)
    taken = {one.file: one.info.taken_camera for one in judged}
    kept = {(composed(entry.file), entry.taken): entry for entry in before}
    for file, entry in given.by_file.items():
        kept[composed(file), taken[file]] = entry.model_copy(
            update={"file": file, "taken": taken[file]}
        )
    kept = {place: entry for place, entry in kept.items() if entry.verdict != "rules"}
    entries = [entry for _, entry in sorted(kept.items())]
    if entries != list(before):
        _write(path, entries)
    here = {
        file: kept[composed(file), clock]
        for file, clock in taken.items()
        if (composed(file), clock) in kept
    }
    earlier = len(here.keys() - given.by_file.keys())
    if earlier:
        say(f"verdicts by hand of earlier audits, applied again: {earlier}; they stand in {path}")
    return Overrides(here, dict.fromkeys(here, str(path)) | dict(given.stands_at))


def _read(path: Path) -> tuple[Overrule, ...]:
    """The entries of a kept file; none if there is no file."""
    if not path.exists():
        return ()
    return load_yaml_model(path, read_text(path), OverridesFile).frames


def _write(path: Path, entries: Sequence[Overrule]) -> None:
    told = [
        {name: value for name, value in entry.model_dump().items() if value} for entry in entries
    ]
    text = yaml.safe_dump({"frames": told}, allow_unicode=True, sort_keys=False, width=100)
    try:
        if entries:
            write_whole(path, (_ABOUT + text).encode("utf-8", "surrogatepass"))
        else:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise UserError(
            f"{path}: cannot be written ({error.strerror}); free some space there or choose "
            "another --out"
        ) from None
