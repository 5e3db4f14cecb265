"""The laws that turn fitted moments into widths and trail lengths, derived anew.

`python -m tests.bench.shape_laws` draws trailed stars of known profile with a public image
simulator, fits them as the program does, and regresses the constants that stand in
`skyplumb.measure.shapes`: each beside today's value, with the worst error each law leaves.
Nothing is written.
"""

from __future__ import annotations

from itertools import product

import galsim
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from skyplumb.measure import shapes

from .tables import Table

SIZE = 61
FWHM_PX = (2.6, 3.2, 4.0, 5.0)
BETAS = (2.5, 3.0, 4.0, 6.0, np.inf)
"""Of Moffat's profile; infinite for a Gaussian."""
TRAILS_PX = (0.0, 0.7, 1.5, 2.5, 4.0, 6.0, 8.0)
ANGLE_DEG = 30.0
LONGEST_FOR_PROFILE = 2.0
"""Stretch, (larger - smaller) / smaller moment, up to which the profile's law is asked."""


def drawn(fwhm_px: float, beta: float, trail_px: float) -> NDArray[np.float32]:
    """One star with the pixel's own box inside, shape (SIZE, SIZE)."""
    profile = galsim.Gaussian if np.isinf(beta) else galsim.Moffat
    words = {"fwhm": fwhm_px} | ({} if np.isinf(beta) else {"beta": beta})
    star = profile(**words)
    if trail_px > 0:
        line = galsim.Box(trail_px, 1e-3).rotate(ANGLE_DEG * galsim.degrees)
        star = galsim.Convolve(star, line)
    picture = star.drawImage(nx=SIZE, ny=SIZE, scale=1.0, dtype=np.float32)
    return np.asarray(picture.array) * 1e4


def fitted() -> pd.DataFrame:
    """A row a star: what was drawn, and what the fit says of it."""
    cases = list(product(FWHM_PX, BETAS, TRAILS_PX))
    stamps = np.stack([drawn(*case) for case in cases])
    table = pd.DataFrame(cases, columns=["fwhm_px", "beta", "trail_px"])
    round_part = (table["fwhm_px"] / shapes.SIGMA_TO_FWHM) ** 2 + table["trail_px"] ** 2 / 24
    start = np.column_stack([round_part, round_part, np.zeros(len(table))])
    fit = shapes.fit_gaussians(
        stamps, np.zeros(stamps.shape, np.int8), 1e-2, start, np.zeros((len(cases), 2))
    )
    larger, smaller, _ = shapes.axes(fit.moments)
    table = table.assign(excess=larger - smaller, across=smaller, kurt=fit.kurt)
    still = table[table["trail_px"] == 0].set_index(["fwhm_px", "beta"])
    untrailed = pd.MultiIndex.from_frame(table[["fwhm_px", "beta"]])
    return table.assign(
        kurt0=still["kurt"].loc[untrailed].to_numpy(),
        round0=still["across"].loc[untrailed].to_numpy(),
        stretch=table["excess"] / table["across"],
    )


def main() -> None:
    """Draw, fit, regress, print."""
    stars = fitted()
    rows: list[tuple[str, ...]] = []

    still = stars[stars["trail_px"] == 0]
    pixel = 1 / 12
    narrow = still["fwhm_px"] / (shapes.SIGMA_TO_FWHM * np.sqrt(still["round0"] - pixel))

    def width(kurt: pd.Series, slope: float) -> pd.Series:
        return 1 - slope * (kurt - shapes.GAUSSIAN_KURT)

    (slope,), _ = curve_fit(width, still["kurt0"], narrow)
    found = shapes.fwhm_px(still["round0"] - pixel, still["kurt0"])
    error = np.abs(found / still["fwhm_px"] - 1).max()
    rows.append(("width: 1 - a (kurt - 2)", "a", f"{slope:.2f}", "0.66", f"{error:.1%} of FWHM"))

    trailed = stars[stars["trail_px"] > 0]
    kappa = 12 * trailed["excess"] / trailed["trail_px"] ** 2

    def stretch_law(
        told: NDArray[np.float64], rise: float, most: float, bend: float
    ) -> NDArray[np.float64]:
        kurt, ratio = told
        first = 1 + rise * (kurt - shapes.GAUSSIAN_KURT)
        return np.asarray(most - (most - first) / (1 + ratio / bend))

    told = np.stack([trailed["kurt0"], trailed["stretch"]])
    law, _ = curve_fit(stretch_law, told, kappa, p0=(1.1, 1.5, 1.5))
    length = shapes.trail_length_px(trailed["excess"], trailed["across"], trailed["kurt0"])
    error = np.abs(length - trailed["trail_px"]).max()
    for name, one, now in zip(
        ("kappa0 = 1 + a (kurt - 2): a", "kappa of a long trail", "stretch of half the way"),
        law,
        ("1.14", "1.50", "1.50"),
        strict=True,
    ):
        rows.append(("trail: length^2 = 12 excess / kappa", name, f"{one:.2f}", now, ""))
    rows[-1] = (*rows[-1][:-1], f"{error:.2f} px of 0.7 to 8")

    short = trailed[trailed["stretch"] < LONGEST_FOR_PROFILE]

    def flatter(told: NDArray[np.float64], fixed: float, wings: float) -> NDArray[np.float64]:
        kurt, ratio = told
        g = ratio / (1 + ratio / 4)
        return np.asarray(kurt - (fixed + wings * (kurt - shapes.GAUSSIAN_KURT)) * g)

    told = np.stack([short["kurt0"], short["stretch"]])
    law, _ = curve_fit(flatter, told, short["kurt"], p0=(0.05, 0.3))
    back = shapes.profile_kurt(short["kurt"].to_numpy(), short["stretch"].to_numpy())
    error = np.abs(back - short["kurt0"]).max()
    for name, one, now in zip(("a", "b"), law, ("0.05", "0.30"), strict=True):
        rows.append(("profile: kurt0 - (a + b (kurt0 - 2)) g", name, f"{one:.3f}", now, ""))
    rows[-1] = (*rows[-1][:-1], f"{error:.3f} of kurt0")

    print(
        Table(
            f"laws of shape, {len(stars)} drawn stars",
            ("law", "constant", "derived", "today's", "worst error of today's law"),
            rows,
        ).text()
    )


if __name__ == "__main__":
    main()
