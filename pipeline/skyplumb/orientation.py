"""How a picture lies for those who look at it: the orientation that its file tells.

Numbers and angles are the sensor's own, so that the frames of a run compare whichever way the
camera was held; what a person reads of edges, and the small picture they look at, is turned.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_SEEN = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}
"""Right and down as they are seen, in right and down of the array, by EXIF's orientation."""
_EDGES = {(1, 0): "right", (-1, 0): "left", (0, 1): "lower", (0, -1): "upper"}


def edge_seen(edge: str, orientation: int) -> str:
    """Which edge of the viewed picture an edge of the array is: right, left, lower or upper.

    An unknown orientation (0) is that of the array.
    """
    way = next(way for way, name in _EDGES.items() if name == edge)
    return _EDGES[tuple((_turn(orientation) @ way).tolist())]


def picture_seen(picture: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The array, shape (height, width), as it is viewed."""
    turn = _turn(orientation)
    seen = picture.T if turn[0, 0] == 0 else picture
    return seen[:: turn[1].sum(), :: turn[0].sum()]


def places_seen(
    places: NDArray[np.float32], size: tuple[int, int], orientation: int
) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Places (x, y) in an array of so many columns and rows -> in the viewed picture.

    Returns
    -------
    ndarray, shape (n, 2)
        The places, px.
    (int, int)
        Width and height of the viewed picture.
    """
    turn = _turn(orientation)
    middle = (np.array(size) - 1) / 2
    width, height = (abs(turn) @ size).tolist()
    seen = (np.asarray(places, float).reshape(-1, 2) - middle) @ turn.T
    return seen + (np.array([width, height]) - 1) / 2, (width, height)


def _turn(orientation: int) -> NDArray[np.intp]:
    return np.array(_SEEN.get(orientation, _SEEN[1]))
