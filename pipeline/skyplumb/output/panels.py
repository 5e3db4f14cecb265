"""Judged runs of one session -> the panels of its mosaics and panoramas.

Runs of one lens that look within half a field of each other are one panel, as they are one aim to
a run, whatever their exposures, their order, and the placement of the tripod. Panels whose outlines
overlap, or nearly touch, are one mosaic. All is told by the solved sky alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import ObservedSky, Site, east_and_north, unit_vectors
from skyplumb.digits import significant
from skyplumb.judge.stack import stacked
from skyplumb.judge.verdict import Judged, JudgedRun
from skyplumb.output.frames_csv import csv_line
from skyplumb.plain import guarded, visible
from skyplumb.records import NAN
from skyplumb.summary import NeighbourSummary, PanelSummary

Floats = NDArray[np.float64]

GRID = (48, 32)
"""Points of a panel that are looked for in its neighbour: a share to a thousandth or so."""
EDGE_POINTS = 12
"""Of each side of an outline, which a wide lens bends."""
NEAR = 1.15
"""Outlines that would overlap if they were so much larger belong to one mosaic: a strip that was
left out is worth telling."""
LOW_DEG = 30.0
"""Under it air takes a quarter of the light and more (common practice, no source)."""
STEP = timedelta(minutes=5)
LONGEST = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another panel of the mosaic beside this one."""

    panel: int
    overlap: float
    """Share of this panel that it covers too; 0 where a gap is left."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One aim of a mosaic."""

    mosaic: int
    panel: int
    """In the order in which they were first shot."""
    lens: str
    focal_mm: float
    runs: tuple[str, ...]
    ra_deg: float
    """Middle of its first solved frame, ICRS."""
    dec_deg: float
    roll_pa_deg: float
    frames: int
    keep: int
    keep_minutes: float
    fwhm_px: float
    """Of the stack of its kept frames, the run with most light in it; NaN where none is kept."""
    snr_of_best: float
    """Signal over noise of a faint star in that stack, over that of the mosaic's best panel."""
    neighbours: tuple[Neighbour, ...]
    outline: tuple[tuple[float, float], ...] = field(repr=False)
    """Right ascension and declination of points along its edge, degrees."""
    altitude_deg: float = NAN
    """At the session's last frame."""
    above_until: datetime | None = None
    """When it sinks under `LOW_DEG`, UTC; None where it does not within half a day, stands lower
    already, or time or site are unknown."""


@dataclass(slots=True)
class _Aim:
    """Runs that look the same way."""

    runs: list[JudgedRun]
    shown: Pointing
    """Of its first solved frame."""

    def frames(self) -> Iterator[Judged]:
        for run in self.runs:
            yield from run.frames

    @property
    def first_s(self) -> float:
        return min(light.order_s for run in self.runs for light in run.run.lights)


def panels_of(judged: Sequence[JudgedRun]) -> tuple[Panel, ...]:
    """The panels of one session, mosaic by mosaic; none where no two aims of a lens meet.

    Parameters
    ----------
    judged : sequence of JudgedRun
        All runs of the session.
    """
    by_lens: dict[tuple[object, ...], list[_Aim]] = {}
    for run in judged:
        first = run.run.first_pointing
        if first is None or first.camera is None or not np.isfinite(first.on_sky).all():
            continue
        aims = by_lens.setdefault(lens_key(run.run.lights[0]), [])
        home = next((aim for aim in aims if _same_aim(aim.shown, first)), None)
        if home is None:
            aims.append(_Aim([run], first))
        else:
            home.runs.append(run)
    mosaics = [group for aims in by_lens.values() for group in _connected(aims) if len(group) > 1]
    mosaics.sort(key=lambda group: group[0].first_s)
    last = max(
        (light for run in judged for light in run.run.lights if light.mid_utc is not None),
        key=lambda light: light.order_s,
        default=None,
    )
    heights = _Heights(last)
    return tuple(
        panel
        for number, group in enumerate(mosaics, 1)
        for panel in _panels(number, group, heights)
    )


def _same_aim(one: Pointing, other: Pointing) -> bool:
    """Within half the narrow side of the field, as frames of one run are."""
    camera = one.camera
    assert camera is not None
    narrow = 2 * np.arctan(min(camera.width_px, camera.height_px) / 2 / camera.focal_px)
    return bool(np.arccos(np.clip(_place(one) @ _place(other), -1, 1)) <= narrow / 2)


def _place(pointing: Pointing) -> Floats:
    return unit_vectors(np.radians(pointing.ra_deg), np.radians(pointing.dec_deg))


def _connected(aims: Sequence[_Aim]) -> list[list[_Aim]]:
    """Aims that meet, directly or by way of others, in order of time."""
    groups: list[list[_Aim]] = []
    for aim in aims:
        met = [group for group in groups if any(_meet(aim.shown, one.shown) for one in group)]
        groups = [group for group in groups if group not in met]
        groups.append([*(one for group in met for one in group), aim])
    return [sorted(group, key=lambda one: one.first_s) for group in groups]


def _meet(one: Pointing, other: Pointing) -> bool:
    return shared(one, other, NEAR) > 0


def shared(one: Pointing, other: Pointing, larger: float = 1.0) -> float:
    """Share of a solved picture that another one covers too.

    `larger` is by how much both are made larger about their middles.
    """
    camera, there = one.camera, other.camera
    assert camera is not None
    assert there is not None
    steps = [(np.arange(n) + 0.5) / n - 0.5 for n in GRID]
    x, y = np.meshgrid(*steps)
    size = np.array([camera.width_px, camera.height_px])
    pixels = np.stack([x.ravel(), y.ravel()], -1) * size * larger + (size - 1) / 2
    seen = there.project(camera.directions(pixels) @ _to_icrs(one).T @ _to_icrs(other))
    their = np.array([there.width_px, there.height_px])
    off = np.abs(seen - (their - 1) / 2) / (their * larger)
    return float(np.mean((off <= 0.5).all(axis=1)))


def _to_icrs(pointing: Pointing) -> Floats:
    """Rotation from camera axes to the ICRS, shape (3, 3): the nearest one to what the middle of
    the picture and a pixel to either side say, which refraction bends a little."""
    camera = pointing.camera
    assert camera is not None
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    steps = np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    here, right, left, down, up = camera.directions(middle + steps)
    place = _place(pointing)
    moves = pointing.on_sky @ east_and_north(place)
    scale = np.linalg.norm((right - left) / 2)
    ours = np.stack([here, (right - left) / 2 / scale, (down - up) / 2 / scale])
    theirs = np.stack([place, *(moves / scale)])
    # Kabsch 1976, Acta Cryst. A32, 922 (from memory).
    u, _, vt = np.linalg.svd(theirs.T @ ours)
    turn = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    return np.asarray(u @ turn @ vt)


def _outline(pointing: Pointing) -> tuple[tuple[float, float], ...]:
    """Points along the picture's edge, degrees."""
    camera = pointing.camera
    assert camera is not None
    along = np.arange(EDGE_POINTS) / EDGE_POINTS
    one, zero = np.ones_like(along), np.zeros_like(along)
    x = np.concatenate([along, one, 1 - along, zero]) * camera.width_px - 0.5
    y = np.concatenate([zero, along, one, 1 - along]) * camera.height_px - 0.5
    places = camera.directions(np.stack([x, y], -1)) @ _to_icrs(pointing).T
    ra = np.degrees(np.arctan2(places[:, 1], places[:, 0])) % 360
    dec = np.degrees(np.arcsin(np.clip(places[:, 2], -1, 1)))
    return tuple((round(float(a), 4), round(float(d), 4)) for a, d in zip(ra, dec, strict=True))


def _panels(number: int, aims: Sequence[_Aim], heights: _Heights) -> Iterator[Panel]:
    """The panels of one mosaic."""
    stacks = [_stack(aim) for aim in aims]
    best = max((snr for _, snr in stacks if np.isfinite(snr)), default=NAN)
    low = heights.of([aim.shown for aim in aims])
    for place, (aim, (width, snr), (altitude, until)) in enumerate(
        zip(aims, stacks, low, strict=True), 1
    ):
        light = aim.runs[0].run.lights[0]
        frames = list(aim.frames())
        kept = [one for one in frames if one.verdict == "keep"]
        seconds = [one.facts.light.info.exposure_s for one in kept]
        yield Panel(
            mosaic=number,
            panel=place,
            lens=light.info.lens,
            focal_mm=light.info.focal_mm,
            runs=tuple(run.run.name for run in aim.runs),
            ra_deg=aim.shown.ra_deg,
            dec_deg=aim.shown.dec_deg,
            roll_pa_deg=aim.shown.roll_pa_deg,
            frames=len(frames),
            keep=len(kept),
            keep_minutes=float(np.nansum(seconds)) / 60,
            fwhm_px=width,
            snr_of_best=snr / best if best > 0 else NAN,
            neighbours=tuple(_neighbours(aim, aims)),
            outline=_outline(aim.shown),
            altitude_deg=altitude,
            above_until=until,
        )


def _neighbours(aim: _Aim, aims: Sequence[_Aim]) -> Iterator[Neighbour]:
    for number, other in enumerate(aims, 1):
        if other is not aim and _meet(aim.shown, other.shown):
            yield Neighbour(number, round(shared(aim.shown, other.shown), 3))


def _stack(aim: _Aim) -> tuple[float, float]:
    """FWHM, px, of the stack of the kept frames of the run with most light, and signal over noise
    of all kept frames in a unit that panels of one lens share."""
    stacks = []
    for run in aim.runs:
        worth = [one.weight if one.verdict == "keep" else 0.0 for one in run.frames]
        stacks.append(stacked([one.facts for one in run.frames], np.nan_to_num(worth)))
    most = max(stacks, key=lambda one: one.minutes)
    return most.fwhm_px, _signal_over_noise(aim)


def _signal_over_noise(aim: _Aim) -> float:
    """Root of the sum of what each kept frame tells of a faint star above the air; NaN where the
    light of one is unknown."""
    total = 0.0
    for one in aim.frames():
        facts = one.facts
        if one.verdict != "keep":
            continue
        info, noise = facts.light.info, facts.light.measure.noise
        signal = info.exposure_s * 10 ** (0.4 * facts.zero_mag)
        total += (signal / (noise * facts.fwhm_px)) ** 2 if noise > 0 else NAN
    return float(np.sqrt(total))


class _Heights:
    """How high places stand at the end of the session, and when they sink too low."""

    def __init__(self, last: Light | None) -> None:
        self._skies: list[tuple[datetime, ObservedSky]] = []
        utc = last.mid_utc if last is not None else None
        if last is None or utc is None or not np.isfinite(last.info.latitude_deg):
            return
        site = Site(last.info.latitude_deg, last.info.longitude_deg, last.info.height_m)
        steps = range(int(LONGEST / STEP) + 1)
        self._skies = [(utc + n * STEP, ObservedSky(utc + n * STEP, site)) for n in steps]

    def of(self, places: Sequence[Pointing]) -> list[tuple[float, datetime | None]]:
        """Altitude at the end, degrees, and when it is under `LOW_DEG` from then on."""
        if not self._skies:
            return [(NAN, None)] * len(places)
        ra = np.radians([one.ra_deg for one in places])
        dec = np.radians([one.dec_deg for one in places])
        heights = np.array(
            [sky.altitude_azimuth_deg(sky.directions(ra, dec))[0] for _, sky in self._skies]
        )
        out: list[tuple[float, datetime | None]] = []
        for mine in heights.T:
            under = np.flatnonzero(mine < LOW_DEG)
            until = self._crossing(mine, int(under[0])) if len(under) and under[0] else None
            out.append((float(mine[0]), until))
        return out

    def _crossing(self, heights: Floats, first: int) -> datetime:
        """Between the last step above and the first below, evenly."""
        above, below = heights[first - 1], heights[first]
        part = float((above - LOW_DEG) / (above - below))
        return self._skies[first - 1][0] + part * STEP


HEAD = (
    *("mosaic", "panel", "lens", "focal_mm", "runs", "ra_deg", "dec_deg", "roll_pa_deg"),
    *("frames", "keep", "keep_minutes", "stack_fwhm_px", "stack_snr_of_best"),
    *("neighbours", "overlaps", "altitude_deg", "above_30_deg_until_utc"),
)
"""Columns of panels.csv: neighbours are panels, overlaps the shares of this one that they cover."""


def panel_summaries(panels: Sequence[Panel]) -> tuple[PanelSummary, ...]:
    """The same for summary.json."""
    return tuple(
        PanelSummary(
            mosaic=one.mosaic,
            panel=one.panel,
            lens=one.lens,
            focal_mm=one.focal_mm,
            runs=one.runs,
            ra_deg=one.ra_deg,
            dec_deg=one.dec_deg,
            roll_pa_deg=one.roll_pa_deg,
            frames=one.frames,
            keep=one.keep,
            keep_minutes=one.keep_minutes,
            stack_fwhm_px=one.fwhm_px,
            stack_snr_of_best=one.snr_of_best,
            neighbours=tuple(NeighbourSummary(two.panel, two.overlap) for two in one.neighbours),
            altitude_deg=one.altitude_deg,
            above_30_deg_until_utc=_until(one),
        )
        for one in panels
    )


def panels_csv(panels: Sequence[Panel]) -> str:
    """A row a panel; what is not known is empty, lists have a blank between their parts."""
    return "".join(map(csv_line, [HEAD, *map(_cells, panels)]))


def _cells(one: Panel) -> tuple[str, ...]:
    return (
        str(one.mosaic),
        str(one.panel),
        guarded(visible(one.lens)),
        _number(one.focal_mm, 6),
        " ".join(one.runs),
        _number(one.ra_deg, 8),
        _number(one.dec_deg, 8),
        _number(one.roll_pa_deg, 6),
        str(one.frames),
        str(one.keep),
        _number(one.keep_minutes, 6),
        _number(one.fwhm_px, 4),
        _number(one.snr_of_best, 4),
        " ".join(str(other.panel) for other in one.neighbours),
        " ".join(f"{other.overlap:.3f}" for other in one.neighbours),
        _number(one.altitude_deg, 4),
        _until(one),
    )


def _until(one: Panel) -> str:
    until = one.above_until
    return f"{until.isoformat(timespec='seconds')}Z" if until is not None else ""


def _number(value: float, digits: int) -> str:
    return f"{significant(value, digits):.10g}" if np.isfinite(value) else ""
