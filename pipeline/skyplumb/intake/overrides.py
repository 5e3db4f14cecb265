"""Verdicts that a person has changed by hand -> the frames they are about.

The page writes such a file; it can as well be typed:

    frames:
      - file: DCIM/100FERN/FRN_0012.DNG
        verdict: keep
        note: the trail is hidden by the nebula's own shape

JSON with the same keys is read too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from skyplumb.intake.yaml_file import (
    MOST_MISTAKES,
    Settings,
    SettingsError,
    Source,
    composed,
    load_source,
    read_text,
)


class Overrule(Settings):
    """One frame's verdict by hand."""

    file: str = Field(min_length=1, max_length=4096)
    """Relative to the card, with / separators, as in frames.csv."""
    verdict: Literal["keep", "doubtful", "reject", "rules"]
    """`rules` takes a verdict of an earlier audit back."""
    taken: Annotated[str, Field(max_length=200)] = ""
    """The camera's time of the frame, where an audit kept the entry."""
    note: Annotated[str, Field(max_length=2000)] = ""
    """Why, for the one who reads the list later."""


class OverridesFile(Settings):
    """A whole overrides file; an empty one changes nothing."""

    frames: Annotated[tuple[Overrule, ...], Field(strict=False)] = ()


@dataclass(frozen=True, slots=True)
class Overrides:
    """Every verdict by hand, from one file or several."""

    by_file: Mapping[str, Overrule]
    """By composed names as they were read, by those of the card after `on_card`."""
    stands_at: Mapping[str, str]
    """File and line of each, for messages."""

    def only(self, files: Collection[str]) -> Overrides:
        """Those of some files."""
        return Overrides({f: one for f, one in self.by_file.items() if f in files}, self.stands_at)


def load_overrides(paths: Sequence[Path]) -> Overrides:
    """Read overrides files.

    Raises
    ------
    SettingsError
        A line for each mistake; also if two entries disagree about one frame.
    """
    by_file: dict[str, Overrule] = {}
    stands_at: dict[str, str] = {}
    for path in paths:
        source = Source(path, read_text(path))
        for number, entry in enumerate(load_source(source, OverridesFile).frames):
            # In frames.csv a name that a spreadsheet would run begins with ./
            file = composed(entry.file.removeprefix("./"))
            here = f"{path}:{source.line(('frames', number, 'file'))}"
            if file in by_file and by_file[file].verdict != entry.verdict:
                raise SettingsError(
                    f"{here}: frames.{number}.file: {file!r} has another verdict at "
                    f"{stands_at[file]}; remove one"
                )
            by_file[file], stands_at[file] = entry, here
    return Overrides(by_file, stands_at)


def one_for_copies(overrides: Overrides, copy_of: Mapping[str, str]) -> Overrides:
    """Verdicts by hand with the copies' as those of the shots that they are copies of.

    Raises
    ------
    SettingsError
        If a copy has another verdict than its shot.
    """
    by_file, stands_at = dict(overrides.by_file), dict(overrides.stands_at)
    for file in sorted(overrides.by_file.keys() & copy_of.keys()):
        entry, first = by_file.pop(file), copy_of[file]
        if first in by_file and by_file[first].verdict != entry.verdict:
            raise SettingsError(
                f"{stands_at[file]}: {file!r} is a copy of {first!r}, which has another verdict at "
                f"{stands_at[first]}; remove one"
            )
        if first not in by_file:
            by_file[first] = entry.model_copy(update={"file": first})
            stands_at[first] = stands_at[file]
    return Overrides(by_file, stands_at)


def on_card(overrides: Overrides, judged: Iterable[str]) -> Overrides:
    """The entries under the names that the judged frames have on the card.

    Raises
    ------
    SettingsError
        A line for each entry about no such frame, before anything is written.
    """
    known = list(judged)
    names = {file: composed(file) for file in known}
    lines = []
    strange = sorted(overrides.by_file.keys() - set(names.values()))
    for file in strange[:MOST_MISTAKES]:
        near = get_close_matches(file, known, n=1, cutoff=0.8)
        mend = f"did you mean {near[0]!r}?" if near else "correct the path or remove the entry"
        lines.append(
            f"{overrides.stands_at[file]}: {file!r} is no judged light frame of this card; {mend}"
        )
    if len(strange) > MOST_MISTAKES:
        lines.append(f"and {len(strange) - MOST_MISTAKES} entries more")
    if lines:
        raise SettingsError("\n".join(lines))
    meant = {file: name for file, name in names.items() if name in overrides.by_file}
    return Overrides(
        {file: overrides.by_file[name] for file, name in meant.items()},
        {file: overrides.stands_at[name] for file, name in meant.items()},
    )
