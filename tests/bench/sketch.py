"""Star tables sketched from a night of the demo, without drawing a picture.

Thousands of frames are needed to say how often a cause is right, and drawing them takes
hours. A sketch takes the stars' paths from the same night as the drawing does, puts the
path's blur on each star's shape, and adds the noise of its signal. Only the mean star is
drawn, so that the estimator's own answer to a gust or a knock is in the shapes.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.demo import DrawnExposure
from skyplumb.measure.shapes import SIGMA_TO_FWHM, fit_gaussians
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

Floats = NDArray[np.float64]

MOST_STARS = 300
SIZE = 49
CENTROID_FLOOR_PX = 0.03


def sketched(exposure: DrawnExposure, file: str) -> Measure:
    """The measure of one light frame."""
    night, run, body = exposure.night, exposure.run, exposure.night.body
    rng = np.random.default_rng([night.seed, exposure.run_index, exposure.frame, 5])
    ticks = exposure.ticks()
    ticks = ticks[:: max(1, len(ticks) // 500)]
    cloud = 10.0 ** (-0.4 * exposure.extinction_mag(ticks))
    share = cloud / cloud.sum()
    sky = exposure.sky_electrons()
    noise = float(np.sqrt(sky + body.read_noise_e**2))

    found = exposure._stars()
    apparent = exposure.dome.apparent(found.ra_rad, found.dec_rad, exposure.mid_s)
    place = exposure.path(apparent, np.array([exposure.mid_s]))[:, 0]
    edge = 8.0
    inside = (
        np.isfinite(place).all(1)
        & (place > edge).all(1)
        & (place < np.array([body.width_px, body.height_px]) - edge).all(1)
    )
    altitude, light = exposure.star_light(found.g_mag, apparent)
    inside &= altitude > 0
    light = light[inside] * exposure.optics.brightness(place[inside]) * cloud.mean()
    light = light * 10.0 ** (-0.4 * exposure.patches_mag(place[inside]))
    order = np.argsort(-light)
    rows = np.flatnonzero(inside)[order]
    light = light[order]
    lens_shape = exposure.optics.shape(place[rows], exposure.hours_into_run) / SIGMA_TO_FWHM**2
    centre = exposure.apparent_at(exposure.optics.centre[None], exposure.mid_s)
    middle_path = exposure.path(centre, ticks)[0]
    blur, mean_star = _blur(exposure, middle_path, share)
    spread = np.sqrt(np.maximum(lens_shape[:, 0] + blur[0], 0.3) * (lens_shape[:, 1] + blur[1]))
    snr = light / (noise * np.sqrt(4 * np.pi * spread))
    seen = snr > 7
    count = int(np.count_nonzero(seen))
    keep = np.flatnonzero(seen)[:MOST_STARS]
    rows, snr, light, lens_shape = rows[keep], snr[keep], light[keep], lens_shape[keep]
    paths = exposure.path(apparent[rows], ticks[:: max(1, len(ticks) // 120)])
    some = share[:: max(1, len(ticks) // 120)]
    some = some / some.sum()
    whole = np.isfinite(paths).all((1, 2))
    rows, snr, light, lens_shape, paths = (
        part[whole] for part in (rows, snr, light, lens_shape, paths)
    )
    position = np.einsum("t,ntc->nc", some, paths)
    wobble = np.hypot(CENTROID_FLOOR_PX, 0.8 / snr)
    position = position + rng.normal(size=position.shape) * wobble[:, None]
    table = np.zeros(len(rows), STAR_DTYPE)
    table["x"], table["y"] = position.T
    table["flux"], table["snr"] = light / body.gain_e_per_dn, snr
    size = np.maximum(lens_shape[:, :2].sum(1) / 2 + blur[:2].mean(), 0.3)
    for name, error, base, add in zip(
        ("mxx", "myy", "mxy"), ("sxx", "syy", "sxy"), lens_shape.T, blur, strict=True
    ):
        # Error of one moment of a Gaussian at this signal (Bernstein & Jarvis 2002).
        sigma = size * 2.0 / snr * (1.0 if name != "mxy" else 0.7)
        table[name] = base + add + 1 / 12 + rng.normal(size=len(rows)) * sigma
        table[error] = sigma
    table["kurt"] = 2.12
    doubled = exposure_doubles(middle_path, share, run.lens.fwhm_px)
    if doubled is not None:
        table = _with_doubles(table, doubled)
    dn = 1 / body.gain_e_per_dn
    mean_star = mean_star + rng.normal(size=mean_star.shape).astype(np.float32) * float(
        np.clip(
            1.25
            * noise
            * 8
            / max(
                float(
                    np.median(
                        light[:100],
                    )
                ),
                1.0,
            )
            / 10,
            1e-4,
            0.05,
        )
        if len(light)
        else 0.05
    )
    return Measure(
        file=file,
        kind="light",
        note="",
        info=_info(exposure),
        width_px=body.width_px,
        height_px=body.height_px,
        stars=table[np.argsort(-table["flux"], kind="stable")],
        stars_found=count,
        sky_level=sky * dn,
        noise=noise * dn,
        mean_star=mean_star.astype(np.float32) if len(table) >= 5 else np.zeros((0, 0), np.float32),
    )


def _blur(
    exposure: DrawnExposure, path: Floats, share: Floats
) -> tuple[Floats, NDArray[np.float32]]:
    """What the estimator makes of the motion (xx, yy, xy px^2), and the mean star."""
    lens = exposure.run.lens
    shape = exposure.optics.shape(exposure.optics.centre, exposure.hours_into_run)
    off = path - share @ path
    plain = np.array(
        [share @ off[:, 0] ** 2, share @ off[:, 1] ** 2, share @ (off[:, 0] * off[:, 1])]
    )
    if np.abs(off).max() > SIZE // 2 - 6:
        return 1.45 * plain, np.zeros((0, 0), np.float32)
    still = _star(np.zeros((1, 2)), np.ones(1), shape, lens.beta)
    moved = _star(off, share, shape, lens.beta)
    guess = np.array([shape[0], shape[1], 0.0]) / SIGMA_TO_FWHM**2
    fits = fit_gaussians(
        np.stack([still, moved]).astype(np.float32),
        np.zeros((2, SIZE, SIZE), np.int8),
        1e-4,
        guess + np.stack([np.zeros(3), plain]),
        np.zeros((2, 2)),
    )
    height = float(fits.amplitude[1, 0])
    return fits.moments[1] - fits.moments[0], (moved / max(height, 1e-6)).astype(np.float32)


def _star(path: Floats, share: Floats, shape: Floats, beta: float) -> Floats:
    """A Moffat star of squared width `shape`, smeared along a path, on the small grid."""
    cells = np.round(path * 5) / 5
    unique, owner = np.unique(cells, axis=0, return_inverse=True)
    weight = np.bincount(owner.ravel(), share)
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE // 2
    inverse = np.linalg.inv(np.array([[shape[0], shape[2]], [shape[2], shape[1]]]) / 4)
    alpha = 2 ** (1 / beta) - 1
    out = np.zeros((SIZE, SIZE))
    for (dx, dy), one in zip(unique, weight, strict=True):
        u, v = x - dx, y - dy
        r2 = inverse[0, 0] * u * u + 2 * inverse[0, 1] * u * v + inverse[1, 1] * v * v
        out += one * (1 + alpha * r2) ** -beta
    return np.asarray(out / out.sum())


def exposure_doubles(path: Floats, share: Floats, fwhm_px: float) -> Floats | None:
    """Two rests further apart than detections merge: their places and shares, (2, 3); or None."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    jump = int(np.argmax(steps))
    if steps[jump] < max(2.2 * fwhm_px, 6.0):
        return None
    first, second = share[: jump + 1].sum(), share[jump + 1 :].sum()
    if min(first, second) < 0.1:
        return None
    rests = [path[: jump + 1].mean(0), path[jump + 1 :].mean(0)]
    mean = share @ path
    return np.array([[*(rests[0] - mean), first], [*(rests[1] - mean), second]])


def _with_doubles(table: NDArray[np.void], rests: Floats) -> NDArray[np.void]:
    """Every star twice, each image with its share of the light."""
    parts = []
    for dx, dy, share in rests:
        part = table.copy()
        part["x"] += dx
        part["y"] += dy
        part["flux"] *= share
        part["snr"] *= share
        parts.append(part[part["snr"] > 7])
    return np.concatenate(parts)


def _info(exposure: DrawnExposure) -> ShotInfo:
    night, run = exposure.night, exposure.run
    start = night.epoch_utc + timedelta(seconds=exposure.begin_s)
    return ShotInfo(
        camera=night.body.name,
        serial=night.body.serial,
        lens=run.lens.name,
        focal_mm=run.lens.focal_mm,
        fnumber=run.lens.fnumber,
        exposure_s=run.exposure_s,
        iso=run.iso,
        clock=start,
        taken_camera=start.isoformat(),
        utc_offset_h=0.0,
        latitude_deg=night.site.latitude_deg,
        longitude_deg=night.site.longitude_deg,
        height_m=night.site.height_m,
        pixel_um=night.body.pixel_um,
    )
