"""Figures of the measures of small fixed files, kept with the version that measured them.

The same file must give the same measure for as long as `MEASURE_VERSION` stays, or a store would
mix two ways of measuring. Means rather than a hash of the bytes: another machine's arithmetic
differs in the last bit, and a hash would tell that from nothing.

    python tests/golden.py        write the figures anew, after MEASURE_VERSION was raised
"""

from __future__ import annotations

import json
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from skyplumb.measure.flags import BIT
from skyplumb.measure.shot import measure_shot
from skyplumb.measure.store import MEASURE_VERSION

DATA = Path(__file__).parent / "data"
GOLDEN = DATA / "golden.json"
FILES = ("pole.fits", "rotation.fits", "solved.fits.fz", "unsolved.fits")


def figures(name: str) -> dict[str, Any]:
    """What is held of one file's measure; means are over the stars that were fitted."""
    measure = measure_shot(DATA / "real", PurePosixPath(name))
    fitted = measure.stars[(measure.stars["flags"] & BIT["unfit"]) == 0]
    means = {
        f"mean {column}": float(np.nanmean(fitted[column].astype(np.float64)))
        for column in (fitted.dtype.names or ())
        if len(fitted)
    }
    return {
        "kind": measure.kind,
        "stars": len(measure.stars),
        "stars found": measure.stars_found,
        "fitted": len(fitted),
        "trails": measure.trails,
        "hot pixels": measure.hot_pixels,
        "sky level": measure.sky_level,
        "noise": measure.noise,
        "mean star": float(measure.mean_star.sum(dtype=np.float64)),
        "crops": float(measure.crops.sum(dtype=np.float64)),
        **means,
    }


if __name__ == "__main__":
    told = {"MEASURE_VERSION": MEASURE_VERSION, "files": {name: figures(name) for name in FILES}}
    GOLDEN.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
