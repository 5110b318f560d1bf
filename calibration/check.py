"""How far a fit can be believed: marks left out of it, what its covariance promises, what contradicts it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.fit import Fit
from calibration.model import Marks, sights_3d
from shared.equipment import CUSHIONS, STANDARDS, Table

F64 = NDArray[np.float64]

MAX_CORNER_U_PX = 2.0  # k=1, in a picture 1280 px long: beyond it a corner could be 8 px out (4 standard uncertainties)
MAX_LEFT_OUT_PX = 0.8  # median miss of sights predicted by the others, in a picture 1280 px long
MIN_SIGHTS = 6  # fewer, and only nose lines and cloth ends are counted on
OFFSET_WARN_MM = 5.5  # three times the standard tolerance: such sights speak for another size of table
NOSE_WARN_PX = 1.5
UNUSUAL_LENS = 2.5  # standard deviations from the usual focal length, centre or distortion
LOOSE_CORNER_U_PX = 0.8  # in a picture 1280 px long: worth telling
UNUSUAL_CAMERA = "the camera that fits is an unusual one"
NO_LENS = 4.0  # the same: no camera that people film with


@dataclass(frozen=True, eq=False)
class CalibrationCheck:
    """What was seen and how well it agrees. ``corner_u_px``: (4,) standard uncertainty of each nose-line corner.

    ``left_out_px``: median over the sights of the distance between a sight and its place predicted from all the other
    marks; nan without sights. ``sights_in_picture``: how many could have been seen.
    """

    sights_found: int
    sights_in_picture: int
    rails_with_sights: int
    left_out_px: float
    corner_u_px: F64
    noses_seen: tuple[str, ...]
    cloth_ends_seen: tuple[str, ...]
    pockets_seen: float  # share of the pockets in the picture that do not look like cloth; nan when not looked at
    refusal: str  # why the fit may not be used; empty when it may
    warnings: tuple[str, ...]


def check_fit(
    fit: Fit, marks: Marks, table: Table, *, pockets_seen: float = float("nan"), by_hand: bool = False
) -> CalibrationCheck:
    """Judge a fit on what it can be judged on; the four corners alone would prove nothing.

    ``by_hand``: corners marked by a person are not refused for want of marks.
    """
    pose = fit.pose
    longer = max(pose.width_px, pose.height_px) / 1280
    px = pose.to_image(sights_3d(table, fit.rail_z_mm, fit.sight_offset_mm))
    inside = (px > 2).all(axis=1) & (px[:, 0] < pose.width_px - 3) & (px[:, 1] < pose.height_px - 3)
    rails = rails_of(marks.sight, table)
    left_out = float(np.median(fit.left_out_px)) if len(fit.left_out_px) >= MIN_SIGHTS else float("nan")
    corner_u = corner_uncertainty_px(fit, table)
    noses = tuple(c for c in CUSHIONS if ("nose", c) in fit.edge_residuals_px)
    cloth = tuple(c for c in CUSHIONS if ("cloth", c) in fit.edge_residuals_px)
    by_sights = len(marks.sight) >= MIN_SIGHTS and sum(n >= 2 for n in rails) >= 2
    refusal = ""
    if not by_hand:
        refusal = _refusal(
            table, longer, left_out=left_out if by_sights else None, corner_u=float(corner_u.max()),
            lens_strain=fit.lens_strain, seen=(len(marks.sight), len(noses), len(cloth)), pockets_seen=pockets_seen,
        )
    return CalibrationCheck(
        len(marks.sight), int(inside.sum()), sum(n > 0 for n in rails), left_out, corner_u, noses, cloth, pockets_seen,
        refusal, () if refusal else tuple(_contradictions(fit, table, by_sights, longer, by_hand)),
    )


def _refusal(
    table: Table, longer: float, *, left_out: float | None, corner_u: float, lens_strain: float,
    seen: tuple[int, int, int], pockets_seen: float,
) -> str:
    """Why a fit may not be used, or nothing. ``left_out`` None: too few sights to go by them; ``longer``: px / 1280."""
    sights, noses, cloth = seen
    if left_out is not None and left_out > MAX_LEFT_OUT_PX * longer:
        return (
            f"the sights do not fit a table of {table.length_mm:.0f} x {table.width_mm:.0f} mm (each predicted by the "
            f"others misses by {left_out:.1f} px, {MAX_LEFT_OUT_PX * longer:.1f} px is allowed). Check the table's size"
        )
    if left_out is None and (noses + sights // 2 < 2 or cloth < 4):  # a few sights hold a table as a nose line does
        return (
            f"only {sights} sights, {noses} nose lines and {cloth} cloth edges were seen; {MIN_SIGHTS} sights on two "
            "rails, or two nose lines and four cloth edges, are needed. Film the whole table from above, well lit"
        )
    if left_out is None and table.pockets and not pockets_seen >= 0.8:
        return "a rectangle of one colour was found, but no pockets at its corners and no sights round it"
    if lens_strain > NO_LENS:
        return (
            f"no usual camera sees a table of {table.length_mm:.0f} x {table.width_mm:.0f} mm like this. Check the "
            "table's length and width"
        )
    if corner_u > MAX_CORNER_U_PX * longer:
        return (
            f"the corners are only known to {corner_u:.1f} px (k=1), {MAX_CORNER_U_PX * longer:.1f} px is needed. "
            "Show all four rails, in focus"
        )
    return ""


def rails_of(rows: NDArray[np.int64], table: Table) -> tuple[int, int, int, int]:
    """How many of these sights stand on the head, foot, right and left rail."""
    xy = table.sights_mm[rows]
    return (int((xy[:, 0] < 0).sum()), int((xy[:, 0] > table.length_mm).sum()), int((xy[:, 1] < 0).sum()),
            int((xy[:, 1] > table.width_mm).sum()))


def corner_uncertainty_px(fit: Fit, table: Table) -> F64:
    """(4,) standard uncertainty of the nose-line corners, both directions together, px."""
    return fit.pose.image_uncertainty(np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)]))


def _contradictions(fit: Fit, table: Table, by_sights: bool, longer: float, by_hand: bool) -> list[str]:
    found = []
    miss = fit.sight_offset_mm - table.sight_offset_mm
    if by_sights and abs(miss) > OFFSET_WARN_MM:
        real = table.length_mm * table.sight_offset_mm / fit.sight_offset_mm
        likely = min(STANDARDS.values(), key=lambda s: abs(s.length_mm - real))
        hint = f" ({likely.name}?)" if abs(likely.length_mm - real) < 0.06 * real else ""
        found.append(
            f"the sights stand {fit.sight_offset_mm:.0f} mm behind the noses, not {table.sight_offset_mm:.0f} mm as "
            f"expected, as on a table about {real:.0f} mm long{hint}: check the table's size, all lengths depend on it"
        )
    apart = [
        f"{cushion} {np.median(r):+.1f} px" for (kind, cushion), r in fit.edge_residuals_px.items()
        if kind == "nose" and abs(float(np.median(r))) > NOSE_WARN_PX * longer
    ]
    if apart:
        found.append(f"nose lines seen away from where the sights put them: {', '.join(apart)}; check the table's size")
    pose = fit.pose
    loose = float(corner_uncertainty_px(fit, table).max())
    if loose > LOOSE_CORNER_U_PX * longer:
        words = "the corners are given by hand and" if by_hand else "few marks were seen, so the corners are"
        found.append(f"{words} only known to {loose:.1f} px (k=1)")
    if fit.lens_strain > UNUSUAL_LENS:
        found.append(
            f"{UNUSUAL_CAMERA} (focal length {pose.K[0, 0]:.0f} px, k1 {pose.distortion[0]:+.2f})"
            ": check the table's length and width"
        )
    px = pose.to_image(np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)]))
    hidden = (px < 0).any(axis=1) | (px[:, 0] > pose.width_px - 1) | (px[:, 1] > pose.height_px - 1)
    if hidden.any():
        found.append(f"{int(hidden.sum())} corner(s) of the playing surface lie outside the picture")
    return found
