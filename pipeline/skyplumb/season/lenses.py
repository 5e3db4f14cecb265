"""What each audit found of its lenses -> each lens, aperture and camera over all nights.

Nights are pooled part by part of the picture, those alone that had the lens as sharp as it was
ever seen. What a night's focus and air did to all its stars is taken off each and counts once for
a night, however many parts there are; what nights differ by beyond that and their errors makes the
errors larger. From the pooled moments follow widths, ellipticities, tilt, decentring and
aberrations; from all nights the drift of the focus.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skyplumb.findings import LensField, LensZone
from skyplumb.judge.lens_field import LAW_SHARE as MOMENT_LAW_SHARE
from skyplumb.judge.lens_field import SAME_FOCUS, ZONES
from skyplumb.measure import shapes
from skyplumb.records import NAN
from skyplumb.season.aberrations import UNKNOWN, Aberrations, Term, aberrations
from skyplumb.season.sessions import NightLens, label_of
from skyplumb.season.trend import Line, line_of

Floats = NDArray[np.float64]

LAW_SHARE, PART_SHARE = 0.009, 0.005
"""Of a width, the error of the law that gives it from moments and profile: the same all over a
field, and of each part by itself; root mean squares over 26 drawn lenses (seeds 131,001 to
131,035), which the next is of, too."""
STRETCH_SHARE = 0.06
"""Of an ellipticity, how far that of the Gaussian that fits best is from that of adaptive moments,
alike where aberrations are."""
SAME_PLACE = 0.01
"""Of the half sizes of the picture."""
SURE_PX2, SURE_SHARE = 0.1, 0.05
"""A part whose trace or stretch is known worse than to this, px^2 or of the trace, is not told."""
LEVELLED = 8
"""Rounds of bringing nights to one focus and pooling: they see much the same parts."""
LEAST_SHARE = 0.02
"""Of the variance of mxx and myy together, below which that of no moment is."""


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
    parts, shared = _pooled_parts(sharp)
    places = [_place(one, shared) for one in parts]
    first = best.lens
    half = np.array([first.width_px, first.height_px]) / np.hypot(first.width_px, first.height_px)
    middle, edges, corners, sides = _parts(parts, half)
    tilt = [_difference(sides.get(a), sides.get(b)) for a, b in (("+x", "-x"), ("+y", "-y"))]
    at = np.array([(one.x, one.y) for one in parts])
    moments, sigmas = (np.array([getattr(o, n) for o in parts]) for n in ("moments", "sigmas"))
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
        centre=_shape(middle, shared),
        edges=_shape(edges, shared),
        corners=_shape(corners, shared),
        worst_corner=max(
            (_shape([one], shared) for one in corners),
            key=lambda one: one.fwhm_px.value,
            default=Shape(),
        ),
        tilt_x_px=tilt[0],
        tilt_y_px=tilt[1],
        aberrations=aberrations(at, moments, sigmas, np.array([(o.x, o.y) for o in corners]))
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


@dataclass(frozen=True, slots=True)
class _Part:
    """One part of the picture over several nights."""

    x: float
    y: float
    stars: int
    moments: Floats
    """Trace, mxx - myy and 2 mxy, px^2."""
    sigmas: Floats
    """Their errors without what all parts share."""
    profile: float

    def width(self) -> Term:
        """FWHM with its own error, px."""
        width = float(shapes.fwhm_px(self.moments[0] / 2, self.profile))
        share = float(np.hypot(self.sigmas[0] / (2 * self.moments[0]), PART_SHARE))
        return Term(width, width * share)

    def ellipticity(self, shared: Floats) -> Term:
        """With its own error; `shared` that of the moments of all parts alike."""
        trace, stretch = self.moments[0], float(np.hypot(*self.moments[1:]))
        error = float(np.linalg.norm([*self.sigmas[1:], *shared[1:]]) / np.sqrt(2))
        # Noise is never round: what it adds to the square of the stretch is taken off.
        clear = float(np.sqrt(max(stretch**2 - error**2, 0.0)))
        ratio = np.sqrt(max(trace - clear, 1e-6) / (trace + clear))
        return Term(float(1 - ratio), float(trace / (trace + clear) ** 2 / ratio * error))

    @property
    def angle_deg(self) -> float:
        """Of the longer axis."""
        return float(np.degrees(np.arctan2(self.moments[2], self.moments[1])) / 2)


def _shape(parts: Sequence[_Part], shared: Floats) -> Shape:
    """The mean of some parts, each by itself; what errs in all alike is not averaged down."""
    if not parts:
        return Shape()
    width = _mean([one.width() for one in parts])
    stretch = _mean([one.ellipticity(shared) for one in parts])
    trace = float(np.mean([one.moments[0] for one in parts]))
    law = width.value * np.hypot(shared[0] / (2 * trace), LAW_SHARE)
    return Shape(
        Term(width.value, float(np.hypot(width.sigma, law))),
        Term(stretch.value, float(np.hypot(stretch.sigma, STRETCH_SHARE * stretch.value))),
        parts[0].angle_deg if len(parts) == 1 else NAN,
    )


def _pooled_parts(found: Sequence[NightLens]) -> tuple[list[_Part], Floats]:
    """Parts of the picture over several nights, and the errors of the moments that they share."""
    nights = [_known(one.lens.zones) for one in found]
    nights = [some for some in nights if some]
    if not nights:
        return [], np.zeros(3)
    zones = [zone for some in nights for zone in some]
    night = np.repeat(np.arange(len(nights)), [len(some) for some in nights])
    places = sorted({(zone.y, zone.x) for zone in zones})
    part = np.array([places.index((zone.y, zone.x)) for zone in zones])
    values, variances = (np.array(column) for column in zip(*map(_three, zones), strict=True))
    level = np.zeros((len(nights), 3))
    for _ in range(LEVELLED):
        mean, _ = _by_weight(part, values - level[night], variances)
        level += _by_weight(night, values - level[night] - mean[part], variances)[0]
    shared = np.zeros(3)
    known = _by_weight(night, values, variances)[1]
    for n, of in enumerate(level.T):
        one = line_of(of, np.sqrt(known[:, n]))
        of -= one.mean
        if len(nights) > 1:
            shared[n] = 1 / (1 / (known[:, n] + one.spread**2)).sum()
    mean, variance = _by_weight(part, values - level[night], variances)
    squares = _sums(part, (values - level[night] - mean[part]) ** 2 / variances)
    free = np.maximum(np.bincount(part) - 1, 1)[:, None]
    sigmas = np.sqrt(variance * np.maximum(squares / free, 1.0))
    stars = np.array([zone.stars for zone in zones])
    profile = np.bincount(part, stars * [zone.profile for zone in zones])
    total = np.bincount(part, stars)
    shared[0] += (MOMENT_LAW_SHARE * np.median(mean[:, 0])) ** 2
    out = [
        _Part(x, y, int(total[n]), mean[n], sigmas[n], float(profile[n] / total[n]))
        for n, (y, x) in enumerate(places)
        if sigmas[n].max() < SURE_SHARE * max(mean[n, 0], SURE_PX2 / SURE_SHARE)
    ]
    return out, np.sqrt(shared)


def _known(zones: Sequence[LensZone]) -> list[LensZone]:
    """Those with errors."""
    return [one for one in zones if one.mxx_px2_sigma > 0 and one.mxy_px2_sigma > 0]


def _three(zone: LensZone) -> tuple[Floats, Floats]:
    """Trace, mxx - myy and 2 mxy of a night's zone, and the variances of their errors without that
    of the law, which errs alike in all zones and on all nights."""
    both = zone.mxx_px2_sigma**2 + zone.myy_px2_sigma**2
    # Audits of earlier versions tell no covariance, and an error without the law's.
    twice = 2 * zone.mxx_myy_px4 if np.isfinite(zone.mxx_myy_px4) else 0.0
    trace = zone.mxx_px2 + zone.myy_px2
    law = (MOMENT_LAW_SHARE * trace) ** 2 if twice else 0.0
    values = [trace, zone.mxx_px2 - zone.myy_px2, 2 * zone.mxy_px2]
    least = LEAST_SHARE * both
    variances = [both + twice - law, both - twice, 4 * zone.mxy_px2_sigma**2]
    return np.array(values), np.maximum(variances, least)


def _sums(index: NDArray[np.int64], values: Floats) -> Floats:
    """Of each group, shape (groups, k)."""
    return np.stack([np.bincount(index, column) for column in values.T], axis=1)


def _by_weight(
    index: NDArray[np.int64], values: Floats, variances: Floats
) -> tuple[Floats, Floats]:
    """Weighted mean of each group and its variance."""
    weight = np.maximum(_sums(index, 1 / variances), 1e-12)
    return _sums(index, values / variances) / weight, 1 / weight


def _place(one: _Part, shared: Floats) -> Place:
    """A part as it is told."""
    trace, plus, cross = one.moments
    errors = one.sigmas**2 + shared**2
    both, sigma = float(np.sqrt(errors[0] + errors[1])) / 2, float(np.sqrt(errors[2])) / 2
    moments = (
        Term(float(trace + plus) / 2, both),
        Term(float(trace - plus) / 2, both),
        Term(float(cross) / 2, sigma),
    )
    return Place(one.x, one.y, one.stars, moments, _shape([one], shared))


def _parts(
    places: Sequence[_Part], half: Floats
) -> tuple[list[_Part], list[_Part], list[_Part], dict[str, _Part]]:
    """The centre, the middles of the edges, the corners, and the edges by their side."""
    at = [(one.x / half[0], one.y / half[1]) for one in places]
    far_x, far_y = (1 - 1 / parts - SAME_PLACE for parts in ZONES)
    middle, corners = [], []
    sides: dict[str, _Part] = {}
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


def _mean(terms: Sequence[Term]) -> Term:
    value = float(np.mean([one.value for one in terms]))
    return Term(value, float(np.linalg.norm([one.sigma for one in terms]) / len(terms)))


def _difference(one: _Part | None, other: _Part | None) -> Term:
    """Of their widths; what errs on both alike does not count."""
    if one is None or other is None:
        return Term()
    a, b = one.width(), other.width()
    return Term(a.value - b.value, float(np.hypot(a.sigma, b.sigma)))


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
