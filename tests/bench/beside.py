"""What a user would write instead: detection and shapes by photutils on the same frames.

`cost_tables` prints it beside the cost of an audit. The half-size green picture is what photutils
gets, a background by boxes, segments at five times its noise and their moments: what its own
guide shows. Its time holds no decoding; ours, beside it, is a whole measure of the same frame.
"""

from __future__ import annotations

import io
import time
import warnings
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

import numpy as np
import rawpy
from photutils.background import Background2D
from photutils.segmentation import SourceCatalog, detect_sources
from scipy.spatial import cKDTree

from skyplumb.measure.shot import measure_shot

from .tables import Table, aim

STRONG_SNR = 30.0
SAME_STAR_PX = 2.0


def beside_table(files: Sequence[Path]) -> Table:
    """Time and agreement on some frames."""
    theirs_s, ours_s, found, apart = [], [], [], []
    for file in files:
        with rawpy.imread(io.BytesIO(file.read_bytes())) as raw:
            samples = raw.raw_image_visible.astype(np.float32)
        begin = time.process_time()
        theirs = _by_photutils((samples[0::2, 1::2] + samples[1::2, 0::2]) / 2)
        middle = time.process_time()
        stars = measure_shot(file.parent, PurePosixPath(file.name)).stars
        ours_s.append(time.process_time() - middle)
        theirs_s.append(middle - begin)
        strong = stars[(stars["snr"] > STRONG_SNR) & (stars["flags"] == 0)]
        places = np.stack([strong["x"], strong["y"]], 1)
        distance, _ = cKDTree(theirs).query(places)
        found.append(float(np.mean(distance < SAME_STAR_PX)))
        apart.append(float(np.median(distance[distance < SAME_STAR_PX])))
    count = len(files)
    rows = [
        aim("photutils, s a frame without decoding", float(np.median(theirs_s)), None, of=count),
        aim("a whole measure, s a frame", float(np.median(ours_s)), None, of=count),
        aim(f"our stars of S/N over {STRONG_SNR:g} that it finds too, share",
            float(np.mean(found)), None, of=count),
        aim("  median distance of the two centres, px", float(np.median(apart)), None, of=count),
    ]  # fmt: skip
    return Table(
        "Beside photutils, processor time (medians)", ("what", "found", "aim", "", "of"), rows
    )


def _by_photutils(green: np.ndarray) -> np.ndarray:
    """Centres on the full mosaic, shape (n, 2)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sky = Background2D(green, (64, 64))
        above = green - sky.background
        segments = detect_sources(above, 5.0 * sky.background_rms, npixels=5)
        catalogue = SourceCatalog(above, segments)
        centres = np.stack([catalogue.xcentroid, catalogue.ycentroid], 1)
        catalogue.covariance  # noqa: B018 - the shapes, which we measure too
    # A half-size pixel holds the green sites of two by two samples.
    return np.asarray(2 * centres + 0.5)
