"""How sure a named cause is: a logistic law in the evidence, learnt on drawn nights.

The law answers the chance that the cause named is the one that cost the frame most. Its six
numbers are the output of `python -m tests.bench.confidence`, which draws nights of one to
three faults by lot, judges them and regresses right and wrong on the evidence below; nights of
other numbers then say how well it holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.records import NAN

LEAST_NAMED = 0.4
"""A cause less sure than this would rather be wrong than right, and is not named."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the confidence in one frame's cause is drawn from."""

    lead: float
    """Share of the cause less that of the next one, 0..1."""
    local: bool
    """The cause acts on this frame alone: wind or a knock."""
    site_missing: bool
    """The cause needs to know which way is down, and nothing says so."""
    mount_missing: bool
    """The cause is judged against the mount's motion, and too few frames tell of it."""
    log_misfit: float
    """Logarithm of the mount fit's misfit, 0 where it leaves what its errors explain."""

    def terms(self) -> NDArray[np.float64]:
        """Shape (6,): the regression's row, a constant first, then as the fields stand."""
        return np.array(
            [1, self.lead, self.local, self.site_missing, self.mount_missing, self.log_misfit],
            float,
        )


LAW = np.array([0.80, 2.83, -0.39, -1.34, -2.82, -0.49])
"""Log odds for each of `Evidence.terms`."""


def confidence(evidence: Evidence | None) -> float:
    """Chance that the cause named is the frame's largest, 0..1; NaN without evidence."""
    return NAN if evidence is None else float(1 / (1 + np.exp(-(LAW @ evidence.terms()))))
