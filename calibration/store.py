"""One clip's calibration as a value, and calibration.json."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.clock import AS_STAMPED, ClipClock
from calibration.moves import UNMOVED, CameraMoves
from calibration.pose import CameraPose
from shared.equipment import Ball, Table
from shared.errors import CalibrationError
from shared.files import write_json

OF_ALL_FRAMES: Final = ("clock", "moves")  # keys of a record that a picture of the table doesn't tell


@dataclass(frozen=True, eq=False)
class Calibration:
    """Camera, table and clock of one clip, and how its camera moved.

    ``pose``: of the picture in which the table was found.
    ``rms_px``: reprojection error over all marks used; nan where four corners given by hand leave none.
    ``how``: "found in the picture", "corners given" ...
    ``warnings``: plain sentences to pass on to the user (they end up in ``notes``).
    """

    clip: str
    pose: CameraPose
    table: Table
    rms_px: float
    how: str
    warnings: tuple[str, ...] = field(default=())
    clock: ClipClock = AS_STAMPED
    moves: CameraMoves = UNMOVED

    def pose_at(self, taken_s: float) -> CameraPose:
        """The camera as it stood when a frame was taken; the same object as long as it stood still."""
        return self._poses[self.moves.which(taken_s)]

    @cached_property
    def _poses(self) -> tuple[CameraPose, ...]:
        return self.moves.poses(self.pose)

    @property
    def corners_px(self) -> NDArray[np.float64]:
        """(4, 2) nose-line corners in the picture, order (0,0) (L,0) (L,W) (0,W)."""
        noses = np.column_stack([self.table.corners_mm, np.full(4, self.table.nose_height_mm)])
        return self.pose.to_image(noses)

    @property
    def rms_words(self) -> str:
        """How well it fits, for people: "0.40 px rms", or that there is nothing to tell it by."""
        return f"{self.rms_px:.2f} px rms" if np.isfinite(self.rms_px) else "corners by hand: no residual"

    @property
    def corners_u_px(self) -> NDArray[np.float64] | None:
        """(4,) standard uncertainty of the corners (both directions together, k=1); None when unknown."""
        if self.pose.covariance is None or not self.pose.covariance.size:
            return None
        noses = np.column_stack([self.table.corners_mm, np.full(4, self.table.nose_height_mm)])
        return self.pose.image_uncertainty(noses)

    def position_covariance(self, xy_mm: ArrayLike, z_mm: float) -> NDArray[np.float64]:
        """(N, 2, 2) mm²: what the camera's and the table size's uncertainty does to places in the plane ``z_mm``.

        Systematic: the same for every frame of the clip. Zeros from the camera where its covariance is unknown.
        """
        xy = np.atleast_2d(np.asarray(xy_mm, dtype=float))
        share = xy / [self.table.length_mm, self.table.width_mm]
        total = np.zeros((len(xy), 2, 2))
        total[:, [0, 1], [0, 1]] = (share * [self.table.length_u_mm, self.table.width_u_mm]) ** 2
        if self.pose.covariance is not None and self.pose.covariance.size:
            px = self.pose.to_image(np.column_stack([xy, np.full(len(xy), z_mm)]))
            jacobian = self.pose.table_jacobian(px, z_mm)
            total += np.einsum("nij,jk,nlk->nil", jacobian, self.pose.covariance, jacobian)
        return total


def to_record(calibration: Calibration) -> dict[str, Any]:
    """The clip's entry in calibration.json: plain numbers, lists and words.

    ``t`` in mm with ``X_camera = R X_table + t``; ``distortion`` k1, k2, p1, p2, k3 (OpenCV); ``covariance`` of
    ``parameters`` (px, mm, radians; the rotation as a rotation vector), None when unknown. ``clock``, ``moves``: see
    `ClipClock`, `CameraMoves`.
    """
    pose, table, clock = calibration.pose, calibration.table, calibration.clock
    corners_u = calibration.corners_u_px
    return {
        "clip": calibration.clip,
        "width_px": pose.width_px,
        "height_px": pose.height_px,
        "corners_px": calibration.corners_px.tolist(),
        "corners_u_px": None if corners_u is None else corners_u.tolist(),
        "K": pose.K.tolist(),
        "distortion": pose.distortion.tolist(),
        "R": pose.R.tolist(),
        "t": pose.t_mm.tolist(),
        "rms_px": calibration.rms_px if np.isfinite(calibration.rms_px) else None,
        "how": calibration.how,
        "warnings": list(calibration.warnings),
        "table": asdict(table),
        "parameters": list(pose.parameters),
        "covariance": None if pose.covariance is None or not pose.covariance.size else pose.covariance.tolist(),
        "clock": {"again_s": list(clock.again), "later_s": [list(jump) for jump in clock.later]},
        "moves": calibration.moves.to_record(),
    }


def from_record(record: dict[str, Any]) -> Calibration:
    """A calibration from its entry; KeyError, TypeError or ValueError where it is none."""
    table = dict(record["table"])
    if "size_u_mm" in table:  # as written until length and width had an uncertainty each
        table["length_u_mm"] = table["width_u_mm"] = table.pop("size_u_mm")
    table["ball"] = Ball(**table["ball"])
    covariance = record.get("covariance")
    pose = CameraPose(
        K=np.array(record["K"], dtype=float), distortion=np.array(record["distortion"], dtype=float),
        R=np.array(record["R"], dtype=float), t_mm=np.array(record["t"], dtype=float),
        width_px=int(record["width_px"]), height_px=int(record["height_px"]),
        parameters=tuple(record.get("parameters", ())),
        covariance=None if covariance is None else np.array(covariance, dtype=float),
    )
    rms = record.get("rms_px")
    clock = record.get("clock", {"again_s": [], "later_s": []})  # until clocks were kept
    return Calibration(
        clip=str(record["clip"]), pose=pose, table=Table(**table), rms_px=float("nan") if rms is None else float(rms),
        how=str(record["how"]), warnings=tuple(record.get("warnings", ())),
        clock=ClipClock(tuple(map(float, clock["again_s"])),
                        tuple((float(from_s), float(by_s)) for from_s, by_s in clock["later_s"])),
        moves=CameraMoves.from_record(record.get("moves", [])),  # until they were kept
    )


def write_calibrations(path: Path, calibrations: Iterable[Calibration]) -> None:
    """Write calibration.json: one entry per clip, by the clip's name."""
    write_json(path, {calibration.clip: to_record(calibration) for calibration in calibrations})


def read_calibrations(path: Path) -> list[Calibration]:
    """Read calibration.json, in the order in which it was written."""
    try:
        return [from_record(record) for record in json.loads(path.read_text(encoding="utf-8")).values()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise CalibrationError(f"{path} cannot be read as calibrations ({error!r}); measure again.") from error
