"""What is said of some drawn skies: how many stars of what lens, under what clock, and where.

A sky is the star tables of a night of one body, without pixels, placed by astropy (`starfields`)
and kept in a file with the truth of how they were drawn. Tests hold the answers to that truth. They
hold them to the digit as well, to what was said when it was saved, so that no change of a number
goes unseen.

`python -m tests.saved_skies` saves the answers anew, where a change is meant; with `draw` it draws
the skies anew as well.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from numpy.typing import NDArray

from skyplumb.calibrate.clock import clock_verdict, given_of, misfit_at
from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.lens_psf import field_shapes, learn_lens, lens_doubt_px2, lens_report
from skyplumb.calibrate.lens_search import StarField, find_lens
from skyplumb.calibrate.lens_stars import stars_of, stars_of_lens, sure_stars
from skyplumb.calibrate.light import Light, light_frames
from skyplumb.calibrate.registration import register
from skyplumb.calibrate.session import point_session
from skyplumb.calibrate.sky import ObservedSky, Site
from skyplumb.calibrate.zenith import Air, evidence_of, refraction_of
from skyplumb.calibrate.zenith_bounds import bounds_of, nearest_misfit
from skyplumb.measure.flags import BIT
from skyplumb.night.shot import Session
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

from .resolved import one_night
from .starfields import HEIGHT, NIGHT, SITE, WIDTH, Followed, Shot, exposure, iers_as_installed

Floats = NDArray[np.float64]

SAVED = Path(__file__).parent / "data" / "skies"
MEANT = "if that is meant: python -m tests.saved_skies\n"
PIXEL_UM = 5.0
EXPOSURE_S = 20.0
CLOSE = 1e-8
"""Of a saved number, or of a hundredth where that is larger: other kernels differ by less."""
COLUMNS = {"x": 3, "y": 3, "flux": 1, "snr": 1, "mxx": 3, "myy": 3, "mxy": 3, "flags": 0}
"""What is kept of a star, to so many decimals."""
SOUTH = Site(-31.3, 149.1, 1100.0)
HALF_EXPOSURE = timedelta(seconds=EXPOSURE_S / 2)


@dataclass(frozen=True)
class Sky:
    """How a night is drawn, and what its files say."""

    shots: Sequence[Shot]
    """Of the middle of each exposure."""
    focals: Sequence[float] = (5000.0,)
    """Focal lengths over pixel pitch, in turn."""
    told: dict[str, Any] = field(default_factory=dict)
    """Fields of `ShotInfo` that differ from the truth."""
    told_of: dict[int, dict[str, Any]] = field(default_factory=dict)
    """The same of some frames alone."""
    told_times: float = 1.0
    """The focal length in the header over the true one."""
    ahead_h: float = 0.0
    """How far the camera's clock is ahead of what its zone says."""
    stamped: bool = False
    """Whether there are stamps of the satellites, which tell the truth."""
    hinted: bool = False
    """Whether the header has the place, half a degree off."""
    strangers: int = 0
    """Points by lot in each frame that are no stars."""
    warm: int = 0
    """Points that stand at the same places in all frames, narrower than stars."""
    few: dict[int, int] = field(default_factory=dict)
    """So many stars alone show in some frames: cloud."""
    saturated: int = 0
    """So many of the brightest are, and their places lean."""
    how: dict[str, Any] = field(default_factory=dict)
    """Of `starfields.exposure`."""


def fixed(count: int, minutes: float, **where: Any) -> list[Shot]:
    """A camera at rest."""
    return [Shot(utc=utc, **where) for utc in _times(count, minutes, where)]


def followed(count: int, minutes: float, **where: Any) -> list[Shot]:
    """A camera that follows the stars."""
    first = Shot(**where)
    return [Followed(utc=utc, first=first, site=first.site)
            for utc in _times(count, minutes, where)]  # fmt: skip


def aims(count: int, degrees: float, minutes: float = 9.0, **where: Any) -> list[Shot]:
    """A camera that is aimed anew each time, further along the horizon."""
    azimuth = where.pop("azimuth_deg", 140.0)
    return [
        Shot(utc=utc, azimuth_deg=(azimuth + degrees * n) % 360, **where)
        for n, utc in enumerate(_times(count, minutes, where))
    ]


def _times(count: int, minutes: float, where: dict[str, Any]) -> list[datetime]:
    """Of a night at the site, by its longitude."""
    east = where.get("site", SITE).longitude_deg - SITE.longitude_deg
    return [NIGHT + timedelta(minutes=minutes * n, hours=-east / 15) for n in range(count)]


def equisolid(angle: Floats) -> Floats:
    """2 sin(t / 2): how most fisheyes draw (Miyamoto 1964, from memory)."""
    return 2 * np.sin(angle / 2)


NO_LENS = {"focal_mm": math.nan}
NOWHERE = {"latitude_deg": math.nan, "longitude_deg": math.nan, "height_m": math.nan}
NO_ZONE = {"utc_offset_h": math.nan}
NO_PLACE = {"ra_hint_deg": math.nan, "dec_hint_deg": math.nan}
SKIES = {
    "fisheye": Sky(
        aims(3, 50, altitude_deg=60.0),
        (1150.0,),
        how={"fisheye": equisolid, "faint": 4.6, "keep": 200},
    ),
    "wide, many strangers": Sky(
        aims(3, 40, altitude_deg=70.0),
        (2100.0,),
        strangers=120,
        warm=12,
        how={"k1": -0.04, "faint": 5.2, "noise_px": 0.2},
    ),
    "a clock two hours ahead": Sky(
        aims(3, 15, altitude_deg=30.0), ahead_h=2.0, how={"k1": 0.03, "faint": 6.3}
    ),
    "stamps against a zone": Sky(
        aims(3, 11, altitude_deg=28.0), (4500.0,), ahead_h=1.0, stamped=True, how={"faint": 6.1}
    ),
    "a zone against old stamps": Sky(
        aims(3, 11, altitude_deg=28.0),
        (4500.0,),
        {"utc_offset_h": 2.0},
        ahead_h=1.0,
        stamped=True,
        how={"faint": 6.1},
    ),
    "low in the south, at rest": Sky(
        fixed(4, 6, altitude_deg=14.0, azimuth_deg=200.0, site=SOUTH),
        (7000.0,),
        saturated=25,
        how={"faint": 7.0},
    ),
    "nothing told": Sky(
        aims(3, 9, altitude_deg=48.0),
        (11_000.0,),
        {**NO_LENS, **NOWHERE, **NO_ZONE},
        how={"mirrored": True, "faint": 8.6},
    ),
    "no time at all": Sky(
        fixed(2, 5, altitude_deg=35.0, azimuth_deg=30.0), (6000.0,), {"clock": None},
        how={"faint": 7.0},
    ),
    "at the zenith and the pole": Sky(
        [*aims(1, 0, altitude_deg=89.6), *aims(1, 0, altitude_deg=47.2, azimuth_deg=0.2)],
        (3300.0,),
        how={"faint": 5.9, "mirrored": True},
    ),
    "half the focal length told": Sky(
        aims(3, 12), (9000.0, 6000.0), told_times=0.5, how={"faint": 7.4, "keep": 40}
    ),
    "two lenses, neither told": Sky(
        aims(4, 70), (5000.0, 8000.0), NO_LENS, how={"faint": 6.7, "keep": 120}
    ),
    "a last frame by another lens": Sky(
        aims(4, 14),
        (8000.0, 8000.0, 8000.0, 5000.0),
        told_of={3: NO_LENS},
        how={"faint": 7.2, "keep": 110},
    ),
    "narrow, near its target": Sky(
        followed(3, 4, altitude_deg=65.0),
        (62_000.0,),
        hinted=True,
        told_of={1: NO_PLACE},
        how={"faint": 9.9},
    ),
    "few stars of a degree": Sky(
        followed(2, 3, altitude_deg=84.0, azimuth_deg=80.0),
        (150_000.0,),
        NO_LENS,
        hinted=True,
        how={"faint": 10.0, "noise_px": 0.3},
    ),
    "a last frame by the same lens": Sky(
        aims(3, 14), (8000.0,), told_of={2: NO_LENS}, how={"faint": 7.2, "keep": 60}
    ),
    "a last frame under cloud": Sky(
        aims(3, 14), (8000.0,), told_of={2: NO_LENS}, few={2: 4}, how={"faint": 7.2, "keep": 60}
    ),
    "eighteen that follow": Sky(
        [
            *followed(6, 2),
            # Aimed anew amid frames that pointed alike.
            Shot(utc=NIGHT + timedelta(minutes=12), azimuth_deg=143.0),
            *followed(17, 2)[7:],
            Shot(utc=NIGHT + timedelta(minutes=40), azimuth_deg=210.0),
        ],
        (8000.0,),
        few={9: 4},
        how={"faint": 7.6, "keep": 45},
    ),
    "eighteen at rest": Sky(
        fixed(18, 1, altitude_deg=25.0, azimuth_deg=60.0), (8000.0,), how={"faint": 7.6, "keep": 45}
    ),
    "a site of the other sign": Sky(
        aims(3, 20, altitude_deg=33.0),
        (4000.0,),
        {"latitude_deg": -SITE.latitude_deg},
        how={"faint": 5.9},
    ),
    "a clock four minutes behind": Sky(
        [replace(shot, air_c=-22.0) for shot in aims(4, 3, 15, altitude_deg=14.0)],
        (14_000.0,),
        ahead_h=-4 / 60,
        how={"faint": 9.0, "noise_px": 0.05},
    ),
    "points by lot": Sky(aims(1, 0), (30_000.0,), strangers=8, how={"faint": -3.0}),
}  # fmt: skip
BY_STARS = ("fisheye", "a clock two hours ahead", "low in the south, at rest",
            "a site of the other sign", "a clock four minutes behind")  # fmt: skip
"""Of these the zenith is looked at by itself."""


# Drawn


def drawn(sky: Sky) -> dict[str, Any]:
    """The star tables, and the truth."""
    frames, truth = [], []
    rng = np.random.default_rng(len(sky.shots) + sky.strangers)
    warm = rng.uniform([20, 20], [WIDTH - 20, HEIGHT - 20], (sky.warm, 2))
    for n, shot in enumerate(sky.shots):
        focal = sky.focals[n % len(sky.focals)]
        stars = exposure(shot, focal=focal, seed=n + 1, **sky.how).measure.stars
        dots = rng.uniform([5, 5], [WIDTH - 5, HEIGHT - 5], (sky.strangers, 2))
        stars = stars[: sky.few.get(n)]
        stars = np.concatenate([stars, np.zeros(sky.strangers + sky.warm, STAR_DTYPE)])
        added = stars[len(stars) - sky.strangers - sky.warm :]
        added["x"], added["y"] = np.concatenate([dots, warm]).T
        added["flux"] = rng.choice(stars["flux"][: max(len(stars) - len(added), 1)] + 1, len(added))
        width = rng.uniform(0.9, 1.1, len(stars))
        width[len(stars) - sky.warm :] *= 0.2
        x, y = stars["x"] / WIDTH - 0.5, stars["y"] / WIDTH - HEIGHT / WIDTH / 2
        stars["mxx"] = (1.6 + 2.0 * x**2 + 0.8 * x**4 + 0.1 * x) * width
        stars["myy"] = (1.4 + 1.5 * y**2) * width
        stars["mxy"] = (0.9 * x * y + rng.normal(0, 0.02, len(stars))) * width
        stars = stars[np.argsort(-stars["flux"], kind="stable")]
        stars["snr"] = np.clip(stars["flux"] / stars["flux"][-1] * 8, 0, 400)
        lean = stars[: sky.saturated]
        lean["flags"] |= BIT["saturated"]
        lean["x"] += 1.5 * (lean["y"] / HEIGHT - 0.5)
        frames.append({name: np.round(stars[name].astype(float), places).tolist()
                       for name, places in COLUMNS.items()})  # fmt: skip
        centre = shot.centre()
        up = SkyCoord(az=0 * u.deg, alt=90 * u.deg, frame=shot.altaz()).icrs
        truth.append({
            "utc": shot.utc.isoformat(), "focal_px": focal,
            "latitude_deg": shot.site.latitude_deg, "longitude_deg": shot.site.longitude_deg,
            "height_m": shot.site.height_m, "ra_deg": float(centre.ra.deg),
            "dec_deg": float(centre.dec.deg), "roll_pa_deg": shot.roll_pa_deg() % 360,
            "zenith_ra_deg": float(up.ra.deg), "zenith_dec_deg": float(up.dec.deg),
            **altitude_azimuth(shot),
        })  # fmt: skip
    return {"truth": truth, "frames": frames}


def altitude_azimuth(shot: Shot) -> dict[str, float]:
    """Where its line of sight goes, degrees."""
    x, y, z = shot.axes()[2]
    return {
        "altitude_deg": float(np.degrees(np.arcsin(z))),
        "azimuth_deg": float(np.degrees(np.arctan2(y, x)) % 360),
    }


# Asked


@dataclass(frozen=True)
class Drawn:
    """A sky as it is kept."""

    sky: Sky
    truth: list[dict[str, Any]]
    measures: list[Measure]

    def session(self) -> Session:
        return one_night(self.measures)


@cache
def kept(name: str) -> Drawn:
    """A sky from its file, with what its files say of it."""
    text = json.loads(_place(name, "stars").read_text("utf-8"))
    return Drawn(SKIES[name], text["truth"], list(_measures(SKIES[name], text)))


def _measures(sky: Sky, text: dict[str, Any]) -> Iterator[Measure]:
    for n, (truth, columns) in enumerate(zip(text["truth"], text["frames"], strict=True)):
        stars = np.zeros(len(columns["x"]), STAR_DTYPE)
        for column, values in columns.items():
            stars[column] = values
        error = 1.4 * stars["mxx"] / np.maximum(stars["snr"], 1)
        stars["sxx"], stars["syy"], stars["sxy"] = error, error, error / 2
        stars["kurt"] = 2.05
        utc = datetime.fromisoformat(truth["utc"]) - HALF_EXPOSURE
        info = ShotInfo(
            camera="Fen One", serial="F1", lens="", pixel_um=PIXEL_UM, exposure_s=EXPOSURE_S,
            focal_mm=sky.told_times * truth["focal_px"] * PIXEL_UM / 1000, fnumber=2.8, iso=800.0,
            clock=utc + timedelta(hours=1 + sky.ahead_h), utc_offset_h=1.0,
            latitude_deg=truth["latitude_deg"], longitude_deg=truth["longitude_deg"],
            height_m=truth["height_m"],
        )  # fmt: skip
        if sky.stamped:
            info = replace(info, gps_utc=utc - timedelta(seconds=4))
        if sky.hinted:
            east = 0.4 / math.cos(math.radians(truth["dec_deg"]))
            place = {"ra_hint_deg": truth["ra_deg"] + east, "dec_hint_deg": truth["dec_deg"] - 0.3}
            info = replace(info, **place)
        info = replace(info, **(sky.told | sky.told_of.get(n, {})))
        file = f"F1_{n + 1:04d}.dng"
        yield Measure(file, "light", "", info, WIDTH, HEIGHT, stars, stars_found=len(stars))


def pointed(name: str) -> tuple[list[Light], list[str]]:
    """The frames of a sky as the session has them, hot pixels marked, and what is said."""
    session = kept(name).session()
    lights, _ = light_frames(session)
    found, notices = point_session(lights, lambda _: None, session)
    return mark_hot(found, []), notices


def answers(lights: list[Light], notices: list[str]) -> dict[str, Any]:
    """All that is said of a sky that was `pointed`."""
    cameras: dict[str, Any] = {}
    frames = []
    for light in lights:
        at = light.pointing
        camera = ""
        if at.camera is not None:
            camera = next((k for k, c in cameras.items() if c == asdict(at.camera)), "")
            camera = camera or f"camera {len(cameras) + 1}"
            cameras[camera] = asdict(at.camera)
        frames.append({
            "camera": camera, "why_not": at.why_not, "start_utc": str(light.start_utc),
            "lens": light.info.lens, "focal_mm": light.info.focal_mm,
            "lens_by_stars": light.lens_by_stars, "attitude": at.attitude,
            "errors_rad": np.sqrt(np.diag(at.covariance)), "matches": len(at.star),
            "of_table": int(at.star @ np.arange(len(at.star))),
            "of_catalogue": int(at.catalogue @ np.arange(len(at.star))),
            "hot": np.flatnonzero(light.measure.stars["flags"] & BIT["hot"]),
            "rms_px": at.rms_px, "ra_deg": at.ra_deg, "dec_deg": at.dec_deg,
            "roll_pa_deg": at.roll_pa_deg, "altitude_deg": at.altitude_deg,
            "azimuth_deg": at.azimuth_deg, "on_sky": at.on_sky,
        })  # fmt: skip
    told = {"notices": notices, "cameras": cameras, "frames": frames, "psf": _psf(lights)}
    moves = [register(one.measure, other.measure) for one, other in pairwise(lights[:3])]
    return told | {"moves": [move and asdict(move) for move in moves]}


def _psf(lights: list[Light]) -> dict[str, Any]:
    """What the shapes of all frames say of a lens, as if it were one."""
    stars = stars_of_lens(lights)
    lens = learn_lens(stars)
    report = lens_report(lens, np.array([0.2, 0.1]), 1.5, HEIGHT / WIDTH)
    shown = field_shapes(stars_of(lights[0]), lens)
    return {
        "order": lens.order, "coefficients": lens.coefficients, "frames": lens.frames,
        "stars": lens.stars, "doubt_px2": lens_doubt_px2(lens, stars[0]),
        "report": asdict(report), "sure": [sure_stars(light) for light in lights],
        "shown": [len(shown.place), float(shown.place.sum()),
                  shown.moments_without_lens.sum(axis=0)],
    }  # fmt: skip


def star_fields(name: str) -> list[StarField]:
    """A sky's frames as the lens is looked for, by the clock that their files tell."""
    return [
        StarField(
            light.measure, ObservedSky(light.mid_utc, _site(light)), light.mid_s,
            (light.info.ra_hint_deg, light.info.dec_hint_deg),
        )
        for light in light_frames(kept(name).session())[0]
    ]  # fmt: skip


def _site(light: Light) -> Site:
    return Site(light.info.latitude_deg, light.info.longitude_deg, light.info.height_m)


def zenith_answers(name: str) -> dict[str, Any]:
    """What a sky's stars say of the zenith, number by number."""
    fields = star_fields(name)
    found = find_lens(fields, kept(name).truth[0]["focal_px"])
    seen = refraction_of(fields, found)
    site = fields[0].sky.site
    given = given_of([(one.sky.utc, one.time_s) for one in fields], site)
    assert seen is not None and given is not None
    evidence = evidence_of([seen], Air.over(site))
    assert evidence is not None and evidence.best is not None
    bounds = bounds_of(evidence)
    verdict = clock_verdict(given, evidence)
    here = given.zenith()
    return {
        "lens": {
            "camera": asdict(found.camera) if found.camera else {}, "chosen": found.chosen,
            "strangers": found.strangers, "interpolated": found.interpolated,
        },
        "air": asdict(evidence.air), "amount": evidence.amount, "variances": evidence.variances,
        "stars": len(seen.seen), "kept": [len(one.seen) for one in evidence.lenses],
        "squares": evidence.lenses[0].squares, "best": asdict(evidence.best),
        "chi2": [evidence.chi2(None), evidence.chi2(evidence.best), evidence.chi2(here)],
        "hours": [misfit_at(given, evidence, h) for h in (-3.0, -0.5, 0.5, 2.0, 9.0)],
        "apart_px": evidence.apart_px(here),
        "near": nearest_misfit(evidence, here, bounds) + evidence.chi2(evidence.best),
        "shifts": bounds.shifts, "information": bounds.information,
        "wrong": verdict.wrong, "offers": verdict.offers, "small": verdict.small,
        "sun": [given.sun_above(h, 0.0) for h in (-40.0, -20.0, 0.0)],
    }  # fmt: skip


def as_saved(told: dict[str, Any]) -> Any:
    """The same as it comes back from a file: arrays as lists."""
    return json.loads(json.dumps(told, default=lambda array: array.tolist()))


def changes(now: Any, before: Any, where: str = "") -> list[str]:
    """A line for each fact that differs from a saved one."""
    if isinstance(before, dict) and isinstance(now, dict) and [*now] == [*before]:
        return [line for key in before for line in changes(now[key], before[key], f"{where} {key}")]
    if isinstance(before, list) and isinstance(now, list) and len(now) == len(before):
        pairs = zip(now, before, strict=True)
        return [x for n, pair in enumerate(pairs) for x in changes(*pair, f"{where} {n}")]
    same = now == before
    if isinstance(before, float) and isinstance(now, float):
        same = same or (math.isnan(now) and math.isnan(before))
        same = same or abs(now - before) <= CLOSE * max(abs(before), 0.01)
    return [] if same else [f"{where}: {before!r} was saved, {now!r} is found"]


def changed(told: dict[str, Any], name: str, what: str) -> list[str]:
    """A line for each of these answers that differs from what was saved of a sky."""
    return changes(as_saved(told), json.loads(_place(name, what).read_text("utf-8")))


def _place(name: str, what: str) -> Path:
    return SAVED / f"{name.replace(',', '').replace(' ', '-')}.{what}.json"


def _save(told: dict[str, Any], name: str, what: str) -> None:
    text = json.dumps(as_saved(told), indent=1, ensure_ascii=False)
    _place(name, what).write_text(text + "\n", "utf-8")


def main() -> None:
    """Draw where that is asked for, ask all anew and save."""
    SAVED.mkdir(exist_ok=True)
    if "draw" in sys.argv[1:]:
        with iers_as_installed():
            for name, sky in SKIES.items():
                text = json.dumps(drawn(sky), separators=(",", ":"))
                _place(name, "stars").write_text(text + "\n", "utf-8")
    for name in SKIES:
        _save(answers(*pointed(name)), name, "found")
    for name in BY_STARS:
        _save(zenith_answers(name), name, "zenith")


if __name__ == "__main__":
    main()
