"""What a ball looks like: brightness, colour, how white, and whether plain cloth surrounds it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_median import median
from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic
from pipeline.detect_search import Cloth, ClothSearch

Array = NDArray[np.float64]
_RINGS = (0.25, 0.5, 0.75)


def looks(
    mosaic: Mosaic, of: NDArray[np.intp], xy_mm: Array, cloths: Sequence[Cloth], picture: BallPicture,
    search: ClothSearch, full_range: bool,
) -> Array:
    """(N, 5) clear_share, luma, cb, cr, white_share of balls at these places in the patches ``of`` these numbers.

    cloths : (N,) as the cloth was in each one's own frame: lamps flicker

    The luma is a median of the disc within three quarters of its radius; a place counts as white when it is bright
    beside the ball's brightest and nearly colourless.
    """
    centres = picture.centres(xy_mm)
    outline, _ = picture.outlines(xy_mm, 24)
    arms = outline - centres[:, None]
    around = centres[:, None] + 1.45 * arms
    inside = np.concatenate([centres[:, None]] + [centres[:, None] + share * arms[:, ::3] for share in _RINGS], axis=1)
    places = np.concatenate([inside, around], axis=1)
    on_ball, beside = np.split(mosaic.sample((places[..., 0], places[..., 1]), of=of), [inside.shape[1]], axis=2)
    gain, zero = (1.0, 0.0) if full_range else (255 / 219, 16.0)
    luma = (on_ball[:, 0] - zero) * gain
    cb, cr = on_ball[:, 1] - 128, on_ball[:, 2] - 128
    white = (luma > 0.55 * np.percentile(luma, 95, axis=1, keepdims=True)) & (luma > 60) & (np.hypot(cb, cr) < 24)
    cells = np.rint(search.to_cells(around)).astype(int)
    cells = np.clip(cells, 0, np.array(search.cells) - 1)
    places_of = zip(cloths, cells.swapaxes(1, 2), strict=True)
    colour = [cloth.colour[rows, columns].T for cloth, (columns, rows) in places_of]
    off = (beside - np.array(colour)) / (3 * np.array([cloth.sigma for cloth in cloths])[..., None])
    clear = (np.abs(off[:, 1:]) < 2.5).all(axis=1) & (off[:, 0] < 3) & (off[:, 0] > -8)  # a shadow only darkens
    return np.column_stack([clear.mean(axis=1), median(luma), median(cb), median(cr), white.mean(axis=1)])
