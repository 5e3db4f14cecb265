"""What is said of the shapes of some drawn stars, held to the digit.

Truth is held elsewhere (`measure/test_shapes.py`): this is what was said when it was saved, of
round and trailed, faint and empty, coloured and cut stamps, so that no change of a number goes
unseen. `python -m tests.saved_shapes` saves it anew, where a change is meant.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.measure.shapes import (
    axes,
    fit_gaussians,
    fwhm_px,
    moment_excess,
    profile_kurt,
    trail_length_px,
)

from .saved_skies import as_saved

Floats = NDArray[np.float64]

SAVED = Path(__file__).parent / "data" / "shapes.json"
SIZE = 15
STARS = (
    # mxx, myy, mxy, x, y, height, wings
    (1.4, 1.4, 0.0, 0.0, 0.0, 1000.0, 0.0),
    (1.1, 2.3, 0.6, 0.4, -0.3, 800.0, 0.2),
    (9.0, 4.0, -4.5, -0.7, 0.9, 300.0, 0.1),
    (20.0, 20.0, 19.95, 0.2, 0.1, 500.0, 0.0),
    (0.3, 0.25, 0.02, 0.3, 0.45, 2000.0, 0.3),
    (2.0, 2.2, 0.3, 3.6, -0.2, 60.0, 0.0),
    (1.5, 1.6, -0.2, 0.1, 0.2, 8.0, 0.0),
    (0.02, 0.02, 0.0, 0.1, 0.0, 300.0, 0.0),
    (1.5, 1.5, 0.0, 0.0, 0.0, 0.0, 0.0),
    (1.5, 1.5, 0.0, 0.0, 0.0, -40.0, 0.0),
)
NOISE = 4.0


def stamps() -> NDArray[np.float32]:
    """The stars in noise, to 1/64 of a unit so that no processor rounds them otherwise."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE // 2
    out = []
    for mxx, myy, mxy, x0, y0, height, wings in STARS:
        u, v = x - x0, y - y0
        r2 = (myy * u * u - 2 * mxy * u * v + mxx * v * v) / (mxx * myy - mxy**2)
        star = height * ((1 - wings) * np.exp(-r2 / 2) + wings / (1 + r2) ** 2)
        out.append(np.round((star + rng.normal(0, NOISE, r2.shape)) * 64) / 64)
    return np.array(out, np.float32)


def mosaics() -> dict[str, NDArray[np.int8]]:
    """Colour classes: one, three of a mosaic, one of four sites, and stamps cut at an edge."""
    y, x = np.mgrid[:SIZE, :SIZE]
    one = np.zeros((len(STARS), SIZE, SIZE), np.int8)
    three, sites, cut = one.copy(), one - 1, one.copy()
    three[:] = (y % 2) + (x % 2)
    sites[:, (y + x) % 2 == 0] = 0
    cut[1::2, :, :5] = -1
    return {"one": one, "three": three, "sites": sites, "cut": cut}


def answers() -> dict[str, Any]:
    """All that is said of them."""
    told: dict[str, Any] = {}
    for name, classes in mosaics().items():
        start = np.tile([2.0, 2.2, 0.1], (len(STARS), 1))
        begin = np.tile([0.2, -0.1], (len(STARS), 1))
        noise = NOISE if name == "one" else np.full(len(STARS), NOISE)
        fits = fit_gaussians(stamps(), classes, noise, start, begin)
        told[name] = {field: getattr(fits, field) for field in fits.__slots__}
    grid = [np.array(one) for one in zip(*((e, a, k) for e in (-0.3, 0.0, 0.4, 3.0, 40.0)
            for a in (0.5, 2.0) for k in (1.7, 2.0, 2.12, 2.6)), strict=True)]  # fmt: skip
    told["laws"] = {
        "trail_length_px": trail_length_px(*grid),
        "moment_excess": moment_excess(np.abs(grid[0]), *grid[1:]),
        "profile_kurt": profile_kurt(grid[2], np.abs(grid[0])),
        "fwhm_px": fwhm_px(*grid[1:]),
        "axes": axes(np.array([one[:3] for one in STARS])),
    }
    return dict(as_saved(told))


def main() -> None:
    """Save."""
    SAVED.write_text(json.dumps(answers(), indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
