"""All pointings of one setup -> the tracker's axis, rate, periodic error, and the head's slip.

A tracker that follows the sky exactly turns the camera about the true pole at the rate of
the Earth. What its pointings leave over that is a rotation that grows with time; in
axes fixed to the Earth (X meridian at the equator, Y east, Z pole) a wrong axis and a wrong
rate make it grow along one constant direction, -omega (u, v, epsilon) [1]_, for every lens
and target alike: the tracker's own rotation is -omega (u, v, 1 + epsilon). So
the fit is linear: each pointing has its own start, the setup has one axis and one rate, and a
periodic error (about Z), a slipping head (downwards, from an onset) and an elastic one (with
the change of gravity) are added where the evidence asks for them.

Refraction is not in the way: pointings are measured against refracted star places.

References
----------
.. [1] Barrett 2016, *Measuring Polar Axis Alignment Error*, for the signs.
"""

from skyplumb.judge.mount.by_trails import NO_TRAILS, what_it_may_be
from skyplumb.judge.mount.fit import IMPOSSIBLE_TIMES, fit_mount, fit_plain, pointings_of
from skyplumb.judge.mount.paths import motion_terms, time_mean
from skyplumb.judge.mount.result import HALF_SPEED, MountFit, Periodic
from skyplumb.judge.mount.samples import FEWEST_FRAMES, samples_of
from skyplumb.judge.mount.trails import Trail

__all__ = [
    "FEWEST_FRAMES",
    "HALF_SPEED",
    "IMPOSSIBLE_TIMES",
    "NO_TRAILS",
    "MountFit",
    "Periodic",
    "Trail",
    "fit_mount",
    "fit_plain",
    "motion_terms",
    "pointings_of",
    "samples_of",
    "time_mean",
    "what_it_may_be",
]
