"""The small picture shows what stands where."""

from __future__ import annotations

import numpy as np
import pytest

from skyplumb.measure.thumbnail import LONG_SIDE_PX, thumbnail_of


@pytest.mark.parametrize("shape", [(400, 600), (1001, 777), (90, 120)])
def test_a_bright_corner_stays_in_its_corner(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(1).normal(100, 3, shape).astype(np.float32)
    picture[: shape[0] // 3, : shape[1] // 4] += 50
    small = thumbnail_of(picture)
    assert max(small.shape) <= LONG_SIDE_PX
    rows, columns = small.shape
    bright = small[: rows // 3 - 1, : columns // 4 - 1]
    assert bright.mean() > small[rows // 2 :, columns // 2 :].mean() + 80
    # Both keep the picture's proportions, but for the blocks cut off at the edges.
    assert rows / columns == pytest.approx(shape[0] / shape[1], rel=0.05)


def test_an_even_picture_has_a_thumbnail_and_no_warning() -> None:
    assert thumbnail_of(np.full((300, 300), 7.0, np.float32)).max() == 0
