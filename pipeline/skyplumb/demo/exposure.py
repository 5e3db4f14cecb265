"""One exposure of an invented night: where everything moved, and the picture of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .heavens import Dome, Stars, invented_faint_stars, stars_within
from .optics import Optics
from .paint import FWHM_OVER_SIGMA, Samples, Smear, add_stars, expose, mosaic_of
from .scene import Body, DrawnRun, Mount, Night
from .tracker import Push, Tracker, blow

Floats = NDArray[np.float64]

PHOTONS_OF_MAG_0 = 1.0e6
"""Photons per second and cm^2 of a star of magnitude 0 in the green (from memory, rounded)."""
TINTS = (0.55, 1.0, 0.7)
"""Light in red, green and blue samples of a star of BP - RP 0.8, and of the sky (invented)."""
_HITS_PER_CM2_S = 1.0 / 60.0
"""Cosmic rays: about one muon a minute on a level square centimetre (common knowledge)."""
_FAINTEST_SNR = 1.5
"""Stars fainter than this, in a matched Gaussian aperture, are left out: lost in the sky."""
_PIECE_PX = 0.8
_MANY, _CELL_PX = 40, 0.35
"""Of more points than this, those within one cell are drawn as one."""
_TICK_S = 0.05
"""Step at which motion is looked at before it is cut into pieces."""
_CLOUD_WAVES = 12
"""So many make a field of cloud that looks like chance."""


@dataclass(frozen=True, slots=True)
class _Motion:
    """The motion of one exposure, cut into points."""

    times_s: Floats
    weights: Floats
    """Share of the light at each time, cloud taken off."""
    group: NDArray[np.intp]
    """Times with the same number are so close on the sensor that they are drawn as one."""
    extent_px: float
    """How far a star in the middle moved."""


@dataclass(frozen=True)
class DrawnExposure:
    """A frame of a run of a night.

    Attributes
    ----------
    night : Night
    run_index, frame : int
        Which run of the night, which frame of the run.
    """

    night: Night
    run_index: int
    frame: int

    @property
    def run(self) -> DrawnRun:
        """The run it belongs to."""
        return self.night.runs[self.run_index]

    @cached_property
    def optics(self) -> Optics:
        """Lens and sensor."""
        return Optics.of(self.run.lens, self.night.body)

    @cached_property
    def dome(self) -> Dome:
        """The sky over the site."""
        return Dome(self.night.site, self.night.epoch_utc)

    @property
    def run_start_s(self) -> float:
        """Start of the run, when the camera was aimed."""
        return self.night.start_s(self.run_index)

    @property
    def begin_s(self) -> float:
        """Shutter opens."""
        return self.run_start_s + self.run.start_of(self.frame)

    @property
    def end_s(self) -> float:
        """Shutter closes."""
        return self.begin_s + self.run.exposure_s

    @property
    def mid_s(self) -> float:
        """Middle of the exposure."""
        return self.begin_s + self.run.exposure_s / 2.0

    @property
    def hours_into_run(self) -> float:
        """Middle of the exposure after the start of the run."""
        return (self.mid_s - self.run_start_s) / 3600.0

    @cached_property
    def pushes(self) -> tuple[Push, ...]:
        """All gusts of the run, with some before it."""
        gusts = self.night.mount.gusts
        if gusts is None:
            return ()
        last = self.run_start_s + self.run.start_of(self.run.frames)
        before = self.run_start_s - 6.0 * gusts.decay_s
        return blow(gusts, before, last, [self.night.seed, self.run_index, 11])

    @cached_property
    def tracker(self) -> Tracker:
        """The tracker carrying the camera through this frame, aimed at the start of the run."""
        return Tracker(
            self.night.mount,
            self.night.site,
            self.run.tracking,
            self.run_start_s,
            self._aim(),
            self.run_start_s,
            self.pushes,
        )

    def _aim(self) -> Floats:
        """Attitude at the start of the run, dithers up to this frame included."""
        run, latitude = self.run, np.radians(self.night.site.latitude_deg)
        if np.isnan(run.ra_deg):
            alt, az = np.radians(run.alt_deg), np.radians(run.az_deg)
            east, north = np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az)
            sight = np.array(
                [
                    np.sin(alt) * np.cos(latitude) - north * np.sin(latitude),
                    east,
                    np.sin(alt) * np.sin(latitude) + north * np.cos(latitude),
                ]
            )
        else:
            place = np.radians(np.array([run.ra_deg])), np.radians(np.array([run.dec_deg]))
            apparent = self.dome.apparent(*place, self.run_start_s)
            sight = self.dome.above(apparent, np.array([self.run_start_s]))[0, 0]
        up = _towards_position_angle(sight, np.radians(run.roll_deg))
        aim = np.stack([np.cross(sight, up), -up, sight])
        dx = sum(step[1] for step in run.dithers if step[0] <= self.frame)
        dy = sum(step[2] for step in run.dithers if step[0] <= self.frame)
        throw = Rotation.from_rotvec(np.array([-dy, dx, 0.0]) / self.optics.focal_px)
        return np.asarray(throw.as_matrix() @ aim)

    def path(
        self, apparent: Floats, at_s: Floats, tracker: Tracker | None = None, air: bool = True
    ) -> Floats:
        """Where stars are on the sensor, (n, 3) CIRS vectors to pixels of shape (n, t, 2)."""
        dome = self.dome if air else Dome(self.night.site, self.night.epoch_utc, air=False)
        attitude = (tracker or self.tracker).attitude(at_s)
        seen = dome.above(apparent, at_s)
        return self.optics.pixels(np.einsum("tij,ntj->nti", attitude, seen))

    def apparent_at(self, pixels: Floats, at_s: float, air: bool = True) -> Floats:
        """CIRS vectors (n, 3) of what is seen at pixels (n, 2) at a time."""
        dome = self.dome if air else Dome(self.night.site, self.night.epoch_utc, air=False)
        attitude = self.tracker.attitude(np.array([at_s]))[0]
        return dome.below(self.optics.directions(pixels) @ attitude, at_s)

    def place_at(self, pixels: Floats, at_s: float) -> tuple[Floats, Floats]:
        """ICRS right ascension and declination, degrees, of pixels (n, 2) at a time."""
        ra, dec = self.dome.catalogue_place(self.apparent_at(pixels, at_s), at_s)
        return np.degrees(ra), np.degrees(dec)

    def ticks(self) -> Floats:
        """Even times through the exposure, middles of short steps."""
        count = int(np.clip(self.run.exposure_s / _TICK_S, 64, 8000))
        return self.begin_s + (np.arange(count) + 0.5) * self.run.exposure_s / count

    def extinction_mag(self, at_s: Floats) -> Floats:
        """Cloud at some times."""
        return _between(self.night.sky.cloud, at_s, outside=0.0)

    def patches_mag(self, place: Floats) -> Floats:
        """Extinction, shape (n,), of broken cloud at pixels (n, 2), in mid-exposure.

        Waves of many directions and of lengths about that of a piece, which drift together.
        """
        sky, body = self.night.sky, self.night.body
        if not sky.patches_mag:
            return np.zeros(len(place))
        rng = np.random.default_rng([self.night.seed, 23])
        way, turn = rng.uniform(0.0, 2.0 * np.pi, (2, _CLOUD_WAVES))
        length = 2.0 * sky.patches_size * rng.uniform(0.7, 1.5, _CLOUD_WAVES)
        at = place / body.width_px
        drifted = at[:, :1] + sky.patches_drift * self.mid_s / 60.0
        phase = 2.0 * np.pi / length * (drifted * np.cos(way) + at[:, 1:] * np.sin(way)) + turn
        wave = np.sqrt(2.0 / _CLOUD_WAVES) * np.cos(phase).sum(axis=1)
        return np.asarray(sky.patches_mag * np.maximum(1.0 + wave, 0.0))

    def _motion(self) -> _Motion:
        """The motion as few points as will do: two for each piece of it."""
        ticks = self.ticks()
        marks = self.apparent_at(np.vstack([self.optics.centre, self.optics.corners]), self.mid_s)
        path = self.path(marks, ticks)
        steps = np.linalg.norm(np.diff(path, axis=1), axis=-1)
        along = np.concatenate([[0.0], np.cumsum(np.nanmax(steps, axis=0))])
        new = np.flatnonzero(np.diff(np.floor(along / _PIECE_PX)))
        edges = np.unique(
            np.concatenate(
                [
                    [self.begin_s, self.end_s],
                    (ticks[new] + ticks[new + 1]) / 2.0,
                    self.tracker.breaks(self.begin_s, self.end_s),
                ]
            )
        )
        # Gauss-Legendre points: an even motion keeps its exact second moment.
        middle, span = (edges[1:] + edges[:-1]) / 2.0, np.diff(edges)
        times = np.stack([middle - span / np.sqrt(12.0), middle + span / np.sqrt(12.0)], 1).ravel()
        clear = 10.0 ** (-0.4 * self.extinction_mag(times))
        weights = np.repeat(span, 2) / 2.0 / self.run.exposure_s * clear
        at_times = self.path(marks, times)
        extent = float(np.ptp(at_times[0], axis=0).max())
        if times.size <= _MANY:
            group = np.arange(times.size)
        else:
            # A shaken camera comes by the same places again and again: draw each once. The
            # corners' own motion is looked at too, so that a turn is not taken for rest.
            turning = at_times[1:] - at_times[:1]
            turning -= turning[:, :1]
            turning = turning[np.isfinite(turning).all(axis=(1, 2))]
            seen = np.concatenate([at_times[:1], turning])
            cells = np.round(np.moveaxis(seen, 1, 0).reshape(times.size, -1) / _CELL_PX)
            _, group = np.unique(cells.astype(np.intp), axis=0, return_inverse=True)
        return _Motion(times, weights, group.ravel(), extent)

    def _places(self, apparent: Floats, motion: _Motion) -> tuple[Floats, Floats]:
        """Places (n, k, 2) of stars and their weights (k,): the path, repeated places merged."""
        path = self.path(apparent, motion.times_s)
        groups = int(motion.group.max()) + 1
        if groups == motion.times_s.size:
            return path, motion.weights
        merge = np.zeros((motion.times_s.size, groups))
        merge[np.arange(motion.times_s.size), motion.group] = motion.weights
        weights = merge.sum(axis=0)
        return np.einsum("ntc,tk->nkc", path, merge / weights, optimize=True), weights

    def _stars(self) -> Stars:
        """Every star that may touch the picture."""
        ra, dec = self.place_at(self.optics.centre[None], self.mid_s)
        corner = self.optics.directions(self.optics.corners)[:, 2].min()
        sweep = 0.0
        if self.run.tracking != "sidereal":
            sweep = self.run.exposure_s * 15.05 / 3600.0
        radius = float(np.degrees(np.arccos(corner))) * 1.03 + 0.05 + sweep
        found = stars_within(float(ra[0]), float(dec[0]), radius)
        if self.night.faint_to_mag > 10.0:
            found = found.joined(self._faint())
        return found

    def _faint(self) -> Stars:
        """Invented stars of the run: the same ones in each of its frames."""
        first = DrawnExposure(self.night, self.run_index, 0)
        last = DrawnExposure(self.night, self.run_index, self.run.frames - 1)
        corner = self.optics.directions(self.optics.corners)[:, 2].min()
        (ra_a, dec_a), (ra_b, dec_b) = (
            e.place_at(self.optics.centre[None], e.mid_s) for e in (first, last)
        )
        apart = np.hypot((ra_b - ra_a + 180.0) % 360.0 - 180.0, dec_b - dec_a)[0]
        radius = min(float(np.degrees(np.arccos(corner)) * 1.1 + 1.0 + apart), 90.0)
        return invented_faint_stars(
            float(ra_a[0]),
            float(dec_a[0]),
            radius,
            self.night.faint_to_mag,
            self.night.seed * 1000 + self.run_index,
        )

    def sky_electrons(self) -> float:
        """Green sky electrons of a sample in the middle of the picture."""
        sky = self.night.sky
        level = PHOTONS_OF_MAG_0 * 10.0 ** (-0.4 * sky.mag_arcsec2) * self.optics.scale_arcsec_px**2
        now = np.array([self.mid_s])
        level *= float(_between(sky.brightening, now, outside=None)[0])
        level *= 1.0 + 0.2 * float(self.extinction_mag(now)[0])  # cloud is lit from below
        return float(level * self._electrons_per_photon())

    def star_light(self, g_mag: Floats, apparent: Floats) -> tuple[Floats, Floats]:
        """Altitude, rad, and green electrons of stars through the air of a clear sky.

        Both of shape (n,); of the whole exposure, without the lens's vignetting.
        """
        above = self.dome.above(apparent, np.array([self.mid_s]))[:, 0]
        altitude = np.arcsin(np.clip(above @ self.dome.zenith, -1, 1))
        airmass = 1.0 / np.maximum(np.sin(altitude), 0.1)
        dimmed = g_mag + self.night.sky.extinction_mag_per_airmass * airmass
        light = PHOTONS_OF_MAG_0 * 10.0 ** (-0.4 * dimmed) * self._electrons_per_photon()
        return altitude, light

    def _electrons_per_photon(self) -> float:
        """Electrons of the exposure for one photon per second and cm^2 of front lens."""
        lens = self.run.lens
        opening_cm2 = np.pi / 4.0 * (lens.focal_mm / lens.fnumber / 10.0) ** 2
        return float(opening_cm2 * lens.throughput * self.run.exposure_s)

    def draw(self) -> Samples:
        """The mosaic, shape (height, width), uint16."""
        body = self.night.body
        rng = np.random.default_rng([self.night.seed, self.run_index, self.frame, 3])
        electrons = _dark(body, self.run.exposure_s, rng)
        if self.run.kind == "light":
            self._draw_light(electrons, rng)
        elif self.run.kind == "flat":
            electrons += self._even(0.4 * (body.white - body.black) * body.gain_e_per_dn, 0.0)
        return expose(
            electrons,
            rng,
            read_noise_e=body.read_noise_e,
            gain_e_per_dn=body.gain_e_per_dn,
            black=body.black,
            white=body.white,
        )

    def _draw_light(self, electrons: NDArray[np.float32], rng: np.random.Generator) -> None:
        """Sky, stars and streaks of a light frame."""
        body = self.night.body
        sky = self.sky_electrons()
        even = self._even(sky, self.night.sky.gradient)
        electrons += even * self._lit_patches() if self.night.sky.patches_mag else even
        noise = float(np.sqrt(sky + body.read_noise_e**2))
        stars = self._stars()
        apparent = self.dome.apparent(stars.ra_rad, stars.dec_rad, self.mid_s)
        altitude, light = self.star_light(stars.g_mag, apparent)
        place = self.path(apparent, np.array([self.mid_s]))[:, 0]
        motion = self._motion()
        sigma = self.run.lens.fwhm_px / FWHM_OVER_SIGMA
        area = 4.0 * np.pi * sigma**2 + 2.0 * np.sqrt(np.pi) * sigma * motion.extent_px
        faintest = _FAINTEST_SNR * noise * np.sqrt(area)
        use = (altitude > 0.0) & np.isfinite(place[:, 0]) & (light > faintest)
        apparent, place, light = apparent[use], place[use], light[use]
        light = light * self.optics.brightness(place)
        light = light * 10.0 ** (-0.4 * self.patches_mag(place))
        redder = stars.bp_rp[use] - 0.8
        # One magnitude of BP - RP changes red against blue by about as much (invented split).
        colour = np.stack(
            [10.0 ** (0.2 * redder), np.ones_like(redder), 10.0 ** (-0.2 * redder)], 1
        )
        rows = max(int(2e6) // motion.times_s.size, 1)
        for begin in range(0, place.shape[0], rows):
            part = slice(begin, begin + rows)
            places, weights = self._places(apparent[part], motion)
            smear = Smear(
                places,
                weights,
                self.optics.shape(place[part], self.hours_into_run),
                self.run.lens.beta,
                light[part, None] * colour[part] * np.array(TINTS),
            )
            add_stars(electrons, smear, body.pattern, noise)
        self._add_streaks(electrons, noise, rng)

    def _lit_patches(self) -> NDArray[np.float32]:
        """How much brighter broken cloud makes each sample's sky, lit from below."""
        body = self.night.body
        coarse_y, coarse_x = (np.arange(0, side + 8, 8) for side in (body.height_px, body.width_px))
        y, x = np.meshgrid(coarse_y, coarse_x, indexing="ij")
        mags = self.patches_mag(np.stack([x.ravel(), y.ravel()], 1).astype(np.float64))
        whole = np.repeat(np.repeat(mags.reshape(y.shape), 8, axis=0), 8, axis=1)
        return (1.0 + 0.2 * whole[: body.height_px, : body.width_px]).astype(np.float32)

    def _add_streaks(
        self, electrons: NDArray[np.float32], noise: float, rng: np.random.Generator
    ) -> None:
        """Satellites that cross the whole picture."""
        optics = self.optics
        for _ in range(rng.poisson(self.night.sky.satellites_per_h * self.run.exposure_s / 3600.0)):
            through = rng.uniform([0.0, 0.0], [optics.width_px, optics.height_px])
            angle = rng.uniform(0.0, np.pi)
            reach = 2.0 * optics.half_diagonal_px
            along = np.arange(-reach, reach, 0.5)
            place = through + along[:, None] * np.array([np.cos(angle), np.sin(angle)])
            light = np.full((along.size, 1), 0.5 * noise * rng.uniform(5.0, 40.0))
            smear = Smear(
                place[:, None, :],
                np.ones(1),
                optics.shape(place, self.hours_into_run),
                self.run.lens.beta,
                light * np.array(TINTS),
            )
            add_stars(electrons, smear, self.night.body.pattern, noise)

    def _even(self, level: float, gradient: float) -> NDArray[np.float32]:
        """Light of an even or tilted surface through the lens, green level in the middle."""
        body, optics = self.night.body, self.optics
        y, x = np.ogrid[: body.height_px, : body.width_px]
        off_x = (x - optics.centre[0]) / optics.half_diagonal_px
        off_y = (y - optics.centre[1]) / optics.half_diagonal_px
        light = optics.brightness_at(off_x**2 + off_y**2).astype(np.float32)
        light *= level * (1.0 + gradient * (y - optics.centre[1]) / (body.height_px / 2.0))
        colours = mosaic_of(body.pattern)
        for row in range(2):
            for column in range(2):
                light[row::2, column::2] *= TINTS[colours[row, column]]
        return light


def _towards_position_angle(sight: Floats, angle_rad: float) -> Floats:
    """Unit vector across the line of sight at an angle from north through east."""
    pole = np.array([0.0, 0.0, 1.0])
    east = np.cross(pole, sight)
    east /= np.linalg.norm(east)
    north = np.cross(sight, east)
    return np.asarray(np.cos(angle_rad) * north + np.sin(angle_rad) * east)


def _between(table: tuple[tuple[float, float], ...], at_s: Floats, outside: float | None) -> Floats:
    """Straight between (time, value) pairs; `outside` beyond them, None holds the end (or 1)."""
    at = np.asarray(at_s, dtype=np.float64)
    if not table:
        return np.full(at.shape, 1.0 if outside is None else outside)
    times, values = np.array(table, dtype=np.float64).T
    return np.asarray(np.interp(at, times, values, left=outside, right=outside))


@lru_cache(maxsize=4)
def _hot_pixels(body: Body) -> tuple[NDArray[np.intp], Floats]:
    """Flat indices and electrons per second of the hot pixels of a body."""
    rng = np.random.default_rng([*body.serial.encode(), 17])
    where = rng.choice(body.width_px * body.height_px, body.hot_pixels, replace=False)
    return where, rng.lognormal(1.5, 1.2, body.hot_pixels)


def _dark(body: Body, exposure_s: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Expected electrons without light: dark current, hot pixels, a few cosmic hits."""
    electrons = np.full(
        (body.height_px, body.width_px), body.dark_e_per_s * exposure_s, dtype=np.float32
    )
    where, rate = _hot_pixels(body)
    flat = electrons.reshape(-1)
    flat[where] += (rate * exposure_s).astype(np.float32)
    area_cm2 = flat.size * body.pixel_um**2 * 1e-8
    hits = rng.poisson(_HITS_PER_CM2_S * area_cm2 * exposure_s)
    flat[rng.integers(0, flat.size, hits)] += rng.exponential(1500.0, hits).astype(np.float32)
    return electrons


def without_faults(mount: Mount) -> Mount:
    """The same tracker, perfect."""
    return Mount(name=mount.name)
