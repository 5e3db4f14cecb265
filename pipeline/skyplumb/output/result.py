"""A judged session as everything its files are written from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from skyplumb.columns import FrameRow
from skyplumb.output.page.pictures import Picture
from skyplumb.output.panels import Panel
from skyplumb.records import FieldShapes, Measure
from skyplumb.summary import SessionSummary


@dataclass(frozen=True, slots=True)
class SessionResult:
    """One audited session."""

    session: str
    """Folder name of the session, such as 2026-08-14-body."""
    rows: tuple[FrameRow, ...]
    """One per shot."""
    summary: SessionSummary
    crops: dict[str, Measure]
    """`Measure` of each light frame by its file, for the star crops."""
    notices: tuple[str, ...] = ()
    """What a reader must know first, such as an unknown time zone."""
    fields: dict[str, FieldShapes] = field(default_factory=dict)
    """Star shapes of each light frame by its file."""
    pictures: dict[str, Picture] = field(default_factory=dict)
    """What each light frame looks like, by its file; drawn from `crops` and `fields` if empty."""
    rules: dict[str, Any] = field(default_factory=dict)
    """The rules in force, as far as they differ from the shipped ones."""
    panels: tuple[Panel, ...] = ()
    """Of its mosaics, if there are any."""


@dataclass(frozen=True, slots=True)
class Live:
    """What a session's page shows besides while its frames still arrive."""

    reload_s: int
    """After so many seconds the page loads itself again."""
    newest: str
    """The newest frame in it."""
    alarms: tuple[str, ...] = ()
    """What hands are needed for now, a line each."""
