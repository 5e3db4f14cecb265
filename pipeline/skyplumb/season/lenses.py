"""What each audit found of its lenses -> each lens, aperture and camera over all nights.

Nights are pooled part by part of the picture, those alone that had the lens as sharp as it was
ever seen; what they differ by beyond their errors makes the errors larger. From the pooled moments
follow widths, ellipticities, tilt, decentring and aberrations; from all nights the drift of the
focus.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skyplumb.findings import LensField
from skyplumb.judge.lens_field import SAME_FOCUS, ZONES
from skyplumb.measure import shapes
from skyplumb.records import NAN
from skyplumb.season.aberrations import UNKNOWN, Aberrations, Term, aberrations
from skyplumb.season.sessions import NightLens, label_of
from skyplumb.season.trend import Line, line_of

Floats = NDArray[np.float64]

LAW_SHARE = 0.01
"""Of a width, the error of the law that gives it from moments and profile: root mean square over
the fields of nine drawn lenses was 0.006 to 0.016."""
SAME_PLACE = 0.01
"""Of the half sizes of the picture."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A star in one part of the picture, or in several alike."""

    fwhm_px: Term = UNKNOWN
    ellipticity: Term = UNKNOWN
    """1 - b/a."""
    angle_deg: float = NAN
    """Of its longer axis, from +x towards +y, -90 to 90."""


@dataclass(frozen=True, slots=True)
class Place:
    """One part of the picture; its moments are pooled."""

    x: float
    y: float
    stars: int
    moments: tuple[Term, Term, Term]
    """mxx, myy, mxy, px^2."""
    shape: Shape


@dataclass(frozen=True, slots=True)
class SeasonLens:
    """One lens at one aperture on one camera."""

    label: str
    camera: str
    serial: str
    focal_mm: float
    aperture: float
    filter: str
    width_px: int
    height_px: int
    scale_arcsec_px: float
    nights: int
    """Whose focus was as sharp as any, which the field is of."""
    of_nights: int
    frames: int
    stars: int
    places: tuple[Place, ...]
    centre: Shape
    edges: Shape
    """Mean of the middles of the four edges."""
    corners: Shape
    worst_corner: Shape
    tilt_x_px: Term
    """FWHM at the right edge less that at the left edge."""
    tilt_y_px: Term
    """At the lower edge less at the upper edge."""
    aberrations: Aberrations
    sharpest_px: float
    """FWHM at the middle of the sharpest frames ever."""
    sharpest_night: str
    per_hour: Line = field(default_factory=Line)
    """Drift of the width within nights, px an hour."""
    per_degree: Line = field(default_factory=Line)
    """Within nights, px a degree."""
    between_nights: Line = field(default_factory=Line)
    """From night to night along the temperature: `slope`, px a degree."""


def season_lenses(found: Sequence[NightLens]) -> list[SeasonLens]:
    """All of them, lens by lens, from wide open down."""
    latest = {(one.session, _key(one.lens)): one for one in found}
    by_key: dict[tuple[object, ...], list[NightLens]] = defaultdict(list)
    for (_, key), one in latest.items():
        by_key[key].append(one)
    told = [_pooled(sorted(mine, key=lambda one: one.night)) for mine in by_key.values()]
    return sorted(
        told,
        key=lambda o: (np.nan_to_num(o.focal_mm, nan=1e9), o.label, o.camera, o.serial, o.aperture),
    )


def _key(one: LensField) -> tuple[object, ...]:
    """What is one lens at one aperture on one body; unknown numbers are alike."""
    focal, aperture = (round(v, 2) if v == v else None for v in (one.focal_mm, one.aperture))
    size = (one.width_px, one.height_px)
    return (one.serial or one.camera, one.lens, focal, aperture, one.filter.casefold(), size)


def _pooled(found: Sequence[NightLens]) -> SeasonLens:
    """One lens by all its nights."""
    best = min(found, key=lambda one: one.lens.sharpest_fwhm_px)
    sharp = [
        one for one in found if one.lens.sharpest_fwhm_px <= SAME_FOCUS * best.lens.sharpest_fwhm_px
    ]
    places = _places(sharp)
    first = best.lens
    half = np.array([first.width_px, first.height_px]) / np.hypot(first.width_px, first.height_px)
    middle, edges, corners, sides = _parts(places, half)
    tilt = [_difference(sides.get(a), sides.get(b)) for a, b in (("+x", "-x"), ("+y", "-y"))]
    moments = np.array([_three(one) for one in places])
    return SeasonLens(
        label=label_of(first.lens, first.focal_mm),
        camera=first.camera,
        serial=first.serial,
        focal_mm=first.focal_mm,
        aperture=first.aperture,
        filter=first.filter,
        width_px=first.width_px,
        height_px=first.height_px,
        scale_arcsec_px=float(np.nanmedian([one.lens.scale_arcsec_px for one in found])),
        nights=len({one.night for one in sharp}),
        of_nights=len({one.night for one in found}),
        frames=sum(one.lens.frames for one in sharp),
        stars=sum(one.lens.stars for one in sharp),
        places=tuple(places),
        centre=_mean_shape(middle),
        edges=_mean_shape(edges),
        corners=_mean_shape(corners),
        worst_corner=max(
            (one.shape for one in corners), key=lambda one: one.fwhm_px.value, default=Shape()
        ),
        tilt_x_px=tilt[0],
        tilt_y_px=tilt[1],
        aberrations=aberrations(
            np.array([(one.x, one.y) for one in places]),
            moments[:, :, 0],
            moments[:, :, 1],
            np.array([(one.x, one.y) for one in corners]),
        )
        if corners
        else Aberrations(),
        sharpest_px=first.sharpest_fwhm_px,
        sharpest_night=best.night,
        **_focus(found),
    )


def _focus(found: Sequence[NightLens]) -> dict[str, Line]:
    """How the focus went."""

    def column(name: str) -> Floats:
        return np.array([getattr(one.lens, name) for one in found], float)

    return {
        "per_hour": line_of(column("focus_px_per_h"), column("focus_px_per_h_sigma")),
        "per_degree": line_of(column("focus_px_per_c"), column("focus_px_per_c_sigma")),
        "between_nights": line_of(
            column("sharpest_fwhm_px"),
            column("sharpest_fwhm_px_sigma"),
            column("temperature_c"),
        ),
    }


def _places(found: Sequence[NightLens]) -> list[Place]:
    """Parts of the picture over several nights."""
    by_place: dict[tuple[float, float], list[tuple[Floats, Floats, float, int]]] = defaultdict(list)
    for one in found:
        for zone in one.lens.zones:
            values = np.array([zone.mxx_px2, zone.myy_px2, zone.mxy_px2])
            sigmas = np.array([zone.mxx_px2_sigma, zone.myy_px2_sigma, zone.mxy_px2_sigma])
            if np.isfinite(sigmas).all() and (sigmas > 0).all():
                by_place[zone.x, zone.y].append((values, sigmas, zone.profile, zone.stars))
    out = []
    for (x, y), mine in sorted(by_place.items(), key=lambda one: (one[0][1], one[0][0])):
        values, sigmas = np.array([one[0] for one in mine]), np.array([one[1] for one in mine])
        weight = 1 / sigmas**2
        mean = (weight * values).sum(axis=0) / weight.sum(axis=0)
        squares = (weight * (values - mean) ** 2).sum(axis=0) / max(len(mine) - 1, 1)
        error = np.sqrt(np.maximum(squares, 1.0) / weight.sum(axis=0))
        profile = float(np.average([one[2] for one in mine], weights=[one[3] for one in mine]))
        terms = tuple(Term(float(m), float(e)) for m, e in zip(mean, error, strict=True))
        stars = sum(one[3] for one in mine)
        out.append(Place(x, y, stars, terms, _shape(mean, error, profile)))  # type: ignore[arg-type]
    return out


def _three(one: Place) -> list[tuple[float, float]]:
    """Trace, mxx - myy and 2 mxy with their errors."""
    xx, yy, xy = one.moments
    both = float(np.hypot(xx.sigma, yy.sigma))
    return [
        (xx.value + yy.value, both),
        (xx.value - yy.value, both),
        (2 * xy.value, 2 * xy.sigma),
    ]


def _shape(moments: Floats, sigmas: Floats, profile: float) -> Shape:
    """Width, ellipticity and direction of a star of these moments."""
    xx, yy, xy = moments
    trace, stretch = xx + yy, float(np.hypot(xx - yy, 2 * xy))
    error = float(np.hypot(*sigmas[:2]))
    # Noise is never round: what it adds to the square of the stretch is taken off.
    clear = float(np.sqrt(max(stretch**2 - error**2, 0.0)))
    ratio = np.sqrt(max(trace - clear, 1e-6) / (trace + clear))
    width = float(shapes.fwhm_px(trace / 2, profile))
    return Shape(
        Term(width, float(width * np.hypot(error / (2 * trace), LAW_SHARE))),
        Term(float(1 - ratio), float(trace / (trace + clear) ** 2 / ratio * error)),
        float(np.degrees(np.arctan2(2 * xy, xx - yy)) / 2),
    )


def _parts(
    places: Sequence[Place], half: Floats
) -> tuple[list[Place], list[Place], list[Place], dict[str, Place]]:
    """The centre, the middles of the edges, the corners, and the edges by their side."""
    at = [(one.x / half[0], one.y / half[1]) for one in places]
    far_x, far_y = (1 - 1 / parts - SAME_PLACE for parts in ZONES)
    middle, corners = [], []
    sides: dict[str, Place] = {}
    for one, (x, y) in zip(places, at, strict=True):
        side_x, side_y = abs(x) > far_x, abs(y) > far_y
        if side_x and side_y:
            corners.append(one)
        elif side_x and abs(y) < SAME_PLACE:
            sides["+x" if x > 0 else "-x"] = one
        elif side_y and abs(x) < SAME_PLACE:
            sides["+y" if y > 0 else "-y"] = one
        elif max(abs(x), abs(y)) < SAME_PLACE:
            middle.append(one)
    return middle, list(sides.values()), corners, sides


def _mean_shape(places: Sequence[Place]) -> Shape:
    """The mean of several parts, each by itself."""
    if not places:
        return Shape()
    angle = places[0].shape.angle_deg if len(places) == 1 else NAN
    return Shape(
        _mean([one.shape.fwhm_px for one in places]),
        _mean([one.shape.ellipticity for one in places]),
        angle,
    )


def _mean(terms: Sequence[Term]) -> Term:
    value = float(np.mean([one.value for one in terms]))
    return Term(value, float(np.linalg.norm([one.sigma for one in terms]) / len(terms)))


def _difference(one: Place | None, other: Place | None) -> Term:
    """Of their widths; the law of widths errs on both alike."""
    if one is None or other is None:
        return Term()
    a, b = one.shape.fwhm_px, other.shape.fwhm_px
    own = [np.sqrt(max(w.sigma**2 - (LAW_SHARE * w.value) ** 2, 0.0)) for w in (a, b)]
    return Term(a.value - b.value, float(np.hypot(*own)))


def lens_rows(lenses: Sequence[SeasonLens]) -> list[Mapping[str, object]]:
    """lens.csv: a row for each lens, aperture, camera and part of the picture, and their means."""
    rows: list[Mapping[str, object]] = []
    for one in lenses:
        key = {
            "lens": one.label,
            "aperture": one.aperture,
            "camera": one.camera,
            "serial": one.serial,
            "filter": one.filter,
        }
        found = one.aberrations
        whole: dict[str, object] = {
            "nights": one.nights,
            "nights_known": one.of_nights,
            "frames": one.frames,
            "stars": one.stars,
            "scale_arcsec_px": one.scale_arcsec_px,
            "sharpest_fwhm_px": one.sharpest_px,
            "sharpest_night": one.sharpest_night,
        }
        for name, term in (
            ("tilt_x_fwhm_px", one.tilt_x_px),
            ("tilt_y_fwhm_px", one.tilt_y_px),
            ("axis_x_half_diagonals", found.axis_x),
            ("axis_y_half_diagonals", found.axis_y),
            ("corner_excess_px2", found.excess),
            ("corner_coma_px2", found.coma),
            ("corner_astigmatism_px2", found.astigmatism),
            ("corner_focus_px2", found.focus),
        ):
            whole |= {name: term.value, f"{name}_sigma": term.sigma}
        for name, line, part in (
            ("focus_px_per_h", one.per_hour, "mean"),
            ("focus_px_per_c", one.per_degree, "mean"),
            ("nights_px_per_c", one.between_nights, "slope"),
        ):
            ends = (getattr(line, part + end) for end in ("", "_low", "_high"))
            whole |= dict(zip((name, f"{name}_low", f"{name}_high"), ends, strict=True))
        for name, shape in (
            ("centre", one.centre),
            ("edges", one.edges),
            ("corners", one.corners),
            ("worst corner", one.worst_corner),
        ):
            rows.append({**key, "part": name, **_of_shape(shape), **whole})
        rows += [
            {
                **key,
                "part": "zone",
                "x_half_diagonals": place.x,
                "y_half_diagonals": place.y,
                **_of_shape(place.shape),
                **{
                    f"{name}{end}": getattr(term, what)
                    for name, term in zip(
                        ("mxx_px2", "myy_px2", "mxy_px2"), place.moments, strict=True
                    )
                    for end, what in (("", "value"), ("_sigma", "sigma"))
                },
                "stars": place.stars,
            }
            for place in one.places
        ]
    return rows


def _of_shape(shape: Shape) -> dict[str, object]:
    return {
        "fwhm_px": shape.fwhm_px.value,
        "fwhm_px_sigma": shape.fwhm_px.sigma,
        "ellipticity": shape.ellipticity.value,
        "ellipticity_sigma": shape.ellipticity.sigma,
        "angle_deg": shape.angle_deg,
    }
