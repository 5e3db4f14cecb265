"""The one table of causes: what can be wrong with a frame, in words, and its remedy.

To add a cause, add a row here and a case to `judge/cause.py` that finds it; page, tally, model
of the rig and advice take the rest from the row, and a test asks for a frame that shows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

LASER_CAUTION = (
    "A laser pointer used for aligning can blind pilots and is restricted by law in many "
    "places: keep it away from aircraft and people and follow local rules. Never look at the "
    "Sun through a lens or polar scope, nor point one at it."
)
"""Stands beside every word on aligning the axis."""


class Where(Enum):
    """Where a cause sits."""

    MOUNT = auto()
    """In the tracker and what it carries, through many frames."""
    FRAME = auto()
    """In what happened during one frame alone."""
    LENS = auto()
    SKY = auto()
    """Between the lens and the stars, or in how few of them the exposure reaches."""
    UNKNOWN = auto()


class Comes(Enum):
    """How the chance of a loss grows with the exposure."""

    STEADILY = auto()
    """A longer exposure draws a longer trail."""
    IN_EVENTS = auto()
    """Something happens now and then, likelier in a longer exposure."""
    OTHERWISE = auto()


@dataclass(frozen=True, slots=True)
class Cause:
    """One row of the table."""

    name: str
    """As in frames.csv."""
    label: str
    """As on the page."""
    words: str
    """What it is, in one line."""
    where: Where
    remedy: str = ""
    """What spares frames from it, such as "focus again"; empty where nothing does."""
    no_remedy: str = ""
    """What is said where there is no remedy."""
    spell: str = ""
    """How frames lost to it in a row are called on the time axis; the label if empty."""
    comes: Comes = Comes.OTHERWISE
    fitted: bool = False
    """The fit of the mount says how much of a trail it drew."""
    gear: bool = True
    """A frame lost to it says something of tracker, lens and their handling."""
    hides_stars: bool = False
    """It hides or spoils stars, besides lengthening them."""

    @property
    def on_time_axis(self) -> str:
        """What a row of frames lost to it is called on the time axis."""
        return self.spell or self.label


_ROWS = (
    Cause("none", "no fault found", "nothing in the frame speaks against it", Where.UNKNOWN),
    Cause(
        "axis",
        "polar axis off",
        "the tracker's axis does not point at the celestial pole",
        Where.MOUNT,
        "align the polar axis better",
        spell="axis drift",
        comes=Comes.STEADILY,
        fitted=True,
    ),
    Cause(
        "drive",
        "drive error",
        "the tracker turns too fast, too slow or unevenly",
        Where.MOUNT,
        "set the tracking rate, balance the drive or have it repaired",
        comes=Comes.STEADILY,
        fitted=True,
    ),
    Cause(
        "wind",
        "wind",
        "the camera shook in changing directions",
        Where.FRAME,
        "shield the tripod from the wind, set it low and weigh it down",
        spell="gust",
        comes=Comes.IN_EVENTS,
    ),
    Cause(
        "slip",
        "slip",
        "the head slips slowly under the camera's weight",
        Where.MOUNT,
        "balance the camera over the head and tighten the head again",
        spell="slip sets in",
        comes=Comes.IN_EVENTS,
        fitted=True,
    ),
    Cause(
        "knock",
        "knock",
        "a sudden jolt: the stars stand twice",
        Where.FRAME,
        "keep clear of tripod and cables while the shutter is open, and use a remote release",
        comes=Comes.IN_EVENTS,
        hides_stars=True,
    ),
    Cause(
        "untracked",
        "not tracked",
        "the sky moved over a camera that stood still",
        Where.MOUNT,
        "check the drive's power, its clutch and the hemisphere switch before each run",
        hides_stars=True,
    ),
    Cause(
        "refraction",
        "refraction",
        "low in the sky the air lifts the stars unevenly",
        Where.SKY,
        "wait until the target stands higher in the sky",
        comes=Comes.STEADILY,
    ),
    Cause(
        "focus",
        "focus",
        "stars are round but too wide",
        Where.LENS,
        "focus again after an hour and whenever the air has cooled; a warmer around the lens "
        "keeps dew off",
    ),
    Cause(
        "cloud",
        "cloud",
        "stars are missing or faint",
        Where.SKY,
        no_remedy="nothing on the tracker would have helped",
        gear=False,
        hides_stars=True,
    ),
    Cause(
        "obstruction",
        "obstruction",
        "a part of the picture has no stars",
        Where.SKY,
        "aim higher or move the tripod",
        gear=False,
        hides_stars=True,
    ),
    Cause(
        "few-stars",
        "too few stars",
        "too few stars can be measured, and nothing says that any are missing",
        Where.SKY,
        "expose longer, open the lens, or frame more sky with a shorter focal length",
        spell="few stars",
        gear=False,
        hides_stars=True,
    ),
    Cause(
        "optics",
        "optics",
        "the lens itself draws the stars long",
        Where.LENS,
        "stop the lens down, or crop the corners",
    ),
    Cause(
        "bright-sky",
        "bright sky",
        "dawn, dusk, the Moon or lights drown the stars",
        Where.SKY,
        "begin after the end of twilight, or when the Moon is down",
        gear=False,
    ),
    Cause(
        "unexplained",
        "unexplained",
        "the frame is at fault, but the evidence names no cause",
        Where.UNKNOWN,
        no_remedy="the evidence does not tell; shorter exposures in a row, the site and the clock "
        "in the night notes, and a target on the other side of the meridian would",
    ),
)

CAUSES = {row.name: row for row in _ROWS}
"""By name, in the order in which people are told of them."""


def cause_of(name: str) -> Cause:
    """The row of a name; one made of the name itself where a file brings an unknown one."""
    return CAUSES.get(name) or Cause(name, name or "no cause given", "", Where.UNKNOWN)
