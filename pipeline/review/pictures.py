"""The frames of a clip as JPEGs by their index, decoded once in order, kept in a temporary folder while the page runs.

A browser's own player cannot step a clip of varying frame rate to an exact frame, nor play every codec a camera
writes; pictures by index can be stepped exactly, from any clip that can be measured.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections import OrderedDict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.frames import Frame, open_clip
from shared.errors import ClipError, ReboundryError

MAX_WIDTH_PX = 1280
KEEP_CLIPS = 6
WAIT_S = 60.0
JPEG_QUALITY = 82


class ClipPictures:
    """One clip's frames, being decoded in a thread of their own."""

    def __init__(self, path: Path, folder: Path) -> None:
        self.path, self.folder = path, folder
        folder.mkdir(parents=True, exist_ok=True)
        self._ready = threading.Condition()
        self._count = 0
        self._done = False
        self._stop = False
        self._worker = threading.Thread(target=self._decode, name=f"pictures {path.name}", daemon=True)
        self._worker.start()

    def jpeg(self, index: int) -> bytes | None:
        """Frame ``index``, waiting for it if need be; None where the clip has no such frame."""
        with self._ready:
            self._ready.wait_for(lambda: self._done or self._count > index, timeout=WAIT_S)
            if self._count <= index:
                return None
        return (self.folder / f"{index}.jpg").read_bytes()

    def close(self) -> None:
        """Stop decoding and remove the pictures."""
        self._stop = True
        self._worker.join(timeout=10)
        shutil.rmtree(self.folder, ignore_errors=True)

    def _decode(self) -> None:
        try:
            for frame in open_clip(self.path).decode():
                if self._stop:
                    return
                (self.folder / f"{frame.index}.jpg").write_bytes(encode(small(frame)))
                with self._ready:
                    self._count = frame.index + 1
                    self._ready.notify_all()
        except (ReboundryError, OSError):
            pass  # what was decoded so far can be looked at
        finally:
            with self._ready:
                self._done = True
                self._ready.notify_all()


class PictureStore:
    """The pictures of the clips looked at last."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="reboundry-review-")
        self._clips: OrderedDict[Path, ClipPictures] = OrderedDict()
        self._lock = threading.Lock()
        self._made = 0

    def of(self, path: Path) -> ClipPictures:
        """A clip's pictures; the clip looked at longest ago makes room."""
        with self._lock:
            if path not in self._clips:
                self._made += 1
                self._clips[path] = ClipPictures(path, Path(self._folder.name) / str(self._made))
                if len(self._clips) > KEEP_CLIPS:
                    self._clips.popitem(last=False)[1].close()
            self._clips.move_to_end(path)
            return self._clips[path]

    def close(self) -> None:
        """Stop all decoding and remove everything."""
        with self._lock:
            for clip in self._clips.values():
                clip.close()
            self._clips.clear()
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
