"""Long recordings: the stretches between key frames in which nothing on the table changes need no decoding.

Between shots a player walks, aims and chalks; that can be most of a recording. Key frames stand alone, so they are
decoded first, with nothing else, and compared at low resolution: where two that follow each other show the same table,
the frames between are passed over, but for a stretch before and a stretch after whatever changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.detect_outline import BallPicture
from pipeline.detect_search import ClothSearch
from pipeline.frames import Clip, Frame, PassedOver, open_container, picture_stream

PAYS_FROM_S = 15.0  # a shorter clip is decoded whole
FEWEST = 8  # stretches: in fewer there is little to be passed over
SHORTEST_S = 0.9  # key frames nearer to each other than that bound no stretch: so much is seen before a strike,
LONGEST_S = 3.0  # and within so much no ball is struck, comes to rest and is put back to where it lay
CLEAR_LEVELS = 4.0  # grey levels, mean of 3 x 3 cells, above twice the grain: coding alone flickers by so much
MOVED_SHARE = 0.4  # of a ball's disc that must have changed in one piece

Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Packets:
    """Of a clip in the file's order: (N,) times of their pictures, s, and whether these stand alone."""

    t_s: NDArray[np.float64]
    key: Flags


def skimming(clip: Clip, calibration: Calibration) -> Clip:
    """The clip, with the frames passed over in which nothing happens; itself where that wouldn't pay or isn't safe."""
    if (clip.info.duration_s or 0.0) < PAYS_FROM_S:
        return clip
    packets = _packets(clip)
    starts = _starts(packets)
    if len(starts) < FEWEST:
        return clip
    quiet = _quiet(clip, packets, starts, calibration)
    over = np.zeros(len(quiet), bool)
    over[1:-1] = quiet[:-2] & quiet[1:-1] & quiet[2:]
    return Clip(clip.path, clip.info, _passed_over(packets, starts, over))


def _packets(clip: Clip) -> _Packets:
    """None where a time is missing or anything else is out of the ordinary."""
    import av

    times, keys = [], []
    with open_container(clip.path) as container:
        stream = picture_stream(container)
        try:
            for packet in container.demux(stream):
                if packet.size == 0 and packet.pts is None:  # ends the stream
                    continue
                if not packet.size or packet.pts is None or packet.is_corrupt or packet.is_discard:
                    break
                times.append(float(packet.pts * packet.time_base))
                keys.append(packet.is_keyframe)
            else:
                if len(set(times)) == len(times):
                    return _Packets(np.array(times), np.array(keys, bool))
        except av.error.FFmpegError:
            pass
    return _Packets(np.zeros(0), np.zeros(0, bool))


def _starts(packets: _Packets) -> list[int]:
    """The packets at which stretches begin: key frames, of those too near to each other the first."""
    starts: list[int] = []
    for k in np.flatnonzero(packets.key).tolist():
        if not starts or packets.t_s[k] - packets.t_s[starts[-1]] >= SHORTEST_S:
            starts.append(k)
    return starts if starts[:1] == [0] else []


def _quiet(clip: Clip, packets: _Packets, starts: list[int], calibration: Calibration) -> Flags:
    """For each stretch whether the key frames at its two ends show the same table; the last one's end isn't known."""
    others = np.ones(len(packets.key), bool)
    others[starts] = False
    watch = _TableWatch(calibration)
    keys = Clip(clip.path, clip.info, PassedOver(others, ~others, np.zeros(0)))
    same = {frame.t_s: not watch.moved(frame) for frame in keys}
    t_s = packets.t_s[starts]
    ends = [a in same and same.get(b, False) and b - a <= LONGEST_S for a, b in pairwise(t_s.tolist())]
    return np.array([*ends, False])


class _TableWatch:
    """Compares frames far apart in time, each with the one before it, at low resolution."""

    def __init__(self, calibration: Calibration) -> None:
        self._search = ClothSearch(calibration, BallPicture(calibration.pose, calibration.table.ball.radius_mm))
        self._on_table = self._search.inside_mm > -self._search.settings.beyond_mm
        self._enough = MOVED_SHARE * np.pi * (self._search.radius_px / self._search.factor) ** 2
        self._before: NDArray[np.float32] | None = None

    def moved(self, frame: Frame) -> bool:
        """Whether anything of a ball's size changed on the table; yes, too, of the first frame."""
        small = self._search.small(frame)
        before, self._before = self._before, small
        if before is None:
            return True
        change = np.asarray(cv2.blur(cv2.absdiff(small, before), (3, 3)))
        grain = np.quantile(change[::3, ::3].reshape(-1, 3), self._search.settings.quiet_share, axis=0)
        if (grain > CLEAR_LEVELS).any():  # much of the picture changed, or there is so much grain
            return True
        mask = (change > CLEAR_LEVELS + 2 * grain).any(axis=2) & self._on_table
        whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        _, _, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=4)
        return bool((stats[1:, cv2.CC_STAT_AREA] > self._enough).any())


def _passed_over(packets: _Packets, starts: list[int], over: Flags) -> PassedOver:
    """The packets of the stretches passed ``over``, and those that follow a key frame just after such a stretch but are
    shown before it: they may need pictures that are passed over."""
    number = np.arange(len(packets.t_s))
    stretch = np.searchsorted(starts, number, side="right") - 1
    after = (np.concatenate([[False], over[:-1]]) & ~over)[stretch]
    leads = packets.t_s < packets.t_s[starts][stretch]
    out = over[stretch] | (leads & after)
    return PassedOver(out, after & np.isin(number, starts), np.sort(packets.t_s[out]))
