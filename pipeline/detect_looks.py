"""What a ball looks like: brightness, colour, how white, and whether plain cloth surrounds it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Patch, sample_chroma, sample_luma
from pipeline.detect_search import ClothSearch

Array = NDArray[np.float64]
_RINGS = (0.25, 0.5, 0.75)


def looks(patches: list[Patch], xy_mm: Array, picture: BallPicture, search: ClothSearch, full_range: bool) -> Array:
    """(N, 5) clear_share, luma, cb, cr, white_share of balls at these places.

    The luma is a median of the disc within three quarters of its radius; a place counts as white when it is bright
    beside the ball's brightest and nearly colourless.
    """
    centres = picture.centres(xy_mm)
    outline, _ = picture.outlines(xy_mm, 24)
    arms = outline - centres[:, None]
    inside = np.concatenate([centres[:, None]] + [centres[:, None] + share * arms[:, ::3] for share in _RINGS], axis=1)
    gain, zero = (1.0, 0.0) if full_range else (255 / 219, 16.0)
    luma = (sample_luma(patches, inside) - zero) * gain
    cb, cr = sample_chroma(patches, inside) - 128
    white = (luma > 0.55 * np.percentile(luma, 95, axis=1, keepdims=True)) & (luma > 60) & (np.hypot(cb, cr) < 24)
    around = centres[:, None] + 1.45 * arms
    cells = np.rint(search.to_cells(around)).astype(int)
    cells = np.clip(cells, 0, np.array(search.cells) - 1)
    assert search.cloth is not None
    assert search.sigma is not None
    cloth = np.moveaxis(search.cloth[cells[..., 1], cells[..., 0]], -1, 0)
    seen = np.concatenate([sample_luma(patches, around)[None], sample_chroma(patches, around)])
    off = (seen - cloth) / (3 * search.sigma[:, None, None])
    clear = (np.abs(off[1:]) < 2.5).all(axis=0) & (off[0] < 3) & (off[0] > -8)  # a shadow only darkens
    return np.column_stack([
        clear.mean(axis=1), np.median(luma, axis=1), np.median(cb, axis=1), np.median(cr, axis=1), white.mean(axis=1)
    ])
