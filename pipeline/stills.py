"""A clean still picture of what a clip shows: the median of a few frames, which takes out most noise and what moves.

Of a camera that shakes it is one frame.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.frames import Clip, Frame, Plane, open_clip
from shared.errors import CalibrationError, ClipError, SettingsError

T = TypeVar("T")
Thumbnail = NDArray[np.float32]

PICTURES: Final = frozenset({".jpg", ".jpeg", ".png", ".bmp", ".tif", ".tiff", ".webp"})
_STILL_FRAMES: Final = 5
_STILL_STEP: Final = 9
_AS_LIT: Final = 0.8  # of each other's brightness, pictures are lit alike
_MOST_STILLS: Final = 40  # looked at until five in a row are
_MOST_VIEWS: Final = 4  # of a clip, in which a table is looked for,
_VIEWS_UNTIL_S: Final = 60.0  # up to here
_SMEARED_PX: Final = 3.0  # in a picture 1280 px long; by less, marks are found all the same
_COARSE: Final = 4  # of px that pictures are compared in
_FURTHEST: Final = 0.2  # of the picture's height that a shaking camera may go
_ALIKE_AGAIN: Final = 0.7  # of the difference may be left when the shift is undone
_ANOTHER: Final = 0.25  # by which half of a picture differs in brightness from that of another view


def still_picture(path: str | Path) -> Plane:
    """A clean BGR picture of the table: a picture file itself, or the median of a few early frames of a clip.

    The median takes out most of the sensor's noise and what moves. Raises as `open_clip` does.
    """
    path = Path(path)
    if path.suffix.lower() in PICTURES:
        return _picture_file(path)
    return still_of(open_clip(path))


def still_of(clip: Clip) -> Plane:
    """As still_picture, of a clip that is open."""
    return well_lit(clip)[0].bgr()


def look_at(path: str | Path, look: Callable[[Plane], T]) -> tuple[T, Plane]:
    """What ``look`` makes of a picture file, or of the first of a clip's views in which it succeeds; and that picture.

    raises : as `first_view`
    """
    path = Path(path)
    if path.suffix.lower() in PICTURES:
        picture = _picture_file(path)
        return look(picture), picture
    seen, still, _ = first_view(open_clip(path), look)
    return seen, still.bgr()


def well_lit(clip: Clip) -> tuple[Frame, int]:
    """A clip's still picture, and the frame from which on it is lit as there: 0 unless it fades in, or settles."""
    kept: deque[Frame] = deque(maxlen=_STILL_FRAMES)
    light: list[Thumbnail] = []
    lead_in = 0
    for frame in clip.decode():
        if frame.index % _STILL_STEP:
            continue
        kept.append(frame)
        light.append(_thumbnail(frame))
        if len(light) >= _STILL_FRAMES and all(_lit_alike(one, light[-1]) for one in light[-_STILL_FRAMES:]):
            other = [k for k, one in enumerate(light) if not _lit_alike(one, light[-1])]
            if other == list(range(len(other))):  # else it flickers
                lead_in = len(other) * _STILL_STEP
            break
        if len(light) == _MOST_STILLS:  # it never settles: lamps that flicker
            break
    frames = list(kept) if len(kept) == _STILL_FRAMES else [kept[0]]
    return _median_frame(clip, frames), lead_in


def _lit_alike(one: Thumbnail, other: Thumbnail) -> bool:
    """Whether most of two pictures is as bright: whoever walks through them counts for little."""
    return bool(_AS_LIT < np.median(one / other) < 1 / _AS_LIT)


def _picture_file(path: Path) -> Plane:
    import cv2

    if not path.is_file():
        raise SettingsError(f"{path}: no such file; check the name.")
    picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR) if path.stat().st_size else None
    if picture is None:
        raise ClipError(f"{path.name}: not a picture that can be read; use JPEG or PNG.")
    return np.asarray(picture)


def first_view(clip: Clip, look: Callable[[Plane], T]) -> tuple[T, Frame, int]:
    """What ``look`` makes of the first of a clip's views in which it succeeds, that view's still picture, and the frame
    from which on it is shown: a title or another camera may come first.

    raises : CalibrationError, as ``look`` raised it of the first view, where it succeeds in none; ClipError
    """
    still, lead_in = well_lit(clip)
    try:
        return look(still.bgr()), still, lead_in
    except CalibrationError as error:
        for later, first in later_views(clip):
            try:
                return look(later.bgr()), later, first
            except CalibrationError:
                continue
        raise error


def later_views(clip: Clip) -> Iterator[tuple[Frame, int]]:
    """Still pictures of what a clip shows after its first view, each with the frame with which that view begins."""
    kept: deque[Frame] = deque(maxlen=_STILL_FRAMES)
    thumbnails: deque[Thumbnail] = deque(maxlen=_STILL_FRAMES)
    known: Thumbnail | None = None
    begun = views = 0
    for frame in clip.decode():
        if frame.t_s > _VIEWS_UNTIL_S:
            return
        if frame.index % _STILL_STEP:
            continue
        thumbnail = _thumbnail(frame)
        if thumbnails and _another_view(thumbnail, thumbnails[-1]):
            kept.clear()
            thumbnails.clear()
            begun = frame.index
        kept.append(frame)
        thumbnails.append(thumbnail)
        if len(kept) == _STILL_FRAMES and (known is None or _another_view(thumbnail, known)):
            if begun:
                yield _median_frame(clip, list(kept)), begun
            views, known = views + 1, thumbnail
            if views == _MOST_VIEWS:
                return


def _another_view(one: Thumbnail, other: Thumbnail) -> bool:
    """Whether half of two pictures differs."""
    return bool(np.median(np.abs(np.log(one / other))) > _ANOTHER)


def _thumbnail(frame: Frame) -> Thumbnail:
    return frame.luma[::16, ::16].astype(np.float32) + 1


def _median_frame(clip: Clip, frames: list[Frame]) -> Frame:
    frames = frames[-1:] if _shaken([frame.luma for frame in frames]) else frames
    luma = _median5([frame.luma for frame in frames])
    chroma = (_median5([f.chroma[0] for f in frames]), _median5([f.chroma[1] for f in frames]))
    return Frame(0, frames[0].t_s, luma, chroma, clip.info.full_range, clip.info.matrix)


def _shaken(planes: list[Plane]) -> bool:
    """Whether the camera stood elsewhere in most of them than in the last, so that their median would be smeared: by a
    few px, and they are far more alike once that is undone.
    """
    import cv2

    small = [cv2.resize(plane, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_AREA).astype(np.float32)
             for plane in planes]
    least = _SMEARED_PX * max(planes[0].shape) / 1280 / _COARSE
    window = cv2.createHanningWindow(small[0].shape[::-1], cv2.CV_32F)
    moved = 0
    for one in small[:-1]:
        (dx, dy), _ = cv2.phaseCorrelate(one.copy(), small[-1].copy(), window)  # which may write in what it is given
        if not least < np.hypot(dx, dy) < _FURTHEST * len(one):
            continue
        back = cv2.warpAffine(one, np.array([[1, 0, dx], [0, 1, dy]]), one.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        inner = slice(len(one) // 8, -(len(one) // 8))
        apart, together = (np.abs(picture - small[-1])[inner, inner].mean() for picture in (one, back))
        moved += bool(together < _ALIKE_AGAIN * apart)
    return moved > len(planes) // 2


def _median5(planes: list[Plane]) -> Plane:
    """Median of five planes by a sorting network of minima and maxima (or the one plane there is)."""
    import cv2

    if len(planes) == 1:
        return planes[0]
    a, b, c, d, e = planes
    low = cv2.max(cv2.min(a, b), cv2.min(c, d))  # the smallest and the largest of four can't be the median of five
    high = cv2.min(cv2.max(a, b), cv2.max(c, d))
    return np.asarray(cv2.max(cv2.min(low, high), cv2.min(cv2.max(low, high), e)), dtype=np.uint8)
