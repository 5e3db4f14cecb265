"""An answer -> one screen of a terminal, narrow enough for a phone, and the same for programs."""

from __future__ import annotations

import json
import textwrap
from dataclasses import asdict

import numpy as np

from skyplumb.causes import LASER_CAUTION
from skyplumb.check.answer import Answer, Drift
from skyplumb.check.exposures import LONGEST_S, LOWEST_DEG, Longest
from skyplumb.check.turns import Axis, Moved, Turn
from skyplumb.digits import counted, with_error
from skyplumb.plain import plain, visible

WIDEST, HIGHEST = 80, 24
"""Columns and lines of one screen."""
LABEL = 9
MOST_LENSES = 8
Entry = tuple[str, str]
"""A label, empty for more of the one above, and words."""


def screen(told: Answer, width: int = WIDEST) -> str:
    """The answer in at most `HIGHEST` lines of `WIDEST` columns; what matters least goes first."""
    width = max(min(width, WIDEST), 40)
    parts = [
        (0, _no_turn(told.axis)),
        (0, [("", _head(told))]),
        (0, [*_pole(told.axis), *_turns(told.axis)]),
        (1, _moved(told.axis.moved)),
        (0, _drive(told)),
        (0, _drift(told)),
        (0, _longest(told)),
        (4, _others(told)),
        (1, _focus(told)),
        (5, [("lens", one) for one in told.lens_faults]),
        (3, _shaking(told)),
        (2, _open(told)),
        (0, [("next", f"take {told.take_next}")] if told.take_next else []),
        (0, [("", LASER_CAUTION)] if any(turn.told for turn in told.axis.turns) else []),
    ]
    for least in range(6, -1, -1):
        lines = [
            line
            for order, entries in parts
            if order < least or least == 6
            for entry in entries
            for line in _wrapped(*entry, width)
        ]
        if len(lines) <= HIGHEST or least == 0:
            break
    return "\n".join(lines[:HIGHEST])


def as_json(told: Answer) -> str:
    """The answer as JSON; null is not known."""
    facts = asdict(told)
    if told.newest is not None:
        facts["newest"] = told.newest.isoformat()
    for turn, words in zip(facts["axis"]["turns"], told.axis.turns, strict=True):
        turn["words"] = _turn_words(words, told.axis.north) if words.told else ""
    return json.dumps(plain(facts), indent=1, ensure_ascii=False, allow_nan=False)


def _wrapped(label: str, words: str, width: int) -> list[str]:
    """One entry as lines; a caution and a headline take the whole width."""
    words = visible(words)
    if not label:
        return textwrap.wrap(words, width)
    label = label.strip()
    return textwrap.wrap(
        words, width, initial_indent=label.ljust(LABEL), subsequent_indent=" " * LABEL
    )


def _head(told: Answer) -> str:
    exposure = f" {told.exposure_s:.4g} s" if np.isfinite(told.exposure_s) else ""
    when = f" at {told.newest:%H:%M}" if told.newest is not None else ""
    newest = f", the newest{exposure}{when}" if exposure or when else ""
    place = f", placement {told.placement}" if told.placements > 1 else ""
    name = ", ".join(filter(None, (told.camera, told.lens)))
    return f"{name}: {counted(told.frames, 'frame')}{newest}{place}"


def _no_turn(axis: Axis) -> list[Entry]:
    """What stands first where time or place are missing."""
    if not axis.notes_line:
        return []
    lines = axis.notes_line.split("\n")
    which = "one line" if len(lines) == 1 else "two lines"
    return [
        ("no turn", f"can be given: {axis.why_no_turn}; {which} of night-notes.yaml will do:"),
        *((" ", f"  {line}") for line in lines),
    ]


def _pole(axis: Axis) -> list[Entry]:
    """How far the axis is off."""
    out = []
    if np.isfinite(axis.off_arcmin):
        off = f"axis {with_error(axis.off_arcmin, axis.sigma_arcmin)} arcmin off"
        if axis.off_arcmin < 2 * axis.sigma_arcmin:
            off += ", no more than its error"
        elif not axis.known:
            off = f"{off}, if nothing else moved the frames"
        out.append(("pole", off))
    elif np.isfinite(axis.low_arcmin):
        out.append(("pole", f"axis {axis.low_arcmin:.0f} to {axis.high_arcmin:.0f} arcmin off"))
    if not axis.known and not axis.notes_line:
        out.append(("turn", f"not known: {axis.why_no_turn}"))
    return out


def _turns(axis: Axis) -> list[Entry]:
    """What to turn, and what not."""
    if not axis.known:
        return []
    told = [turn for turn in axis.turns if turn.told]
    if not told:
        whys = dict.fromkeys(turn.why_not for turn in axis.turns)
        return [("turn", f"nothing: {', or '.join(whys)}")]
    out = [("turn", _turn_words(told[0], axis.north))]
    out += [(" ", _turn_words(turn, axis.north)) for turn in told[1:]]
    for turn in axis.turns:
        if not turn.told:
            leave = "leave the height" if turn.adjustment == "altitude" else "leave the base"
            out.append((" ", f"{leave}: {_arcmin(turn.arcmin)} arcmin, {turn.why_not}"))
    pole = "north" if axis.north else "south"
    out.append((" ", f"seen from behind the tracker, looking {pole} to the pole"))
    return out


def _turn_words(turn: Turn, north: bool) -> str:
    error = f"(error {_arcmin(turn.sigma_arcmin)})"
    if turn.adjustment == "altitude":
        way = "raise" if turn.arcmin > 0 else "lower"
        return f"{way} the axis by {_arcmin(turn.arcmin)} arcmin {error}"
    east = turn.arcmin > 0
    side = "right" if east == north else "left"
    way = "east" if east else "west"
    return f"turn the base {_arcmin(turn.arcmin)} arcmin {way}, to your {side} {error}"


def _arcmin(value: float) -> str:
    """To the tenth below ten, whole beyond: nobody turns finer."""
    size = abs(value)
    if size < 0.095:
        return f"{size:.1g}"
    return f"{size:.1f}" if size < 9.95 else f"{size:.0f}"


def _moved(moved: tuple[Moved, ...]) -> list[Entry]:
    """What the last turn did."""
    words = []
    for one in moved:
        name = "height" if one.adjustment == "altitude" else "base"
        if one.asked_arcmin == 0:
            if abs(one.moved_arcmin) > 2 * one.sigma_arcmin:
                words.append(f"{name} moved {abs(one.moved_arcmin):.1f}, not asked")
            continue
        along = one.moved_arcmin * np.sign(one.asked_arcmin)
        wrong = " the wrong way" if along < 0 else ""
        words.append(
            f"{name} moved {abs(along):.1f}{wrong} of the {_arcmin(one.asked_arcmin)} asked"
        )
    return [("before", f"{'; '.join(words)} (arcmin)")] if words else []


def _drive(told: Answer) -> list[Entry]:
    drive = told.drive
    rate = ""
    if np.isfinite(drive.sigma_ppm):
        rate = f" ({with_error(drive.rate_error_ppm, drive.sigma_ppm)} ppm)"
    return [("drive", f"{drive.words}{rate}")] if drive.words else []


def _drift(told: Answer) -> list[Entry]:
    """What single frames tell, where no fit does."""
    drift = told.drift
    if told.axis.known or drift is None or np.isfinite(told.axis.off_arcmin):
        return []
    what = "trail" if drift.axis_only else "drift"
    return [(what, f"{with_error(drift.px_a_min, drift.sigma_px_a_min)} px a minute {_way(drift)}")]


def _way(drift: Drift) -> str:
    if drift.in_the_picture:
        return f"at {drift.position_angle_deg:.0f}° in the picture"
    return f"along position angle {drift.position_angle_deg:.0f}°"


def _longest(told: Answer) -> list[Entry]:
    one = told.longest
    if one is None or not np.isfinite(one.here_s):
        return []
    words = f"{_seconds(one.here_s)} here"
    if np.isfinite(one.here_sure_s) and one.here_sure_s < 0.9 * one.here_s:
        words += f" ({_seconds(one.here_sure_s)} for sure)"
    if np.isfinite(one.worst_s):
        where = f"{one.worst_toward}, " if one.worst_toward else ""
        words += f", {_seconds(one.worst_s)} at worst ({where}at least {LOWEST_DEG:.0f}° high)"
    out = [("longest", f"{words}, for trails of {one.limit_px:.1f} px")]
    if np.isfinite(one.turned_here_s):
        after = f"{_seconds(one.turned_here_s)} here, {_seconds(one.turned_worst_s)} at worst"
        if one.turned_here_s == one.turned_worst_s:
            after = f"{_seconds(one.turned_here_s)} anywhere"
        out.append((" ", f"after these turns: {after}"))
    return out


def _others(told: Answer) -> list[Entry]:
    """The season's other lenses, at worst."""
    lenses = [one for one in told.other_lenses if np.isfinite(one.worst_s)]
    if not lenses:
        return []
    words = "; ".join(f"{_name(one)} {_seconds(one.worst_s)}" for one in lenses[:MOST_LENSES])
    more = f"; {len(lenses) - MOST_LENSES} more" if len(lenses) > MOST_LENSES else ""
    return [("season", f"at worst {words}{more}")]


def _name(one: Longest) -> str:
    return f"{one.focal_mm:g} mm" if np.isfinite(one.focal_mm) else one.lens


def _focus(told: Answer) -> list[Entry]:
    focus = told.focus
    if focus is None:
        return [("focus", "no star is measured well enough")]
    words = f"FWHM {focus.fwhm_px:.1f} px"
    if np.isfinite(focus.best_px):
        words += f", the best known {focus.best_px:.1f} px {focus.where}"
    else:
        words += ", no other night of this lens known (--history)"
    return [("focus", f"{words}: {'focus again' if focus.again else 'in focus'}")]


def _shaking(told: Answer) -> list[Entry]:
    one = told.shaking
    if not one.frames:
        return []
    words = f"gust or knock in {one.shaken} of {counted(one.frames, 'frame')}"
    if not one.shaken:
        words = f"no gust or knock in {counted(one.frames, 'frame')}"
    words += f"; all night it may be up to {one.share_up_to:.0%} of them"
    if np.isfinite(one.slip_arcsec_per_min):
        slip = with_error(one.slip_arcsec_per_min, one.slip_sigma)
        words += f"; the head slips {slip} arcsec a minute: balance the camera, tighten it"
    return [("shaking", words)]


def _open(told: Answer) -> list[Entry]:
    if not told.cannot_tell:
        return []
    return [("open", f"these frames cannot tell {', nor '.join(told.cannot_tell)}")]


def _seconds(seconds: float) -> str:
    """Rounded down to two figures, which is what an exposure is set to."""
    if not np.isfinite(seconds):
        return "unknown"
    if seconds >= LONGEST_S:
        return f"{LONGEST_S / 60:.0f} min or more"
    if seconds >= 600:
        return f"{np.floor(seconds / 60):.0f} min"
    unit = 10 ** np.floor(np.log10(max(seconds, 0.1)) - 1)
    return f"{float(np.floor(seconds / unit + 1e-9) * unit):g} s"
