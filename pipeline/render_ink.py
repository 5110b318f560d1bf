"""Lines, rings and letters on a BGR picture, large enough to read on a telephone. Colours of Okabe and Ito."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]  # B, G, R

WHITE: Colour = (255, 255, 255)
BLACK: Colour = (0, 0, 0)
PINK: Colour = (167, 121, 204)
PAPER: Colour = (24, 20, 18)
#: orange, sky blue, bluish green, yellow, vermilion, blue: apart in every kind of colour vision
SERIES: tuple[Colour, ...] = ((0, 159, 230), (233, 180, 86), (115, 158, 0), (66, 228, 240), (0, 94, 213), (178, 114, 0))
DASHES: tuple[tuple[float, float], ...] = ((1, 0), (26, 14), (8, 12), (44, 12), (16, 8), (4, 18))
_SHIFT = 4  # cv2's fixed point: sixteenths of a px


def path(
    picture: Picture, xy_px: NDArray[np.float64], colour: Colour, *, width: int, dash: tuple[float, float] = (1, 0)
) -> None:
    """A line with a dark edge; ``dash``: px drawn and left out."""
    import cv2

    for piece in _pieces(xy_px, dash):
        points = [np.round(piece * 2**_SHIFT).astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(picture, points, False, BLACK, width + 4, cv2.LINE_AA, _SHIFT)
    for piece in _pieces(xy_px, dash):
        points = [np.round(piece * 2**_SHIFT).astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(picture, points, False, colour, width, cv2.LINE_AA, _SHIFT)


def ring(picture: Picture, xy_px: NDArray[np.float64], radius: float, colour: Colour, *, width: int) -> None:
    """A ring with a dark edge."""
    import cv2

    centre = (round(float(xy_px[0]) * 2**_SHIFT), round(float(xy_px[1]) * 2**_SHIFT))
    cv2.circle(picture, centre, round(radius * 2**_SHIFT), BLACK, width + 3, cv2.LINE_AA, _SHIFT)
    cv2.circle(picture, centre, round(radius * 2**_SHIFT), colour, width, cv2.LINE_AA, _SHIFT)


def text(
    picture: Picture, words: str, at: tuple[float, float], *, size: int, colour: Colour = WHITE, boxed: bool = True,
    anchor: str = "lm",
) -> None:
    """Letters ``size`` px high, kept inside the picture, cut short where they are wider than it.

    anchor : l, m or r, then t, m or b, as to ``at``
    """
    words = shortened(words, size, picture.shape[1] - 2 * _pad(size))
    alpha = _letters(words, size)
    height, width = alpha.shape
    pad = _pad(size) if boxed else 0
    x = at[0] - {"l": 0, "m": width / 2, "r": width}[anchor[0]]
    y = at[1] - {"t": 0, "m": height / 2, "b": height}[anchor[1]]
    x0 = int(min(max(x, pad), picture.shape[1] - width - pad))
    y0 = int(min(max(y, pad), picture.shape[0] - height - pad))
    if x0 < 0 or y0 < 0:  # larger than the picture
        return
    if boxed:
        region = picture[y0 - pad : y0 + height + pad, x0 - pad : x0 + width + pad]
        region[:] = (region * 0.3).astype(np.uint8)
    region = picture[y0 : y0 + height, x0 : x0 + width]
    share = alpha[..., None]
    region[:] = (region * (1 - share) + np.array(colour) * share).astype(np.uint8)


def shortened(words: str, size: int, width: float) -> str:
    """The words, cut short where they are wider than so many px."""
    while text_width(words, size) > width and len(words) > 2:
        words = words.rstrip("…")[:-1] + "…"
    return words


def text_width(words: str, size: int) -> int:
    """Px that the words take."""
    return int(_letters(words, size).shape[1])


def box_size(words: str, size: int) -> tuple[int, int]:
    """Width and height in px of the box behind the words."""
    height, width = _letters(words, size).shape
    pad = _pad(size)
    return width + 2 * pad, height + 2 * pad


def _pad(size: int) -> int:
    return round(size * 0.3)


def _pieces(xy: NDArray[np.float64], dash: tuple[float, float]) -> Sequence[NDArray[np.float64]]:
    """The parts of a polyline that a dash pattern draws."""
    if len(xy) < 2:
        return []
    if dash[1] <= 0:
        return [xy]
    steps = np.hypot(*np.diff(xy, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    keep = np.concatenate([[True], steps > 1e-9])
    along, xy = along[keep], xy[keep]
    out = []
    for start in np.arange(0.0, along[-1], sum(dash)):
        stop = min(start + dash[0], along[-1])
        at = np.concatenate([[start], along[(along > start) & (along < stop)], [stop]])
        out.append(np.column_stack([np.interp(at, along, xy[:, 0]), np.interp(at, along, xy[:, 1])]))
    return out


@lru_cache(maxsize=512)
def _letters(words: str, size: int) -> NDArray[np.float64]:
    """(H, W) coverage 0-1 of the words."""
    from PIL import Image, ImageDraw

    font = _font(size)
    left, _, right, _ = font.getbbox(words)
    image = Image.new("L", (max(1, round(right - left)) + 2, round(size * 1.15)), 0)
    ImageDraw.Draw(image).text((1 - left, size * 0.5), words, fill=255, font=font, anchor="lm")
    return np.asarray(image, dtype=float) / 255


@lru_cache(maxsize=16)
def _font(size: int) -> Any:
    """The bold face that comes with matplotlib: it has every sign used here."""
    import matplotlib
    from PIL import ImageFont

    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"), size)
