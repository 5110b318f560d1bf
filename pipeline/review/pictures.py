"""A shot's frames as JPEGs by their time, decoded once in order, kept in a temporary folder while the page runs.

A browser's own player cannot step a clip of varying frame rate to an exact frame, nor play every codec a camera
writes; pictures by their time can be stepped exactly, from any clip that can be measured. Only what a shot needs is
decoded: a clip may be an evening long.
"""

from __future__ import annotations

import bisect
import shutil
import tempfile
import threading
from collections import OrderedDict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.clock import AS_STAMPED, ClipClock
from calibration.moves import UNMOVED, CameraMoves
from calibration.store import Calibration
from pipeline.frames import Frame, open_clip
from pipeline.review.steady_view import SteadyView
from shared.errors import ClipError, ReboundryError

MAX_WIDTH_PX = 1280
KEEP_SHOTS = 8
WAIT_S = 5.0
SAME_FRAME_S = 0.001  # frames are further apart, the times in tables written to less
JPEG_QUALITY = 82


class NotYet(Exception):
    """The frame is on its way: ask again."""


class ShotPictures:
    """The frames of a clip between two times, being decoded in a thread of their own. All times are those at which
    frames were taken, by the clip's clock; all pictures are of the view in which its table was found.
    """

    def __init__(
        self, path: Path, begin_s: float, end_s: float, calibration: Calibration | None, folder: Path
    ) -> None:
        self.path, self.folder = path, folder
        self._clock, self._view = calibration.clock if calibration else AS_STAMPED, SteadyView(calibration)
        self._begin_s, self._end_s = begin_s - SAME_FRAME_S, end_s + SAME_FRAME_S
        folder.mkdir(parents=True, exist_ok=True)
        self._ready = threading.Condition()
        self._times: list[float] = []
        self._done = False
        self._stop = False
        self._problem = ""
        self._worker = threading.Thread(target=self._decode, name=f"pictures {path.name}", daemon=True)
        self._worker.start()

    def jpeg(self, t_s: float) -> bytes | None:
        """The frame of that time; None where there is none.

        Raises NotYet where it isn't decoded after WAIT_S, ClipError where the clip cannot be read that far.
        """
        with self._ready:
            there = self._ready.wait_for(
                lambda: self._done or (bool(self._times) and self._times[-1] > t_s - SAME_FRAME_S), timeout=WAIT_S)
            if not there:
                raise NotYet
            near = bisect.bisect_left(self._times, t_s - SAME_FRAME_S)
            if near == len(self._times) or self._times[near] > t_s + SAME_FRAME_S:
                if self._problem:
                    raise ClipError(self._problem)
                return None
        return (self.folder / f"{near}.jpg").read_bytes()

    def close(self) -> None:
        """Stop decoding and remove the pictures."""
        self._stop = True
        self._worker.join(timeout=10)
        shutil.rmtree(self.folder, ignore_errors=True)

    def _decode(self) -> None:
        try:
            for frame in open_clip(self.path).decode_from(self._begin_s, self._clock):
                if self._stop or frame.t_s > self._end_s:
                    return
                if frame.t_s < self._begin_s:
                    continue
                (self.folder / f"{len(self._times)}.jpg").write_bytes(encode(self._view.of(small(frame), frame.t_s)))
                with self._ready:
                    self._times.append(frame.t_s)
                    self._ready.notify_all()
        except (ReboundryError, OSError) as error:  # what was decoded so far can be looked at
            self._problem = f"{self.path.name}: its pictures cannot be made ({error})."
        finally:
            with self._ready:
                self._done = True
                self._ready.notify_all()


_Key = tuple[Path, int, float, float, ClipClock, CameraMoves]


class PictureStore:
    """The pictures of the shots looked at last."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="reboundry-review-")
        self._shots: OrderedDict[_Key, ShotPictures] = OrderedDict()
        self._lock = threading.Lock()
        self._made = 0

    def of(
        self, path: Path, begin_s: float, end_s: float, calibration: Calibration | None = None
    ) -> ShotPictures:
        """A shot's pictures, by its clip's calibration; the shot looked at longest ago makes room."""
        clock, moves = (calibration.clock, calibration.moves) if calibration else (AS_STAMPED, UNMOVED)
        written = path.stat().st_mtime_ns  # another recording may have come to have its name
        key = (path, written, begin_s, end_s, clock, moves)
        with self._lock:
            if key not in self._shots:
                self._made += 1
                folder = Path(self._folder.name) / str(self._made)
                self._shots[key] = ShotPictures(path, begin_s, end_s, calibration, folder)
                if len(self._shots) > KEEP_SHOTS:
                    self._shots.popitem(last=False)[1].close()
            self._shots.move_to_end(key)
            return self._shots[key]

    def close(self) -> None:
        """Stop all decoding and remove everything."""
        with self._lock:
            for shot in self._shots.values():
                shot.close()
            self._shots.clear()
            self._folder.cleanup()


def small(frame: Frame) -> NDArray[np.uint8]:
    """BGR, at most MAX_WIDTH_PX wide: planes are shrunk before they are turned into colour."""
    import cv2

    height, width = frame.luma.shape
    if width <= MAX_WIDTH_PX:
        return frame.bgr()
    size = (MAX_WIDTH_PX, round(height * MAX_WIDTH_PX / width / 2) * 2)
    half = (size[0] // 2, size[1] // 2)
    luma = cv2.resize(frame.luma, size, interpolation=cv2.INTER_AREA)
    chroma = tuple(cv2.resize(plane, half, interpolation=cv2.INTER_AREA) for plane in frame.chroma)
    return Frame(frame.index, frame.t_s, np.asarray(luma), (np.asarray(chroma[0]), np.asarray(chroma[1])),
                 frame.full_range, frame.matrix).bgr()


def encode(picture: NDArray[np.uint8]) -> bytes:
    """BGR to JPEG."""
    import cv2

    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise ClipError("a frame could not be encoded as JPEG.")
    return data.tobytes()


def decode(jpeg: bytes) -> NDArray[np.uint8]:
    """JPEG to BGR."""
    import cv2

    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise ClipError("a kept frame could not be read.")
    return np.asarray(picture)
