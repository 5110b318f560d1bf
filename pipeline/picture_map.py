"""Maps for cv2.remap, worked out on a coarse grid and drawn out between: a lens bends slowly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

GRID_PX = 16

Array = NDArray[np.float64]
PictureMap = tuple[NDArray[np.float32], NDArray[np.float32]]


def picture_map(size: tuple[int, int], source: Callable[[Array], Array]) -> PictureMap:
    """x and y, (H, W) px each, of where every pixel of a picture comes from.

    size   : width, height in px
    source : (N, 2) px of the picture -> (N, 2) px of the one that it is made from
    """
    width, height = size
    columns = np.arange(0, width + GRID_PX, GRID_PX, dtype=float)
    rows = np.arange(0, height + GRID_PX, GRID_PX, dtype=float)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    coarse = source(grid).reshape(len(rows), len(columns), 2)
    down, right = _between(height, len(rows)), _between(width, len(columns))
    map_x, map_y = ((down @ coarse[..., i] @ right.T).astype(np.float32) for i in (0, 1))
    return map_x, map_y


def _between(count: int, points: int) -> Array:
    """(count, points) weights that interpolate linearly between grid points GRID_PX apart."""
    at = np.arange(count) / GRID_PX
    low = np.minimum(at.astype(int), points - 2)
    weights = np.zeros((count, points))
    weights[np.arange(count), low] = 1 - (at - low)
    weights[np.arange(count), low + 1] = at - low
    return weights
