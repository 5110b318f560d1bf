"""How a clip's camera moved: from when on it stood elsewhere than its calibration says."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from calibration.pose import CameraPose

_SAME_S = 1e-6  # of one time, written and read again


@dataclass(frozen=True)
class CameraMoves:
    """What is known of it.

    stands : (from when on, R by rows and t in mm as in `CameraPose`: 12 numbers; None where the camera was back),
             in order of time: s at which frames were taken, as in tables. Before the first the calibration's pose holds
    """

    stands: tuple[tuple[float, tuple[float, ...] | None], ...] = ()

    @classmethod
    def of(cls, from_s: ArrayLike, poses: Sequence[CameraPose | None]) -> CameraMoves:
        """Of poses, each held from its time (N,) on; None for the calibration's own."""
        times = np.asarray(from_s, dtype=float).tolist()
        return cls(tuple((t_s, None if pose is None else (*pose.R.ravel().tolist(), *pose.t_mm.tolist()))
                         for t_s, pose in zip(times, poses, strict=True)))

    def poses(self, own: CameraPose) -> tuple[CameraPose, ...]:
        """The camera before the first move and after each; ``own``: the calibration's."""
        return (own, *(own if stand is None else replace(own, R=np.reshape(stand[:9], (3, 3)), t_mm=np.array(stand[9:]))
                       for _, stand in self.stands))

    def which(self, taken_s: float) -> int:
        """Which of `poses` a frame was taken with."""
        return bisect_right(self.stands, taken_s + _SAME_S, key=lambda stand: stand[0])

    def to_record(self) -> list[dict[str, Any]]:
        """For calibration.json: per stand ``from_s`` with ``R`` and ``t`` as the calibration's own are written."""
        return [{"from_s": from_s, "R": None if stand is None else [list(stand[i : i + 3]) for i in (0, 3, 6)],
                 "t": None if stand is None else list(stand[9:])} for from_s, stand in self.stands]

    @classmethod
    def from_record(cls, record: list[dict[str, Any]]) -> CameraMoves:
        """The way back; KeyError, TypeError or ValueError where it is none."""
        stands = tuple((_numbers(one["from_s"], 1)[0], None if one["R"] is None else
                        (*_numbers(one["R"], 9), *_numbers(one["t"], 3))) for one in record)
        if any(later < from_s - _SAME_S for (from_s, _), (later, _) in pairwise(stands)):
            raise ValueError("the camera's moves are not in order of time")
        return cls(stands)


def _numbers(values: Any, count: int) -> list[float]:
    numbers: list[float] = np.array(values, dtype=float).reshape(count).tolist()
    if not np.isfinite(numbers).all():
        raise ValueError("the camera's moves are not all finite")
    return numbers


UNMOVED: Final = CameraMoves()
