"""Marks of a table found in a picture near where a pose predicts them: cloth ends, nose lines, sights."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import EdgePoints, cushion_length_mm, line_points, sights_3d
from calibration.pose import CameraPose
from shared.equipment import CUSHIONS, Cushion, Table

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
Flags = NDArray[np.bool_]

STATIONS = 72  # profiles across each cushion
POCKET_CLEAR_MM = 105.0  # jaws and pockets kept out of the straight cushions
SIGHT_U_PX = 0.06
NOSE_U_PX = 0.25  # of a whole line: blur and the shadow beside a nose shift its edge the same way all along
NOSE_STEP = 0.2  # least darkening under a nose, of the cushion's brightness: a fainter edge is shading, not a nose
CLOTH_U_PX = 0.8  # of a whole line, as the cloth need not end at one distance on all cushions
POCKET_CONTRAST = 14.0  # grey levels (all three channels together)
BINS = 6  # points handed on per line


def _stations(table: Table, cushion: Cushion) -> F64:
    """(N,) places along a cushion, mm, away from the pockets."""
    length = cushion_length_mm(table, cushion)
    clear = POCKET_CLEAR_MM if table.pockets else 30.0
    along = np.linspace(clear, length - clear, STATIONS)
    if table.pockets and cushion in ("right", "left"):
        along = along[np.abs(along - length / 2) > clear]
    return along


def _sample(picture: NDArray[np.uint8], xy_px: F64, shape: tuple[int, ...]) -> F32:
    maps = xy_px.astype(np.float32)
    values = cv2.remap(
        picture, maps[:, 0].reshape(shape), maps[:, 1].reshape(shape), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return values.astype(np.float32)


def _inside(xy_px: F64, pose: CameraPose, margin: float = 1.0) -> NDArray[np.bool_]:
    return np.asarray(
        (xy_px[:, 0] > margin) & (xy_px[:, 1] > margin)
        & (xy_px[:, 0] < pose.width_px - 1 - margin) & (xy_px[:, 1] < pose.height_px - 1 - margin)
    )


def _profiles(
    picture: NDArray[np.uint8], pose: CameraPose, table: Table, cushion: Cushion, *,
    z_mm: float, from_mm: float, to_mm: float, step_px: float,
) -> tuple[F32, F64, F64, Flags, float]:
    """Profiles across a cushion: values (S, D, 3), along (S,), behind (D,) mm, which stations are in the picture."""
    along = _stations(table, cushion)
    half = np.full(2, cushion_length_mm(table, cushion) / 2)
    px = pose.to_image(line_points(table, cushion, half, np.array([0.0, 10.0]), z_mm))
    scale = float(np.linalg.norm(px[1] - px[0])) / 10  # px per mm
    behind = np.asarray(np.arange(from_mm, to_mm, step_px / scale), dtype=float)
    s, d = np.meshgrid(along, behind, indexing="ij")
    where = pose.to_image(line_points(table, cushion, s.ravel(), d.ravel(), z_mm))
    usable = np.asarray(_inside(where, pose).reshape(s.shape).all(axis=1), dtype=np.bool_)
    if len(behind) < 4:  # of a guess that is far off: no pixel deep
        usable[:] = False
    return _sample(picture, where, s.shape), along, behind, usable, scale


def _smooth(profiles: F32, sigma_along: float, sigma_across: float) -> F32:
    return np.asarray(cv2.GaussianBlur(profiles, (0, 0), sigmaX=max(0.1, sigma_across), sigmaY=max(0.1, sigma_along),
                                       borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def _peaks(response: F32, behind: F64) -> tuple[F64, F64]:
    """Per station the place of the largest response, to a fraction of a step, and its height."""
    at = np.clip(np.argmax(response, axis=1), 1, response.shape[1] - 2)
    rows = np.arange(len(response))
    left, mid, right = response[rows, at - 1], response[rows, at], response[rows, at + 1]
    bend = left - 2 * mid + right
    shift = np.where(np.abs(bend) > 1e-9, 0.5 * (left - right) / np.where(np.abs(bend) > 1e-9, bend, 1.0), 0.0)
    step = behind[1] - behind[0]
    return behind[at] + np.clip(shift, -0.5, 0.5) * step, mid.astype(float)


@cache
def _pairs(count: int) -> NDArray[np.int64]:
    """(60, 2) pairs of that many stations, always the same ones."""
    rng = np.random.default_rng(3)
    return np.array([rng.choice(count, 2, replace=False) for _ in range(60)])


def _agreeing(along: F64, place: F64, good: NDArray[np.bool_], tolerance: float) -> NDArray[np.bool_]:
    """Stations whose place lies on one smooth curve (a line with a slight bend) along the cushion."""
    if good.sum() < 8:
        return np.zeros(len(place), dtype=bool)
    t = (along - along.mean()) / (np.ptp(along) / 2)
    index = np.flatnonzero(good)
    one, other = index[_pairs(len(index))].T
    far = np.abs(t[one] - t[other]) >= 0.3
    one, other = one[far], other[far]
    if not len(one):
        return np.zeros(len(place), dtype=bool)
    slope = (place[other] - place[one]) / (t[other] - t[one])
    lines = place[one, None] + slope[:, None] * (t - t[one, None])
    near = good & (np.abs(place - lines) < 2 * tolerance)
    best = np.asarray(near[int(np.argmax(near.sum(axis=1)))], dtype=np.bool_)
    if best.sum() < 8:
        return best
    for degree in (1, 2, 2):
        curve = np.polynomial.Polynomial.fit(t[best], place[best], degree)
        best = np.asarray(good & (np.abs(place - curve(t)) < tolerance), dtype=np.bool_)
        if best.sum() < 8:
            return best
    return best


def _binned(along: F64, place: F64) -> tuple[F64, F64]:
    """A few means along the line in place of every station: the noise averaged, the common error left to ``u_px``."""
    parts = [p for p in np.array_split(np.arange(len(along)), BINS) if len(p)]
    return np.array([along[p].mean() for p in parts]), np.array([place[p].mean() for p in parts])


def cloth_ends(
    picture: NDArray[np.uint8], pose: CameraPose, table: Table, *, rail_z_mm: float, behind_mm: float, window_mm: float
) -> list[EdgePoints]:
    """Where the cloth ends at the rail's wood, per cushion: the largest change of colour near the prediction."""
    found = []
    for cushion in CUSHIONS:
        raw, along, behind, usable, scale = _profiles(
            picture, pose, table, cushion, z_mm=rail_z_mm, from_mm=behind_mm - window_mm, to_mm=behind_mm + window_mm,
            step_px=0.5,
        )
        if usable.sum() < 12:
            continue
        smooth = _smooth(raw, 1.0, 2.0)
        gradient = np.gradient(smooth, axis=1)
        direction = np.median(gradient[usable], axis=0)  # (D, 3): colour change per place, the cushion's typical one
        size = np.linalg.norm(direction, axis=1)
        peak = direction[int(np.argmax(size))]
        if np.linalg.norm(peak) < 0.25:
            continue
        response = gradient @ (peak / np.linalg.norm(peak))
        place, height = _peaks(response.astype(np.float32), behind)
        good = usable & (height > 0.3 * np.median(height[usable]))
        agreeing = _agreeing(along, place, good, 1.0 / scale)
        if agreeing.sum() < 0.35 * usable.sum():
            continue
        s, d = _binned(along[agreeing], place[agreeing])
        xyz = line_points(table, cushion, s, d, rail_z_mm)
        found.append(EdgePoints("cloth", cushion, pose.to_image(xyz), CLOTH_U_PX * np.sqrt(len(s))))
    return found


def nose_lines(picture: NDArray[np.uint8], pose: CameraPose, table: Table, *, window_mm: float) -> list[EdgePoints]:
    """Nose lines that can be seen: from the lit cushion to the darker cloth under it, the same all along."""
    found = []
    for cushion in CUSHIONS:
        raw, along, behind, usable, scale = _profiles(
            picture, pose, table, cushion, z_mm=table.nose_height_mm, from_mm=-window_mm, to_mm=window_mm, step_px=0.35
        )
        if usable.sum() < 12:
            continue
        luma = raw @ np.array([0.114, 0.587, 0.299], dtype=np.float32)
        smooth = _smooth(luma, 1.5, 1.4)  # half a pixel across
        response = np.gradient(smooth, axis=1)  # brighter going back from the bed: the nose
        typical = np.median(response[usable], axis=0)
        noise = 1.4826 * np.median(np.abs(response[usable] - typical)) + 1e-6
        place, height = _peaks(response.astype(np.float32), behind)
        good = usable & (height > 3.0 * noise)
        agreeing = _agreeing(along, place, good, 0.6 / scale)
        if agreeing.sum() < 0.6 * usable.sum():
            continue
        s, d = _binned(along[agreeing], place[agreeing])
        if _step(smooth[agreeing], behind * scale, float(np.median(place[agreeing])) * scale) < NOSE_STEP:
            continue
        xyz = line_points(table, cushion, s, d, table.nose_height_mm)
        found.append(EdgePoints("nose", cushion, pose.to_image(xyz), NOSE_U_PX * np.sqrt(len(s))))
    return found


def _step(profiles: F32, behind_px: F64, edge_px: float) -> float:
    """How much darker it is just before the edge than behind it, as a share of the brightness behind it."""
    typical = np.median(profiles, axis=0)
    before = typical[(behind_px > edge_px - 3.0) & (behind_px < edge_px)]
    after = typical[(behind_px > edge_px + 1.0) & (behind_px < edge_px + 4.0)]
    if not len(before) or not len(after):
        return 0.0
    return float((np.median(after) - before.min()) / max(1.0, float(np.median(after))))


def sights(
    picture: NDArray[np.uint8], pose: CameraPose, table: Table, *, rail_z_mm: float, offset_mm: float, window_mm: float
) -> tuple[NDArray[np.int64], F64, F64]:
    """Bright marks near the predicted sights: rows of Table.sights_mm, centres (N, 2) px, contrast over noise (N,)."""
    predicted = pose.to_image(sights_3d(table, rail_z_mm, offset_mm))
    nearby = pose.to_image(sights_3d(table, rail_z_mm, offset_mm + 10.0))
    scales = np.linalg.norm(nearby - predicted, axis=1) / 10
    rows, centres, strengths = [], [], []
    for row, (place, scale) in enumerate(zip(predicted, scales, strict=True)):
        reach = int(np.ceil((window_mm + 26.0) * scale))
        x0, y0 = round(float(place[0])) - reach, round(float(place[1])) - reach
        x1, y1 = x0 + 2 * reach + 1, y0 + 2 * reach + 1
        if x0 < 0 or y0 < 0 or x1 > pose.width_px or y1 > pose.height_px:
            continue
        luma = cv2.cvtColor(np.ascontiguousarray(picture[y0:y1, x0:x1]), cv2.COLOR_BGR2GRAY).astype(np.float32)
        seen = _spot(luma, place - [x0, y0], scale, window_mm)
        if seen is not None:
            rows.append(row)
            centres.append(seen[0] + [x0, y0])
            strengths.append(seen[1])
    return np.array(rows, dtype=np.int64), np.array(centres).reshape(-1, 2), np.array(strengths)


def _spot(luma: F32, expected: F64, scale: float, window_mm: float) -> tuple[F64, float] | None:
    """Centre and strength of the brightest compact spot near ``expected``."""
    sigma = max(0.8, 5.0 * scale)
    response = cv2.GaussianBlur(luma, (0, 0), sigma) - cv2.GaussianBlur(luma, (0, 0), 2.2 * sigma)
    y, x = np.ogrid[0 : luma.shape[0], 0 : luma.shape[1]]
    near = (x - expected[0]) ** 2 + (y - expected[1]) ** 2 <= max(2.0, window_mm * scale) ** 2
    masked = np.where(near, response, -np.inf)
    at_y, at_x = np.unravel_index(int(np.argmax(masked)), masked.shape)
    peak = float(masked[at_y, at_x])
    if peak < 1.5:
        return None
    noise = 1.4826 * float(_middle(np.abs(response - _middle(response)))) + 0.15
    if peak < 4.0 * noise:
        return None
    radius = max(2.0, 17.0 * scale)
    distance2 = (x - at_x) ** 2 + (y - at_y) ** 2
    ring = (distance2 > radius**2) & (distance2 < (radius + max(2.0, 8 * scale)) ** 2)
    if ring.sum() < 8:
        return None
    centre = np.array([float(at_x), float(at_y)])
    above = np.maximum(luma - np.median(luma[ring]), 0.0)
    above[above < 0.2 * above[int(at_y), int(at_x)]] = 0.0
    for _ in range(3):
        weight = np.where((x - centre[0]) ** 2 + (y - centre[1]) ** 2 <= radius**2, above, 0.0)
        total = float(weight.sum())
        if total <= 0:
            return None
        centre = np.array([float((weight * x).sum()), float((weight * y).sum())]) / total
    return centre, peak / noise


def _middle(values: F32) -> np.float32:
    """The median of an odd number of values."""
    half = values.size // 2
    return np.float32(np.partition(values, half, axis=None)[half])


def pockets_seen(picture: NDArray[np.uint8], pose: CameraPose, table: Table) -> float:
    """Share of the pockets in the picture whose middle does not look like the cloth beside it; nan if none is in it."""
    inwards = {"head": (1.0, 0.0), "foot": (-1.0, 0.0), "right": (0.0, 1.0), "left": (0.0, -1.0)}
    seen = []
    for name, (x, y) in table.pocket_centres_mm.items():
        step = np.sum([inwards.get(part, (0.0, 0.0)) for part in name.split("-")], axis=0)
        step = step / np.linalg.norm(step)
        middle = np.array([x, y]) - 25.0 * step  # a pocket's hole lies behind the crossing of the noses
        beside = np.array([x, y]) + 170.0 * step
        colours = []
        for place in (middle, beside):
            ring = place + 18.0 * np.array([[np.cos(a), np.sin(a)] for a in np.linspace(0, 2 * np.pi, 12)])
            px = pose.to_image(np.column_stack([ring, np.zeros(len(ring))]))
            if not _inside(px, pose).all():
                break
            colours.append(np.median(_sample(picture, px, (len(px), 1)).reshape(-1, 3), axis=0))
        if len(colours) == 2:
            seen.append(float(np.linalg.norm(colours[0] - colours[1])) > POCKET_CONTRAST)
    return float(np.mean(seen)) if seen else float("nan")
