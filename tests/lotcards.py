"""Cards by lot: any lenses, aims, faults of mount and sky, and what the files do not tell.

`NUMBERS` of them are kept beside what is said of them (`saved_nights`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from functools import partial

import numpy as np

from skyplumb.demo import Clock, DrawnRun, Gusts, Knock, Lens, Mount, Night, Sky
from skyplumb.measure.flags import BIT
from skyplumb.records import Measure

from .oddcards import BODY, KNOWN, LONG, MIDDLE, OTHER, QUIET, SITE, START, WIDE, drawn, told

NAN = float("nan")
TELE = Lens(
    "Tarn Bench 200mm", 200.0, 4.0, fwhm_px=2.4, decentre_px=(120.0, -80.0), tilt_px=(1.6, 0.0),
    radial_px=1.8,
)  # fmt: skip
LENSES = (WIDE, MIDDLE, LONG, TELE)
UNTOLD = (
    {"utc_offset_h": NAN},
    {"latitude_deg": NAN, "longitude_deg": NAN, "height_m": NAN, "gps_utc": None},
    {
        "latitude_deg": NAN,
        "longitude_deg": NAN,
        "height_m": NAN,
        "gps_utc": None,
        "utc_offset_h": NAN,
    },
    {"clock": None, "gps_utc": None, "utc_offset_h": NAN},
    {"lens": "", "focal_mm": NAN, "fnumber": NAN},
    {"pixel_um": NAN},
    {"exposure_s": NAN},
    {"camera": "", "serial": ""},
    {"fnumber": NAN},
)
"""Tags that some frames lack."""


def _mount(rng: np.random.Generator, span_s: float) -> Mount:
    mount = Mount()
    # One to three of these.
    for fault in rng.choice(
        9, int(rng.choice([0, 1, 2, 3], p=[0.1, 0.4, 0.3, 0.2])), replace=False
    ):
        size = float(rng.uniform(0.3, 1.7))
        way = rng.uniform(0, 2 * np.pi)
        if fault == 0:
            mount = replace(
                mount,
                axis_alt_error_arcmin=40 * size * float(np.cos(way)),
                axis_az_error_arcmin=60 * size * float(np.sin(way)),
            )
        elif fault == 1:
            mount = replace(mount, rate_error=float(rng.choice([3e-3, -4e-3, 2e-2])) * size)
        elif fault == 2:
            mount = replace(
                mount,
                periodic_arcsec=25 * size,
                periodic_s=float(rng.choice([240.0, 480.0, 638.0])),
                periodic_phase_deg=float(rng.uniform(0, 360)),
            )
        elif fault == 3:
            late = float(rng.choice([0.0, 0.4])) * span_s
            mount = replace(
                mount,
                slip_arcsec_per_min=20 * size,
                slip_from_s=late,
                slip_roll=float(rng.choice([0.0, 0.5])),
            )
        elif fault == 4:
            sway = float(rng.choice([0.0, 0.8]))
            mount = replace(
                mount,
                gusts=Gusts(
                    float(rng.choice([0.4, 3.0])),
                    25 * size,
                    sway_hz=sway,
                    scatter_deg=float(rng.choice([8.0, 180.0])),
                ),
            )
        elif fault == 5:
            at = rng.uniform(0, span_s, 2)
            mount = replace(
                mount,
                knocks=tuple(
                    Knock(float(one), *map(float, rng.uniform(-90, 90, 2) * size)) for one in at
                ),
            )
        elif fault == 6:
            mount = replace(mount, flexure_arcsec=60 * size)
        elif fault == 7:
            mount = replace(mount, axis_alt_error_arcmin=9.0 * size)
        # 8: none
    return mount


def _sky(rng: np.random.Generator, span_s: float) -> Sky:
    sky = QUIET
    a = float(rng.uniform(0, 0.7)) * span_s
    b = a + float(rng.uniform(0.1, 0.5)) * span_s
    kind = rng.integers(0, 8)
    if kind == 0:
        mag = float(rng.uniform(0.2, 2.5))
        sky = replace(sky, cloud=((a, 0.0), (a + 30, mag), (b, mag), (b + 30, 0.0)))
    elif kind == 1:
        sky = replace(sky, brightening=((a, 1.0), (b, float(rng.uniform(1.5, 12)))))
    elif kind == 2:
        sky = replace(sky, patches_mag=float(rng.uniform(0.2, 0.8)), patches_size=0.4)
    elif kind == 3:
        sky = replace(sky, mag_arcsec2=18.3, satellites_per_h=30.0)
    return sky


def _runs(rng: np.random.Generator) -> list[DrawnRun]:
    out: list[DrawnRun] = []
    begin = START + timedelta(minutes=float(rng.uniform(0, 300)))
    for _ in range(int(rng.choice([1, 2, 3], p=[0.4, 0.35, 0.25]))):
        lens = LENSES[int(rng.integers(0, 4))]
        lens = replace(lens, focus_drift_px_per_h=float(rng.choice([0.0, 0.0, 2.5])))
        seconds = float(rng.choice([20.0, 60.0, 120.0, 300.0]))
        tracking = str(rng.choice(["sidereal"] * 6 + ["off", "lunar", "half"]))
        gap = float(rng.choice([2.0, 4.0, 40.0]))
        high, round_ = float(rng.uniform(12, 85)), float(rng.uniform(0, 360))
        way = rng.integers(0, 5)
        count = int(rng.choice([1, 3, 5, 8, 11]))
        roll = float(rng.uniform(0, 360))
        common = {"tracking": tracking, "gap_s": gap, "roll_deg": roll}
        if way < 3:  # one aim, dithered or not
            dithers = (
                tuple((n, *map(float, rng.uniform(-25, 25, 2))) for n in range(2, count, 3))
                if way == 1
                else ()
            )
            out.append(
                DrawnRun(
                    lens,
                    begin,
                    seconds,
                    count,
                    alt_deg=high,
                    az_deg=round_,
                    dithers=dithers,
                    **common,
                )
            )
            begin += timedelta(seconds=(seconds + gap) * count)
        elif way == 3:  # panels
            for n in range(count):
                out.append(
                    DrawnRun(
                        lens, begin, seconds, 2, alt_deg=high, az_deg=round_ + 6.0 * n, **common
                    )
                )
                begin += timedelta(seconds=2 * seconds + 60)
        else:  # all over the sky
            for _ in range(count + 1):
                out.append(
                    DrawnRun(
                        lens,
                        begin,
                        seconds,
                        1,
                        alt_deg=float(rng.uniform(15, 80)),
                        az_deg=float(rng.uniform(0, 360)),
                        **common,
                    )
                )
                begin += timedelta(seconds=seconds + 60)
        begin += timedelta(minutes=float(rng.choice([1, 15, 60])))
    return out


def _spoiled(measure: Measure, rng: np.random.Generator) -> Measure:
    """With stars that are saturated, blended, cut off or unfit, satellites, and a sensor's own
    temperature, as no sketch has them."""
    stars = measure.stars.copy()
    stars["flags"][: int(rng.integers(0, 12))] |= BIT["saturated"]
    for name in ("blended", "unfit", "streak", "hot"):
        stars["flags"][rng.random(len(stars)) < 0.03] |= BIT[name]
    near = np.minimum(stars["x"], measure.width_px - stars["x"]) < 25
    stars["flags"][near] |= BIT["edge"]
    stars["flags"][stars["snr"] < 10] |= BIT["faint"]
    stars["kurt"] = rng.normal(2.12, 0.03, len(stars))
    warm = float(np.round(rng.uniform(-12, 18), 1))
    info = replace(measure.info, temperature_c=warm)
    return replace(measure, stars=stars, trails=int(rng.integers(0, 3)), info=info)


def by_lot(number: int) -> list[Measure]:
    """One card."""
    rng = np.random.default_rng([number, 11])
    runs = _runs(rng)
    last = runs[-1]
    span_s = (last.start_utc - runs[0].start_utc).total_seconds() + last.exposure_s * last.frames
    clock = (
        KNOWN,
        KNOWN,
        Clock(1.0, float(rng.choice([-400.0, 3600.0, 7200.0])), bool(rng.random() < 0.5)),
        Clock(0.0, 0.0, False),
    )[int(rng.integers(0, 4))]
    sky = _sky(rng, span_s)
    one = Night(
        SITE, BODY, _mount(rng, span_s), tuple(runs), sky, clock, seed=number, faint_to_mag=10.5
    )
    out = drawn(one, "card")
    if rng.random() < 0.2:  # the tripod was moved, or another evening
        later = timedelta(hours=float(rng.choice([span_s / 3600 + 0.2, 24.0])))
        again = tuple(replace(run, start_utc=run.start_utc + later) for run in runs[:6])
        out += drawn(replace(one, runs=again, mount=_mount(rng, span_s), seed=number + 1), "later")
    if rng.random() < 0.12:
        out += drawn(replace(one, body=OTHER, mount=_mount(rng, span_s), seed=number + 2), "other")
    if number % 2:
        out = [_spoiled(one, rng) for one in out]
    if rng.random() < 0.55:
        tags = UNTOLD[int(rng.integers(0, len(UNTOLD)))]
        which = int(rng.integers(0, 3))
        if which == 0:
            out = told(out, **tags)
        elif which == 1:
            n = int(rng.integers(0, len(out)))
            out[n : n + 1] = told(out[n : n + 1], **tags)
        else:
            out = [*told(out[::2], **tags), *out[1::2]]
    if rng.random() < 0.15:
        some = out[int(rng.integers(0, len(out))) :][:4]
        out += [replace(m, file="copy/" + m.file) for m in some]
    return out


NUMBERS = (0, 5, 34, 37, 57, 59, 66, 70, 72, 85, 91, 94, 113, 117, 135, 164, 189, 194, 200,
           209, 214, 232, 234)  # fmt: skip
"""Of 0 to 259 those that, for the time that they take, run most branches of judging and calibrating
that others do not."""
LOT: Mapping[str, Callable[[], list[Measure]]] = {
    f"lot-{number}": partial(by_lot, number) for number in NUMBERS
}
