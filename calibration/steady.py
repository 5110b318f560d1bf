"""A camera knocked or sagging in mid-clip, noticed by the rails: they do not move, so what moves is the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import RAIL_ABOVE_NOSE_MM, sights_3d
from calibration.pose import CameraPose
from calibration.store import Calibration

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

PATCH_MM = 60.0  # half side of the patch of rail round each mark
SEARCH_PX = 40  # furthest move found, in a picture 1280 px long; a larger one makes every patch unlike
MIN_LIKENESS = 0.6  # correlation under which a patch is taken as covered
LIKE_ENOUGH = 0.9  # correlation over which it is not looked for elsewhere
MIN_SPREAD = 2.0  # grey levels; a patch with less in it shows nothing
MIN_MARKS = 4
APART_PX = 3.0  # marks may move as differently as that before any is doubted
ROUNDS = 3
STEPS = 6  # of a px at most, in which a mark's place is refined;
AROUND = STEPS + 2  # so far around a patch they may lead
STEADY_PX = 0.3  # moves below this are noise and encoding, in a picture 1280 px long
STIRRED_PX = 0.2  # and so are differences below this from one picture to another
GLANCE_PX = 1.0  # as far from where they were, marks show at a glance whether they moved


@dataclass(frozen=True, eq=False)
class Movement:
    """How the picture has moved since the reference: per mark in px, and which marks were seen.

    ``dx_px, dy_px``: the median move. ``largest_px``: the largest move of a corner of the playing surface under the
    camera's new pose, so that a turn about the middle shows too. nan when too few marks were seen. ``marks_there``:
    that look as they did, where they were; a few tell already that the camera still stands where it stood.
    """

    dx_px: float
    dy_px: float
    largest_px: float
    marks_seen: int
    marks_there: int
    pose: CameraPose | None  # the camera as it stands now; None when too few marks were seen

    def moved(self, calibration: Calibration) -> bool:
        """Whether this is more than noise."""
        longer = max(calibration.pose.width_px, calibration.pose.height_px)
        return bool(self.largest_px > STEADY_PX * longer / 1280)

    def apart(self, other: Movement) -> float:
        """px between where the camera stood then and where it did for an ``other``; nan when either isn't known."""
        turned = abs(self.largest_px - other.largest_px)
        return float(max(np.hypot(self.dx_px - other.dx_px, self.dy_px - other.dy_px), turned))


@dataclass(frozen=True, eq=False)
class Cutouts:
    """The small windows of one picture that Steadiness looks at: cheap to keep while the picture itself is let go."""

    near: NDArray[np.uint8]  # (P, m, m) around each mark, as far as its place is refined
    far: dict[int, NDArray[np.uint8]]  # wider, of those that aren't where they were
    steps: F32  # (P, 2) px, the first by which each one's place would be refined


class Steadiness:
    """Compares the rails of later pictures with those of a reference picture.

    calibration : valid for the reference picture
    luma        : (H, W) bytes of the reference picture, as displayed
    Cheap: some 24 small patches; meant to be asked a few times a second.
    """

    def __init__(self, calibration: Calibration, luma: NDArray[np.uint8]) -> None:
        self._calibration = calibration
        table, pose = calibration.table, calibration.pose
        z = table.nose_height_mm + RAIL_ABOVE_NOSE_MM[0]
        places = np.vstack([sights_3d(table, z, table.sight_offset_mm), _jaws(calibration, z)])
        px = pose.to_image(places)
        step_px, step_mm = px[1] - px[0], places[1] - places[0]
        scale = float(np.linalg.norm(step_px) / np.linalg.norm(step_mm))
        self._half = int(np.clip(round(PATCH_MM * scale), 8, 20))
        self._reach = max(8, round(SEARCH_PX * max(pose.width_px, pose.height_px) / 1280))
        edge = self._half + 4
        inside = (px > edge).all(axis=1) & (px[:, 0] < pose.width_px - edge) & (px[:, 1] < pose.height_px - edge)
        patches = [_Patch.of(luma, place, self._half, self._reach) for place in px[inside]]
        self._patches = [patch for patch in patches if patch is not None]
        self._px = np.array([patch.place for patch in self._patches]).reshape(-1, 2)
        self._patterns = np.array([patch.pattern for patch in self._patches])
        self._solvers = np.array([patch.whole_solver for patch in self._patches], np.float32)
        self._unit_px = max(pose.width_px, pose.height_px) / 1280
        self._world = np.empty((0, 3))
        if self._patches:
            self._world = np.column_stack([pose.to_table(self._px, z), np.full(len(self._px), z)])

    @property
    def marks(self) -> int:
        """How many patches can be followed."""
        return len(self._patches)

    def cutouts(self, luma: NDArray[np.uint8]) -> Cutouts:
        """What `shift` needs of a picture, copied."""
        size = 2 * (self._half + AROUND) + 1
        near = np.empty((len(self._patches), size, size), np.uint8)
        if not self._patches:
            return Cutouts(near, {}, np.zeros((0, 2), np.float32))
        for patch, window in zip(self._patches, near, strict=True):
            seen = luma[patch.near]
            window[:] = seen if seen.shape == window.shape else patch.padded(seen)
        there = near[:, AROUND:-AROUND, AROUND:-AROUND].astype(float).reshape(len(near), -1)
        row, column = there[:, None], there[:, :, None]
        spread2 = (row @ column)[:, 0, 0] - there.sum(axis=1) ** 2 / there.shape[1]
        alike = (self._patterns[:, None] @ column)[:, 0, 0]
        likeness = alike / np.maximum(1e-6, np.sqrt(np.maximum(spread2, 0.0)))
        astray = np.flatnonzero(likeness < LIKE_ENOUGH).tolist()
        steps = (self._solvers @ column.astype(np.float32))[:, :, 0]
        return Cutouts(near, {i: luma[self._patches[i].far].copy() for i in astray}, steps)

    def stirred(self, kept: Sequence[Cutouts], newest: Cutouts, before: Movement, now: Movement) -> bool:
        """Whether the camera may have moved, if only there and back, from one look at a picture to the next.

        kept        : of the pictures between them, not looked at yet
        newest, now : of the later picture; ``before``: of the earlier one
        No look at a kept one, but a glance: beside one at each picture, that costs next to nothing.
        """
        if not now.largest_px < GLANCE_PX * self._unit_px or not now.apart(before) < STIRRED_PX * self._unit_px:
            return True
        more = len(newest.far) + MIN_MARKS
        return any(len(one.far) >= more or self._differ(one, newest) for one in kept)

    def _differ(self, one: Cutouts, other: Cutouts) -> bool:
        """Whether most marks seem to be elsewhere."""
        apart = np.hypot(*(one.steps - other.steps).T)
        return bool(2 * np.count_nonzero(apart > STIRRED_PX * self._unit_px) > len(apart))

    def shift(self, picture: NDArray[np.uint8] | Cutouts) -> Movement:
        """The move of the picture (luma, or its cutouts) since the reference picture."""
        cut = picture if isinstance(picture, Cutouts) else self.cutouts(picture)
        shifts = [patch.follow(cut.near[i], cut.far.get(i)) for i, patch in enumerate(self._patches)]
        seen = np.array([s is not None for s in shifts], dtype=bool)
        there = len(self._patches) - len(cut.far)
        nothing = Movement(float("nan"), float("nan"), float("nan"), int(seen.sum()), there, None)
        if seen.sum() < MIN_MARKS:
            return nothing
        moves = np.array([s for s in shifts if s is not None])
        middle = np.median(moves, axis=0)
        pose = self._calibration.pose
        fitted = _moved_pose(pose, self._world[seen], self._px[seen], moves)
        if fitted is None:
            return nothing
        table = self._calibration.table
        noses = np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)])
        largest = float(np.linalg.norm(fitted.to_image(noses) - pose.to_image(noses), axis=1).max())
        return Movement(float(middle[0]), float(middle[1]), largest, int(seen.sum()), there, fitted)

    def follow(self, luma: NDArray[np.uint8]) -> Calibration | None:
        """The calibration as it is in this picture; None when too few marks are seen to tell."""
        movement = self.shift(luma)
        if movement.pose is None:
            return None
        if not movement.moved(self._calibration):
            return self._calibration
        return replace(
            self._calibration, pose=movement.pose, how=f"{self._calibration.how}, followed after the camera moved",
            warnings=(*self._calibration.warnings, f"the camera moved by {movement.largest_px:.1f} px in the clip"),
        )


@dataclass(frozen=True, eq=False)
class _Patch:
    """A piece of rail in the reference picture, and the window of later pictures in which it is looked for."""

    place: F64  # centre, px
    grey: F32
    pattern: F64  # grey less its mean, as a row of unit length
    solver: F64  # from grey values to shift x, shift y, gain, level
    half: int
    near: tuple[slice, slice]  # rows and columns as far around as it is refined,
    far: tuple[slice, slice]  # and as far as it is looked for

    @classmethod
    def of(cls, luma: NDArray[np.uint8], place: F64, half: int, reach: int) -> _Patch | None:
        """None where there is nothing to see. The place is rounded to a whole pixel."""
        x, y = (int(v) for v in np.round(place))
        grey = luma[y - half : y + half + 1, x - half : x + half + 1].astype(np.float32)
        if float(grey.std()) < MIN_SPREAD:
            return None
        dx, dy = cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3) / 8, cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=3) / 8
        parts = (dx, dy, grey, np.ones_like(grey))
        design = np.column_stack([np.asarray(part, dtype=float)[2:-2, 2:-2].ravel() for part in parts])
        normal = design[:, :2].T @ design[:, :2]
        if np.linalg.eigvalsh(normal)[0] < 0.02 * np.trace(normal):  # a straight edge: its shift along itself is unseen
            return None
        pattern = grey.ravel().astype(float) - grey.mean(dtype=float)
        pattern /= np.sqrt(pattern @ pattern)
        solver = np.linalg.solve(design.T @ design, design.T)
        near, far = (
            (slice(max(0, y - away), y + away + 1), slice(max(0, x - away), x + away + 1))
            for away in (half + AROUND, half + reach)
        )
        return cls(np.array([x, y], dtype=float), grey, pattern, solver, half, near, far)

    @property
    def whole_solver(self) -> F64:
        """(2, m * m) from the grey values of the patch, its margin too, to the shift in x and y."""
        rows = np.zeros((2, *self.grey.shape))
        rows[:, 2:-2, 2:-2] = -self.solver[:2].reshape(2, *rows[0, 2:-2, 2:-2].shape)
        return rows.reshape(2, -1)

    def padded(self, near: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """A window that the picture's edge cuts short, with that edge repeated."""
        (rows, columns), size = self.near, 2 * (self.half + AROUND) + 1
        top, left = size - (rows.stop - rows.start), size - (columns.stop - columns.start)
        bottom, right = size - top - near.shape[0], size - left - near.shape[1]
        return np.asarray(cv2.copyMakeBorder(near, top, bottom, left, right, cv2.BORDER_REPLICATE), np.uint8)

    def follow(self, near: NDArray[np.uint8], far: NDArray[np.uint8] | None) -> F64 | None:
        """(2,) px the patch has moved; None when it is covered or out of the picture.

        near : around where it was; far : where it is to be looked for, None if it is where it was
        """
        middle = self.half + AROUND
        if far is None:
            found = self._refined(near.astype(np.float32), middle, middle)
            return None if found is None else np.array(found) - middle
        if min(far.shape) < 2 * self.half + 1:
            return None
        likeness = cv2.matchTemplate(far.astype(np.float32), self.grey, cv2.TM_CCOEFF_NORMED)
        _, best, _, (left, top) = cv2.minMaxLoc(likeness)
        if best < MIN_LIKENESS:
            return None
        found = self._refined(far.astype(np.float32), left + self.half, top + self.half)
        return None if found is None else np.array(found) - self.place + [self.far[1].start, self.far[0].start]

    def _refined(self, window: F32, x0: int, y0: int) -> tuple[float, float] | None:
        """Gauss-Newton on the shift, brightness and contrast left free; None when it runs away."""
        size, x, y = 2 * self.half + 1, float(x0), float(y0)
        for _ in range(STEPS):
            here = cv2.getRectSubPix(window, (size, size), (x, y))
            step_x, step_y, gain, _ = (self.solver @ here[2:-2, 2:-2].ravel()).tolist()
            if gain < 0.2:
                return None
            step_x, step_y = -step_x / gain, -step_y / gain
            x, y = x + min(max(step_x, -1.0), 1.0), y + min(max(step_y, -1.0), 1.0)
            if max(abs(step_x), abs(step_y)) < 0.005:
                break
        return (x, y) if max(abs(x - x0), abs(y - y0)) < 3.0 else None


def _jaws(calibration: Calibration, z_mm: float) -> F64:
    """(N, 3) places on the rails beside the pockets, rich in edges; the corners of the rails on a carom table."""
    table = calibration.table
    xy = np.array(list(table.pocket_centres_mm.values())) if table.pockets else table.corners_mm
    middle = np.array([table.length_mm / 2, table.width_mm / 2])
    outwards = np.sign(xy - middle) * (np.abs(xy - middle) > 1.0)
    return np.column_stack([xy + 60.0 * outwards, np.full(len(xy), z_mm)])


def _moved_pose(pose: CameraPose, world: F64, px: F64, moves: F64) -> CameraPose | None:
    """The same camera turned and shifted so that the marks are where they are seen now, without those that were found
    at a look-alike's place: a few of them pull a fit of all so far off that none stands out.
    """
    rvec, _ = cv2.Rodrigues(pose.R)
    apart = np.linalg.norm(moves - np.median(moves, axis=0), axis=1)  # a turn moves marks differently, but smoothly
    good = apart < max(APART_PX, 3 * float(np.median(apart)))
    for _ in range(ROUNDS):
        if good.sum() < MIN_MARKS:
            return None
        turned, shifted = cv2.solvePnPRefineLM(
            world[good].reshape(-1, 1, 3), (px + moves)[good].reshape(-1, 1, 2), pose.K, pose.distortion, rvec.copy(),
            pose.t_mm.reshape(3, 1).copy(),
        )
        rotation, _ = cv2.Rodrigues(turned)
        fitted = replace(pose, R=np.asarray(rotation, dtype=float), t_mm=np.asarray(shifted, dtype=float).ravel())
        miss = np.linalg.norm(fitted.to_image(world) - px - moves, axis=1)
        before, good = good, miss < max(0.5, 4 * float(np.median(miss)))
        if (good == before).all():
            break
    agreed = 0.5 * max(1.0, max(pose.width_px, pose.height_px) / 1280)
    if good.sum() < max(MIN_MARKS, 0.6 * len(world)) or float(np.median(miss)) > agreed:
        return None  # no move of a camera does this to them: look-alikes elsewhere on the rails
    return fitted
