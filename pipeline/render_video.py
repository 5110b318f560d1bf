"""Writing H.264 that plays everywhere: 4:2:0, 8 bit, even sizes, constant frame rate, its index at the front."""

from __future__ import annotations

import os
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shared.errors import ReboundryError

CRF = "19"  # constant quality: hardly told from the source


def write_video(path: Path, pictures: Iterable[NDArray[np.uint8]], *, size: tuple[int, int], frames_per_s: int) -> int:
    """Write BGR pictures as an MP4, whole or not at all; returns their number.

    Raises ReboundryError where this machine's FFmpeg cannot write H.264.
    """
    import av

    if "libx264" not in av.codecs_available:
        raise ReboundryError("this installation's FFmpeg cannot write H.264; install PyAV from its own wheels "
                             "(`pip install --force-reinstall av`).")
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.stem}.part.mp4")
    count = 0
    try:
        with av.open(str(part), "w", format="mp4", options={"movflags": "+faststart"}) as container:
            stream = container.add_stream("libx264", rate=frames_per_s)
            stream.width, stream.height = size
            stream.pix_fmt = "yuv420p"
            stream.time_base = Fraction(1, frames_per_s)
            stream.options = {"crf": CRF, "preset": "veryfast", "profile": "high"}
            context = stream.codec_context
            context.color_range, context.color_primaries, context.color_trc, context.colorspace = 1, 1, 1, 1  # BT.709
            for picture in pictures:
                frame = av.VideoFrame.from_ndarray(picture, format="bgr24").reformat(
                    format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
                frame.pts = count
                frame.time_base = Fraction(1, frames_per_s)
                container.mux(stream.encode(frame))
                count += 1
            container.mux(stream.encode(None))
        os.replace(part, path)
    except OSError as error:
        if error.errno is None or error.filename not in (None, str(part)):  # not the system's, or of the clip drawn on
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error  # people don't know the hidden file's name
    finally:
        part.unlink(missing_ok=True)
    return count
