"""Detections in a row: the flashes of an aircraft, the pieces of a satellite's trail."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BRIGHTEST = 30
LEAST_IN_ROW = 6
"""Of thirty stars at random places six lie so nearly in a row in one frame of several hundred."""
REACH_PX, REACH_OF_DIAGONAL = 3.0, 0.0015
MOST_ROWS = 4


def in_a_row(x_px: Floats, y_px: Floats, diagonal_px: float) -> npt.NDArray[np.bool_]:
    """Which detections, given brightest first, lie in a row that chance does not make.

    Rows are looked for among the brightest; whatever else lies in them goes along.
    """
    found = np.zeros(len(x_px), dtype=bool)
    reach = min(REACH_PX, REACH_OF_DIAGONAL * diagonal_px)
    for _ in range(MOST_ROWS):
        left = np.flatnonzero(~found)[:BRIGHTEST]
        if len(left) < LEAST_IN_ROW:
            break
        x, y = x_px[left], y_px[left]
        first, second = np.triu_indices(len(left), 1)
        dx, dy = x[second] - x[first], y[second] - y[first]
        length = np.hypot(dx, dy)
        apart = length > 20.0 * reach
        first, dx, dy = first[apart], dx[apart] / length[apart], dy[apart] / length[apart]
        if not len(first):
            break
        off = np.abs((x[None, :] - x[first, None]) * dy[:, None]
                     - (y[None, :] - y[first, None]) * dx[:, None])  # fmt: skip
        count = np.count_nonzero(off < reach, axis=1)
        best = int(np.argmax(count))
        if count[best] < LEAST_IN_ROW:
            break
        start = first[best]
        found |= np.abs((x_px - x[start]) * dy[best] - (y_px - y[start]) * dx[best]) < reach
    return found
