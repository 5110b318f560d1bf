"""Frames passed on while the rails are watched: a camera that moves in mid-clip is followed, or reported."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.clock import ClipClock
from calibration.moves import CameraMoves
from calibration.pose import CameraPose
from calibration.steady import MIN_MARKS, STIRRED_PX, Cutouts, Movement, Steadiness
from calibration.store import Calibration
from pipeline.frames import Frame, Plane

CHECK_EVERY_S = 0.3
KEEP_EVERY_S = 1 / 35  # windows are kept of frames this far apart, unless the camera is moving, or may be: as long as
# it was looked at only once
STEP_PX = 1.0  # in a picture 1280 px long: moves by more between two looks are steps, of which nobody knows when
FIRM_PX = 3.0  # in a picture 1280 px long: a shake by more is worth a remedy
SHOT_S = 2.0  # no shot takes less, and whoever ends a recording by taking the camera down takes no more
TURNS = 3  # times that it goes back where it came from, by more than what stirs: it shakes


@dataclass(frozen=True, eq=False)
class _Sample:
    t_s: float
    movement: Movement


@dataclass(frozen=True, eq=False)
class _Standing:
    """A sample in which the rails were recognised."""

    t_s: float
    movement: Movement
    pose: CameraPose


@dataclass(frozen=True)
class _Away:
    """From when until when the rails were not recognised; ``covered``: by someone, before a camera that stood still."""

    from_s: float
    until_s: float
    covered: bool


@dataclass(frozen=True)
class Remark:
    """What the camera did, in ``words`` for the user, and from when on it concerns what is measured (s; None: always).

    left_out : so much is not measured for it that shots may be missing
    """

    words: str
    from_s: float | None = None
    left_out: bool = False


class CameraWatch:
    """Pass a clip's frames through; afterwards ask what the camera did.

    Three times a second the rails are compared with those of the picture in which the table was found: not with the
    first frame's, as a hand on the record button moves a camera first of all. Where something moved in between, so are
    the frames kept since. Then `correct` puts the balls of the moved frames where they are.

    luma : (H, W) of the picture that the calibration is of
    """

    def __init__(self, frames: Iterable[Frame], calibration: Calibration, luma: Plane) -> None:
        self._frames = frames
        self._calibration = calibration
        self._steadiness = Steadiness(calibration, luma)
        self._samples: list[_Sample] = []
        self._waiting: list[tuple[float, Cutouts]] = []
        self._unit_px = max(calibration.pose.width_px, calibration.pose.height_px) / 1280
        self._moving = False

    def __iter__(self) -> Iterator[Frame]:
        for frame in self._frames:
            if not frame.undecoded:
                self._look(frame)
            yield frame
        self._check()

    def _look(self, frame: Frame) -> None:
        last = self._samples[-1].t_s if self._samples else -np.inf
        kept = self._waiting[-1][0] if self._waiting else last
        if frame.t_s - kept < KEEP_EVERY_S and not self._moving:
            return
        self._waiting.append((frame.t_s, self._steadiness.cutouts(frame.luma)))
        if frame.t_s - last >= CHECK_EVERY_S:
            self._check()

    def _check(self) -> None:
        """Look at the newest waiting frame, and at those before it where the camera moved in between."""
        if not self._waiting:
            return
        t_s, cut = self._waiting.pop()
        newest = _Sample(t_s, self._steadiness.shift(cut))
        kept = [between for _, between in self._waiting]
        known = len(self._samples)
        if kept and self._steadiness.stirred(kept, cut, self._samples[-1].movement, newest.movement):
            self._samples += [_Sample(t, self._steadiness.shift(between)) for t, between in self._waiting]
        self._samples.append(newest)
        self._waiting.clear()
        self._moving = not known or any(b.movement.apart(a.movement) > STIRRED_PX * self._unit_px
                           for a, b in pairwise(self._samples[max(known - 1, 0) :]))

    def remarks(self) -> tuple[Remark, ...]:
        """What to tell the user: nothing when the camera stood still."""
        seen = [s for s in self._samples if s.movement.pose is not None]
        if not seen:
            return (Remark("whether the camera moved could not be checked: too little of the rails is seen"),)
        found: list[Remark] = []
        moved = [s for s in seen if s.movement.moved(self._calibration)]
        if moved:
            most = max(s.movement.largest_px for s in moved)
            how = "shook" if self._shakes() else "moved"
            advice = "; fix it firmly" if self._sways() else ""
            words = f"the camera {how} by up to {most:.1f} px from {moved[0].t_s:.2f} s on; it was followed{advice}"
            found.append(Remark(words, moved[0].t_s))
        gone, covered = ([a for a in self._away() if a.covered == covered] for covered in (False, True))
        if gone:
            words = (f"{_listed(gone)} the rails were not where they were (camera moved or covered): nothing is "
                     "measured there")
            found.append(Remark(words, gone[0].from_s))
        if covered:
            words = (f"{_listed(covered)} most of the rails was covered; by what is seen of them, the camera "
                     "stood still")
            found.append(Remark(words, covered[0].from_s))
        lost = self._lost_from()
        if lost is not None:
            words = (f"from {lost:.2f} s on the rails are no longer where they were (camera moved or covered): "
                     "nothing after that is measured")
            found.append(Remark(words, seen[-1].t_s, self._samples[-1].t_s - lost > SHOT_S))
        return tuple(found)

    def correct(self, detections: pd.DataFrame) -> pd.DataFrame:
        """Places in table mm under the camera as it stood in each frame; the rows of a steady clip as they are."""
        if not len(detections) or not self._samples:
            return detections
        rows = self.recognised(detections)
        poses = self._poses()
        if not poses:
            return rows
        starts = np.array([t_s for t_s, _ in poses])
        which = np.searchsorted(starts, rows["t_s"].to_numpy(float), side="right") - 1
        xy = rows[["x_mm", "y_mm"]].to_numpy(copy=True)
        px = rows[["x_px", "y_px"]].to_numpy()
        z = self._calibration.table.ball.radius_mm
        for i in np.unique(which[which >= 0]):
            pose = poses[i][1]
            if pose is not None:
                xy[which == i] = pose.to_table(px[which == i], z)
        for before, after in self._swings():
            between = rows["t_s"].between(before.t_s, after.t_s, inclusive="neither").to_numpy()
            if between.any():  # frames that were not looked at: as far on the way as their time
                share = ((rows["t_s"].to_numpy(float)[between] - before.t_s) / (after.t_s - before.t_s))[:, None]
                first, last = before.pose.to_table(px[between], z), after.pose.to_table(px[between], z)
                xy[between] = first + share * (last - first)
        return rows.assign(x_mm=xy[:, 0], y_mm=xy[:, 1])

    def _standing(self) -> list[_Standing]:
        return [_Standing(s.t_s, s.movement, s.movement.pose) for s in self._samples if s.movement.pose is not None]

    def _swings(self) -> list[tuple[_Standing, _Standing]]:
        """Looks that follow each other, between which the camera moved by more than noise, and by no step."""
        return [(a, b) for a, b in pairwise(self._standing())
                if STIRRED_PX * self._unit_px < b.movement.apart(a.movement) <= STEP_PX * self._unit_px]

    def _steps(self) -> list[tuple[_Standing, _Standing]]:
        """Looks that follow each other, between which the camera moved by a step."""
        return [(a, b) for a, b in pairwise(self._standing())
                if b.movement.apart(a.movement) > STEP_PX * self._unit_px]

    def _shakes(self) -> bool:
        """Whether the camera goes to and fro."""
        places = np.array([[s.movement.dx_px, s.movement.dy_px] for s in self._standing()]).reshape(-1, 2)
        return any(_turns(along, 2 * STIRRED_PX * self._unit_px) >= TURNS for along in places.T)

    def _sways(self) -> bool:
        """Whether it does so by so much that nobody may take it to stand where it isn't recognised."""
        most = max((one.movement.largest_px for one in self._standing()), default=0.0)
        return most > FIRM_PX * self._unit_px and self._shakes()

    def correct_windows(self, windows: pd.DataFrame) -> pd.DataFrame:
        """Windows of balls (``PictureKeeper.table``), corrected as in `correct`, and moved in the picture to where the
        calibration's own camera would have shown them. How far a camera turns is little beside how a ball does.
        """
        rows = self.correct(windows)
        if not len(rows) or not self._poses():
            return rows
        radius = np.full(len(rows), self._calibration.table.ball.radius_mm)
        places = np.column_stack([rows[["x_mm", "y_mm"]].to_numpy(float), radius])
        off = self._calibration.pose.to_image(places) - rows[["x_px", "y_px"]].to_numpy(float)
        return rows.assign(left_px=rows["left_px"] + off[:, 0], top_px=rows["top_px"] + off[:, 1])

    def moves(self, clock: ClipClock) -> CameraMoves:
        """What `correct` went by, for whoever opens the clip again: at the times at which, by the clip's ``clock``,
        frames were taken.
        """
        poses = self._poses()
        return CameraMoves.of(clock.taken([t_s for t_s, _ in poses]), [pose for _, pose in poses])

    def recognised(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows with ``t_s`` at which the rails were recognised, or covered before a camera that stood still; without
        those of frames that weren't looked at between two between which the camera moved by a step.
        """
        rows = self.until_lost(rows)
        known = pd.Series(True, rows.index)
        for away in self._away():
            if not away.covered:
                known &= ~rows["t_s"].between(away.from_s, away.until_s, inclusive="left")
        for before, after in self._steps():
            known &= ~rows["t_s"].between(before.t_s, after.t_s, inclusive="neither")
        return rows if known.all() else rows[known]

    def until_lost(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows with ``t_s`` from before the rails were no longer recognised: frames after that are none of the clip's,
        while those in between in which they weren't are frames in which no ball was seen.
        """
        lost = self._lost_from()
        return rows if lost is None else rows[rows["t_s"] < lost]

    def _poses(self) -> list[tuple[float, CameraPose | None]]:
        """From what time on which camera holds, None for the calibration's own; empty when it never moved.

        While it stands still in a new place, the samples' poses differ by noise only: the first of them is kept until
        the move differs by more than noise.
        """
        poses: list[tuple[float, CameraPose | None]] = []
        held: Movement | None = None
        for sample in self._samples:
            movement = sample.movement
            if movement.pose is None:
                continue
            here = movement.pose if movement.moved(self._calibration) else None
            same = held is not None and held.pose is not None and _alike(held, movement, self._calibration.pose)
            if here is None and (not poses or poses[-1][1] is None):
                continue
            if here is not None and same and poses and poses[-1][1] is not None:
                continue
            poses.append((sample.t_s, here))
            held = movement
        return poses

    def _away(self) -> list[_Away]:
        """When the rails were not recognised for a while."""
        found = []
        sways = self._sways()
        unseen: list[_Sample] = []
        for sample in self._samples:
            if sample.movement.pose is None:
                unseen.append(sample)
                continue
            if len(unseen) > 1:  # of a single picture it is the picture that is odd
                there = np.median([one.movement.marks_there for one in unseen])
                found.append(_Away(unseen[0].t_s, sample.t_s, bool(there >= MIN_MARKS) and not sways))
            unseen.clear()
        return found

    def _lost_from(self) -> float | None:
        """From when the rails are no longer recognised until the end of the clip, s; None when they are, or never were:
        then a camera that stood still isn't told from one that moved.
        """
        lost: float | None = None
        for sample in reversed(self._samples):
            if sample.movement.pose is not None:
                return lost
            lost = sample.t_s
        return None


def _turns(along: NDArray[np.float64], least: float) -> int:
    """How often it goes back by ``least`` or more after going as far."""
    turns, way, extreme = 0, 0, float(along[0]) if len(along) else 0.0
    for here in along.tolist():
        if way and (here - extreme) * way > 0:
            extreme = here
        elif abs(here - extreme) >= least:
            turns += way != 0
            way, extreme = (1 if here > extreme else -1), here
    return turns


def _listed(times: list[_Away]) -> str:
    words = ", ".join(f"{away.from_s:.2f} and {away.until_s:.2f} s" for away in times[:5])
    return f"between {words}{' ...' if len(times) > 5 else ''}"


def _alike(a: Movement, b: Movement, pose: CameraPose) -> bool:
    noise = 0.15 * max(pose.width_px, pose.height_px) / 1280
    return bool(np.hypot(a.dx_px - b.dx_px, a.dy_px - b.dy_px) < noise and abs(a.largest_px - b.largest_px) < 2 * noise)
