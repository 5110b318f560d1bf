"""A clip's planes, streamed in order with their own times.

Pixels are as displayed: rotation metadata is applied. Planes are handed on as the decoder made them; only small windows
are ever converted to colour. Times are the container's presentation times, in seconds, unchanged (a clip cut out of a
longer one may start above 0).
"""

from __future__ import annotations

import queue
import re
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.clock import AS_STAMPED, ClipClock
from shared.errors import ClipError, SettingsError

Plane = NDArray[np.uint8]
Window = tuple[int, int, int, int]  # x, y, width, height in px

_NO_PIXELS: Final[Plane] = np.zeros((0, 0), np.uint8)
_BEFORE_S: Final = (0.0, 2.0, 10.0)  # some containers are entered later than asked for
_AHEAD: Final = 3  # frames decoded ahead of the one being looked at
_CUT_SHARE: Final = 0.02  # of a clip may be missing at its end: containers round, and sound may end a little later
_threads = 0  # of a decoder's own; 0: one per processor
_AGAIN: Final = "copy it from the camera again, or export it as H.264 or HEVC."
_NOTHING_DECODED: Final = f"not one frame could be decoded; {_AGAIN}"
_TIMELESS: Final = "frames without a time of their own"
_FLAG_NO_TIMES: Final = 0x80  # of a container's flags: AVFMT_NOTIMESTAMPS (FFmpeg, libavformat/avformat.h)
#: what to do about a coded picture without a container; copied instead of coded anew, its frames get their times wrong
_RAW: Final = (
    "holds no times, so no speed can be told; code it anew with the camera's frame rate for RATE, and take this out: "
    'ffmpeg -r RATE -i "{name}" -vf setpts=N/RATE/TB -crf 14 "timed-{stem}.mp4"'
)
_SQUARE_TO: Final = 1e-3
_OBLONG: Final = (
    "its pixels are not square ({shape}), so lengths in the picture can't be measured; make them square, and take this "
    'one out: ffmpeg -i "{name}" -vf "scale=trunc(iw*sar/2)*2:ih,setsar=1" -crf 14 "square-{stem}.mp4"'
)
_MIRRORED: Final = (
    "its metadata has it shown mirrored, which is not done here; code it anew as it is shown, and take this one out: "
    'ffmpeg -i "{name}" -crf 14 "upright-{name}"'
)
#: pixel formats by their luma pixels per chroma sample, across and down
_LAYOUTS: Final = {(2, 2): "yuv420p", (2, 1): "yuv422p", (1, 1): "yuv444p"}
#: Kr, Kb of the colour matrices (ITU-R BT.601 and BT.709; BT.2020 non-constant luminance)
_MATRICES: Final = {"601": (0.299, 0.114), "709": (0.2126, 0.0722), "2020": (0.2627, 0.0593)}


@dataclass(frozen=True)
class ClipInfo:
    """What the container says of its picture; sizes as displayed.

    ``frame_rate_nominal``: average frames per second, for display and sizing only: times come from the frames.
    ``ends_s``: when its picture ends, by the container; ``frames_estimate``: for progress only, as a container may
    count frames that are not shown (a clip trimmed without coding it anew).
    """

    name: str
    width: int
    height: int
    rotation_deg: int  # counter-clockwise turn already applied: 0, 90, 180, 270
    codec: str
    bit_depth: int
    frame_rate_nominal: float
    duration_s: float | None
    frames_estimate: int | None
    full_range: bool
    matrix: str  # 601, 709 or 2020
    interlaced: bool = False
    ends_s: float | None = None
    chroma_step: tuple[int, int] = (2, 2)  # luma px per chroma sample as coded, across and down before any turn

    @property
    def advice(self) -> str:
        """What to do about how it was filmed, in one line; empty where nothing is."""
        if not self.interlaced:
            return ""
        return ("marked as interlaced: each frame is two half pictures taken one after the other, which tears moving "
                f'balls; make it progressive: ffmpeg -i "{self.name}" -vf bwdif=mode=send_field -crf 14 '
                f'"progressive-{self.name}"')


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture: ``luma`` (H, W) and ``chroma`` = (Cb, Cr), each (ceil(H/2), ceil(W/2)), uint8, read only.

    ``index`` counts from 0 in order of presentation, ``t_s`` is the container's time. A frame that was passed over is
    ``undecoded`` and has no pixels.
    """

    index: int
    t_s: float
    luma: Plane
    chroma: tuple[Plane, Plane]
    full_range: bool = False
    matrix: str = "709"

    @property
    def undecoded(self) -> bool:
        """Whether it was passed over since nothing happens in it; see pipeline/quiet.py."""
        return self.luma.size == 0

    def bgr(self, window: Window | None = None) -> Plane:
        """(h, w, 3) BGR of a window (x, y, width, height), whole picture by default; meant for small windows."""
        import cv2

        x, y, w, h = window if window is not None else (0, 0, self.luma.shape[1], self.luma.shape[0])
        x0, y0 = max(x, 0), max(y, 0)
        x1, y1 = min(x + w, self.luma.shape[1]), min(y + h, self.luma.shape[0])
        if x1 <= x0 or y1 <= y0:
            return np.zeros((0, 0, 3), np.uint8)
        ex, ey = x0 & ~1, y0 & ~1
        half = (slice(ey // 2, (y1 + 1) // 2), slice(ex // 2, (x1 + 1) // 2))
        luma = self.luma[ey:y1, ex:x1]
        size = (-(-luma.shape[1] // 2) * 2, -(-luma.shape[0] // 2) * 2)
        small = [np.asarray(cv2.resize(plane[half], size)) for plane in self.chroma]
        planes = [luma, *(plane[: luma.shape[0], : luma.shape[1]] for plane in small)]
        out = cv2.transform(cv2.merge(planes), _to_bgr(self.matrix, self.full_range))
        return np.asarray(out[y0 - ey :, x0 - ex :])


def _to_bgr(matrix: str, full_range: bool) -> NDArray[np.float64]:
    """(3, 4) affine map from (Y, Cb, Cr) to (B, G, R), 8 bit."""
    kr, kb = _MATRICES[matrix]
    kg = 1 - kr - kb
    y_gain, c_gain, y_zero = (1.0, 1.0, 0.0) if full_range else (255 / 219, 255 / 224, 16.0)
    cb = np.array([2 * (1 - kb), -2 * (1 - kb) * kb / kg, 0.0]) * c_gain
    cr = np.array([0.0, -2 * (1 - kr) * kr / kg, 2 * (1 - kr)]) * c_gain
    offset = -y_gain * y_zero - 128 * (cb + cr)
    return np.column_stack([np.full(3, y_gain), cb, cr, offset])


@dataclass(frozen=True, eq=False)
class PassedOver:
    """Frames not to decode.

    packets : (N,) which of the file's packets, in its order
    resumes : (N,) the key frames after such packets, from which on all is decoded again
    times_s : (M,) the times of the frames not decoded, rising
    """

    packets: NDArray[np.bool_]
    resumes: NDArray[np.bool_]
    times_s: NDArray[np.float64]


class Clip:
    """An opened clip. Iterate for its frames, once or again; frames stream, the clip is never held whole.

    ``damage`` is empty, or says in one line what could not be decoded (known after iterating). ``passed_over``: frames
    that come ``undecoded``, if any.
    """

    def __init__(self, path: Path, info: ClipInfo, passed_over: PassedOver | None = None) -> None:
        self.path = path
        self.info = info
        self.damage = ""
        self.passed_over = passed_over

    def __iter__(self) -> Iterator[Frame]:
        """Frames in order of presentation, decoded ahead in a thread of their own."""
        ready: queue.Queue[Frame | Exception | None] = queue.Queue(maxsize=_AHEAD)
        stop = threading.Event()
        worker = threading.Thread(target=self._fill, args=(ready, stop), name="decode", daemon=True)
        worker.start()
        try:
            while (item := ready.get()) is not None:
                if isinstance(item, Exception):
                    raise item
                yield item
        finally:
            stop.set()
            while worker.is_alive():  # free a worker that waits for room
                try:
                    ready.get(timeout=0.02)
                except queue.Empty:
                    continue
            worker.join()

    def _fill(self, ready: queue.Queue[Frame | Exception | None], stop: threading.Event) -> None:
        try:
            for frame in self.decode():
                if stop.is_set():
                    return
                ready.put(frame)
            ready.put(None)
        except Exception as error:  # noqa: BLE001  handed to the reader, which raises it
            ready.put(error)

    def decode_from(self, begin_s: float, clock: ClipClock = AS_STAMPED) -> Iterator[Frame]:
        """Frames from a key frame at or before ``begin_s`` on, or from the first where the file can't be entered so;
        with the times at which they were taken by the clip's ``clock``, as in its tables, and none shown again.

        For looking at, not for measuring: ``index`` counts from the first of them. Decoded in the caller's own thread.
        """
        for frame in self._decoded(self._entry_s(begin_s, clock)):
            if not clock.shows_again(frame.t_s):
                yield replace(frame, t_s=float(clock.taken(frame.t_s)))

    def _entry_s(self, begin_s: float, clock: ClipClock) -> float | None:
        """The stamp to seek so that the first frame decoded wasn't taken later than ``begin_s``, if there is one."""
        import av

        begin_stamp_s = float(clock.stamped(begin_s))
        for entry_s in (begin_stamp_s - before_s for before_s in _BEFORE_S):
            if entry_s <= 0:
                return None
            try:
                with open_container(self.path) as container:
                    stream = picture_stream(container)
                    _seek(container, stream, entry_s)
                    first = next(container.decode(stream))
                    stamp_s = np.inf if first.pts is None else float(first.pts * stream.time_base)
                    if clock.taken(stamp_s) <= begin_s and not clock.shows_again(stamp_s):
                        return entry_s
            except (StopIteration, EOFError, av.error.FFmpegError, ClipError):
                continue
        return None

    def decode(self) -> Iterator[Frame]:
        """Frames in order of presentation, decoded in the caller's own thread."""
        return self._decoded(None)

    def _decoded(self, begin_s: float | None) -> Iterator[Frame]:
        import av

        self.damage = ""
        count, last_s, timeless = 0, -np.inf, False
        first_s = longest_s = 0.0
        over = self.passed_over
        undecoded = deque([] if over is None else over.times_s.tolist())
        with open_container(self.path) as container:
            stream = picture_stream(container)
            stream.thread_type = "AUTO"
            stream.codec_context.thread_count = _threads
            if begin_s is not None:
                _seek(container, stream, begin_s)
            broken = 0
            packets = enumerate(container.demux(stream))
            while True:
                try:
                    number, packet = next(packets)
                    pictures = []
                    if over is not None and number < len(over.packets):
                        if over.packets[number]:
                            continue
                        if over.resumes[number]:
                            pictures = _drained(stream)
                    pictures += packet.decode()
                except (StopIteration, EOFError):
                    break
                except av.error.FFmpegError as error:
                    broken += 1
                    self.damage = f"{self.info.name}: damaged ({error.strerror}); {{count}} frames could be read."
                    if broken > 500:
                        break
                    continue
                for picture in pictures:
                    t_s = float(picture.pts * stream.time_base) if picture.pts is not None else -np.inf
                    if t_s <= last_s:  # nothing can be measured with no time, or with one that doesn't grow
                        timeless = True
                        self.damage = f"{self.info.name}: {_TIMELESS}; {{count}} frames could be read."
                        continue
                    if np.isfinite(last_s):
                        longest_s = max(longest_s, t_s - last_s)
                    else:
                        first_s = t_s
                    last_s = t_s
                    while undecoded and undecoded[0] < t_s:
                        yield _undecoded(count, undecoded.popleft())
                        count += 1
                    frame = self._frame(picture, count, t_s)
                    if frame.luma.shape != (self.info.height, self.info.width):
                        self.damage = f"{self.info.name}: the picture changes size; {{count}} frames could be read."
                        continue
                    yield frame
                    count += 1
        for t_s in undecoded:
            yield _undecoded(count, t_s)
            count += 1
        if count == 0:
            raise ClipError(f"{self.info.name}: {f'{_TIMELESS}; {_AGAIN}' if timeless else _NOTHING_DECODED}")
        last_s = max([last_s, *([] if over is None else over.times_s[-1:].tolist())])
        ends_s = self.info.ends_s
        if not self.damage and ends_s is not None and last_s + longest_s < ends_s - _CUT_SHARE * (ends_s - first_s):
            self.damage = (f"{self.info.name}: cut short at {last_s:.2f} s, should last until {ends_s:.2f} s; "
                           "{count} frames could be read.")
        self.damage = self.damage.replace("{count}", str(count))

    def _frame(self, picture: Any, index: int, t_s: float) -> Frame:
        planes = [_turned(plane, self.info.rotation_deg) for plane in _planes(picture)]
        for plane in planes:
            plane.setflags(write=False)
        return Frame(index, t_s, planes[0], (planes[1], planes[2]), self.info.full_range, self.info.matrix)


def _seek(container: Any, stream: Any, begin_s: float) -> None:
    container.seek(max(0, int(begin_s / stream.time_base)), stream=stream)


def share_processors(threads: int) -> None:
    """Let each decoder of this process have so many threads: more cost time where others are at work, too."""
    global _threads
    _threads = threads


def _undecoded(index: int, t_s: float) -> Frame:
    return Frame(index, t_s, _NO_PIXELS, (_NO_PIXELS, _NO_PIXELS))


def _drained(stream: Any) -> list[Any]:
    """The pictures still in a stream's decoder, which then is ready to begin at another key frame."""
    pictures = list(stream.codec_context.decode(None))
    stream.codec_context.flush_buffers()
    return pictures


def open_container(path: Path) -> Any:
    """The clip's container, by PyAV.

    Raises, in one line, SettingsError for a file that isn't there, ClipError for one that can't be read.
    """
    import av

    try:  # absolute, or FFmpeg takes the 10 of 10:30.mp4 for a protocol
        return av.open(str(path.absolute()), metadata_errors="ignore")
    except FileNotFoundError as error:
        raise SettingsError(f"{path}: no such file; check the name.") from error
    except (av.error.FFmpegError, OSError, ValueError) as error:
        what = "an empty file" if path.is_file() and path.stat().st_size == 0 else "not a clip that can be read"
        raise ClipError(f"{path.name}: {what}; {_AGAIN}") from error


def picture_stream(container: Any) -> Any:
    """The stream of a container that is the clip, not a preview or a cover beside it; None where there is none."""
    return container.streams.best("video")


def _planes(picture: Any) -> list[Plane]:
    """Y, Cb, Cr of a decoded picture, 8 bit 4:2:0; without a copy where the decoder's are that already.

    Chroma in more places than that is the mean of those around a middle of 2 x 2 luma pixels, also at the edge of a
    picture of odd size: FFmpeg's own conversion would stretch such a picture's chroma.
    """
    across, down = _chroma_step(picture.format)
    planar = re.fullmatch(r"yuvj?4(?:20|22|44)p(10le|12le)?", picture.format.name)
    if planar is None:
        across, down = (across, down) if (across, down) in _LAYOUTS else (2, 2)
        picture = picture.reformat(format=_LAYOUTS[across, down])
    dtype, bits = (np.dtype("<u2"), int(planar[1][:2])) if planar and planar[1] else (np.dtype(np.uint8), 8)
    planes = [_view(plane, dtype) for plane in picture.planes]
    halved = [planes[0], *(_halved(plane, across == 1, down == 1) for plane in planes[1:])]
    if bits == 8:
        return halved
    import cv2

    return [np.asarray(cv2.convertScaleAbs(plane, alpha=2.0 ** (8 - bits))) for plane in halved]


def _chroma_step(pixels: Any) -> tuple[int, int]:
    """Luma pixels per chroma sample of a pixel format, across and down."""
    return 8 // int(pixels.chroma_width(8)), 8 // int(pixels.chroma_height(8))


def _halved(plane: NDArray[Any], across: bool, down: bool) -> NDArray[Any]:
    """Means of pairs of samples; of an odd number, the last one is its own."""
    if not (across or down):
        return plane
    import cv2

    height, width = plane.shape
    rows, columns = height % 2 if down else 0, width % 2 if across else 0
    if rows or columns:
        plane = np.asarray(cv2.copyMakeBorder(plane, 0, rows, 0, columns, cv2.BORDER_REPLICATE))
    size = ((width + columns) // (2 if across else 1), (height + rows) // (2 if down else 1))
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA))


def _view(plane: Any, dtype: np.dtype[Any]) -> NDArray[Any]:
    rows = np.frombuffer(plane, dtype).reshape(plane.height, -1)
    return rows[:, : plane.width]


def _turned(plane: Plane, counter_clockwise_deg: int) -> Plane:
    if counter_clockwise_deg == 0:
        return plane
    import cv2

    turn = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}
    return np.asarray(cv2.rotate(plane, turn[counter_clockwise_deg]))


def open_clip(path: str | Path) -> Clip:
    """Open a clip and read its first frame's properties.

    Raises, in one line, SettingsError for a file that isn't there, or a folder; ClipError for one that is empty, no
    video, holds no times, has oblong pixels, is shown mirrored, or of which nothing can be decoded.
    """
    import av

    path = Path(path)
    if path.is_dir():
        raise SettingsError(f"{path}: a folder, not a clip; give one clip in it.")
    with open_container(path) as container:
        stream = picture_stream(container)
        if stream is None:
            raise ClipError(f"{path.name}: holds no picture (sound only?); choose a video clip.")
        if container.format.flags & _FLAG_NO_TIMES:
            raise ClipError(f"{path.name}: {_RAW.format(name=path.name, stem=path.stem)}")
        shape = stream.sample_aspect_ratio
        if shape and abs(shape - 1) > _SQUARE_TO:
            words = _OBLONG.format(name=path.name, stem=path.stem, shape=f"{shape.numerator}:{shape.denominator}")
            raise ClipError(f"{path.name}: {words}")
        try:
            first = next(container.decode(stream))
        except (StopIteration, EOFError, av.error.FFmpegError) as error:
            raise ClipError(f"{path.name}: {_NOTHING_DECODED}") from error
        if _mirrored(first):
            raise ClipError(f"{path.name}: {_MIRRORED.format(name=path.name)}")
        rotation = round(float(first.rotation) / 90) * 90 % 360
        width, height = (first.width, first.height) if rotation % 180 == 0 else (first.height, first.width)
        rate = float(stream.average_rate or stream.guessed_rate or 30.0)
        starts, ends = _span_s(container, stream)
        info = ClipInfo(
            name=path.name,
            width=width,
            height=height,
            rotation_deg=rotation,
            codec=str(stream.codec_context.name),
            bit_depth=max((component.bits for component in first.format.components), default=8),
            frame_rate_nominal=rate,
            duration_s=None if ends is None else ends - starts,
            frames_estimate=stream.frames or (None if ends is None else round((ends - starts) * rate)),
            full_range=int(first.color_range) == 2 or first.format.name.startswith("yuvj"),
            matrix=_matrix(int(first.colorspace), min(width, height)),
            interlaced=bool(first.interlaced_frame),
            ends_s=ends,
            chroma_step=_chroma_step(first.format),
        )
    return Clip(path, info)


def _mirrored(picture: Any) -> bool:
    """Whether a decoded picture's display matrix flips it, which no turn can make up for."""
    for data in picture.side_data:
        if data.type.name == "DISPLAYMATRIX":
            m = np.frombuffer(bytes(data), np.int32).astype(float)  # 3 x 3, by rows
            return bool(m[0] * m[4] < m[1] * m[3])
    return False


def _span_s(container: Any, stream: Any) -> tuple[float, float | None]:
    """When a stream's picture begins and ends by its container, seconds; the end None where that isn't written."""
    starts = float(stream.start_time * stream.time_base) if stream.start_time else 0.0
    if stream.duration:
        return starts, starts + float(stream.duration * stream.time_base)
    own = _clock_s(stream.metadata.get("DURATION", ""))  # sound may last longer than the picture
    lasts = own or (container.duration / 1e6 if container.duration else None)
    if lasts is None:
        return starts, None
    # Matroska's durations are written by most programs as the time of the end, by some from the first frame on: the
    # earlier end, as a sound clip must not be called cut short
    ends = lasts if "matroska" in container.format.name else starts + lasts
    return starts, max(ends, starts)


def _clock_s(text: str) -> float | None:
    """Seconds of a time written as 00:01:02.500000000."""
    parts = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)", text)
    return int(parts[1]) * 3600 + int(parts[2]) * 60 + float(parts[3]) if parts else None


def _matrix(colorspace: int, short_side: int) -> str:
    """The colour matrix the stream declares (ITU-T H.273 codes), else the custom: BT.709 from 720 lines up."""
    declared = {1: "709", 4: "601", 5: "601", 6: "601", 9: "2020", 10: "2020"}.get(colorspace)
    return declared if declared is not None else ("709" if short_side >= 720 else "601")
