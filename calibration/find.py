"""From one picture of a table to its calibration.

The order of work: areas of one colour with four straight sides (`cloth`), a rough camera for each, then the marks that
this camera predicts (`marks`), the fit of everything (`fit`), and a judgement (`check`). An area is taken for a table
only because its sights, noses and pockets are where a table of the declared size has them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.check import NO_LENS, UNUSUAL_CAMERA, UNUSUAL_LENS, CalibrationCheck, check_fit, rails_of
from calibration.cloth import Outline, cloth_outlines
from calibration.fit import Fit, fit_marks, start_values
from calibration.lens import lens_prior, read_lens
from calibration.marks import SIGHT_U_PX, cloth_ends, nose_lines, pockets_seen, sights
from calibration.model import EdgePoints, LensPrior, Marks
from calibration.pose import CameraPose
from calibration.store import Calibration
from shared.corners import CORNER_ORDER, DIRECTIONS, check_corners_px, head_lies_at
from shared.equipment import Cushion, Table
from shared.errors import CalibrationError, SettingsError
from shared.settings import CameraSettings, HeadSide

F64 = NDArray[np.float64]

SIDES: tuple[Cushion, ...] = ("right", "foot", "left", "head")  # side i runs from corner i to corner i + 1
SEARCH_MM = (30.0, 14.0, 8.0)  # how far from its predicted place a sight is looked for, round by round
CAMERA_UNKNOWNS = 12  # pose, lens, and the sights' own offset
LEAST_SIGHT_U_PX = 0.03
OUTLINE_U_PX = 3.0  # of the coarse outline, in a picture 1280 px long
COLOUR_LEVELS = 6.0  # blue and red differ more from green somewhere, even where cloth and floor are grey
ANY_CAMERA = CameraSettings()


@dataclass(frozen=True, eq=False)
class Sighting:
    """A table in a picture: the fit, the marks it rests on and how far it can be believed."""

    fit: Fit
    marks: Marks
    check: CalibrationCheck

    @property
    def convincing(self) -> bool:
        """Good enough not to look any further."""
        check = self.check
        by_sights = check.sights_found >= max(8, 0.6 * check.sights_in_picture)
        without = len(check.cloth_ends_seen) == 4 and len(check.noses_seen) >= 2 and check.pockets_seen == 1.0
        return not check.refusal and (by_sights or without)

    def calibration(self, table: Table, *, how: str, clip: str) -> Calibration:
        return Calibration(clip, self.fit.pose, table, self.fit.rms_px, how, self.check.warnings)

    @property
    def rank(self) -> tuple[bool, int, float]:
        return not self.check.refusal, self.check.sights_found, -float(self.check.corner_u_px.max())


def find_table(
    picture: NDArray[np.uint8], *, table: Table, camera: CameraSettings = ANY_CAMERA, head: HeadSide | None = None,
    clip: str = "",
) -> Calibration:
    """Find the table in a picture and recover the camera that took it.

    picture : (H, W, 3) BGR, as displayed
    table   : its sizes; a table of other sizes is refused or warned of where the picture shows it
    camera  : a lens measured beforehand, corners marked by hand
    head    : which end of the picture is the head; None: left when lying, top when upright

    Raises CalibrationError with what was found, what was needed and what to do, or for a picture without colour;
    SettingsError for corners marked by hand that no table has, or whose head lies elsewhere than declared.
    """
    seen, how = sight_table(picture, table=table, camera=camera, head=head, clip=clip)
    return seen.calibration(table, how=how, clip=clip)


def sight_table(
    picture: NDArray[np.uint8], *, table: Table, camera: CameraSettings = ANY_CAMERA, head: HeadSide | None = None,
    clip: str = "",
) -> tuple[Sighting, str]:
    """As find_table, with the marks and the check; the second value says how the table was found."""
    seen, how = _sighted(picture, table, camera, head, clip)
    if _colourless(picture):
        raise CalibrationError(f"{clip or 'picture'}: the picture has no colour, by which balls are told apart; film "
                               "in colour.")
    return seen, how


def _colourless(picture: NDArray[np.uint8]) -> bool:
    """Whether a picture is all shades of one colour, as black-and-white ones are, also once coded."""
    some = picture[::4, ::4].reshape(-1, 3).astype(np.int16)
    low, high = np.quantile(some[:, [0, 2]] - some[:, [1]], [0.001, 0.999], axis=0)
    return bool((high - low).max() < COLOUR_LEVELS)


def _sighted(
    picture: NDArray[np.uint8], table: Table, camera: CameraSettings, head: HeadSide | None, clip: str
) -> tuple[Sighting, str]:
    if picture.ndim != 3 or picture.shape[2] != 3 or picture.dtype != np.uint8:
        raise CalibrationError(f"{clip or 'picture'}: a colour picture (height, width, 3) of bytes is needed; got "
                               f"{picture.dtype} {picture.shape}.")
    size = (picture.shape[1], picture.shape[0])
    lens = LensPrior.of_any_camera(size) if camera.lens is None else lens_prior(read_lens(camera.lens), size)
    if camera.corners_px is not None:
        given = np.array(camera.corners_px, dtype=float)
        try:
            check_corners_px(given.tolist(), head)
            return _from_corners(picture, given, table, size, lens, clip, camera), "corners given"
        except SettingsError as error:
            whose = f"They are those of {camera.corners_from}."
            raise SettingsError(f"{clip or 'picture'}: {error} {whose}") from error
    best, areas = _searched(picture, table, size, lens, head)
    if camera.lens is not None and (best is None or best.check.refusal):
        without, _ = _searched(picture, table, size, LensPrior.of_any_camera(size), head)
        if without is not None and not without.check.refusal:
            raise _other_lens(camera, clip)
    if best is None:
        raise CalibrationError(
            f"{clip or 'picture'}: no table was found ({areas} areas of one colour with four straight sides "
            "were looked at). Film the whole table from above, or give its corners_px."
        )
    if best.check.refusal:
        raise CalibrationError(f"{clip or 'picture'}: no table to rely on: {best.check.refusal}, "
                               "or give its corners_px.")
    _check_head(best.fit.pose.to_image(_noses(table)), head, clip)
    best = _with_lens_named(best, camera)
    check = best.check
    return best, (f"found in the picture by {check.sights_found} sights, {len(check.noses_seen)} nose lines and "
                  f"{len(check.cloth_ends_seen)} cloth ends")


def _searched(
    picture: NDArray[np.uint8], table: Table, size: tuple[int, int], lens: LensPrior, head: HeadSide | None
) -> tuple[Sighting | None, int]:
    """The best sighting, if any, and how many areas of one colour there are."""
    outlines = cloth_outlines(picture)
    guesses = [(outline, "cloth") for outline in outlines]
    guesses += [(outline, "rail") for outline in outlines[:2]]  # cloth and wood may look alike
    best = _best(picture, table, size, lens, head, guesses)
    if best is None or best.check.refusal:
        parts = [(outline, "cloth") for outline in cloth_outlines(picture, in_parts=True)]
        joined = _best(picture, table, size, lens, head, parts)
        best = joined if best is None or (joined is not None and joined.rank > best.rank) else best
    return best, len(outlines)


def _other_lens(camera: CameraSettings, clip: str) -> CalibrationError:
    return CalibrationError(
        f"{clip or 'picture'}: the lens file {camera.lens} does not fit what is seen of the table (another camera, "
        "zoom or mode?); without it the table is found. Make it again in this clip's mode with `reboundry calibrate "
        "--lens`, or leave it out."
    )


def _with_lens_named(seen: Sighting, camera: CameraSettings) -> Sighting:
    """Where the camera that fits is unlike the lens file, it is that file that is to be looked at first."""
    if camera.lens is None or seen.fit.lens_strain <= UNUSUAL_LENS:
        return seen
    words = (f"what is seen of the table hardly agrees with the lens file {camera.lens}: is it of this camera, zoom "
             "and mode?")
    rest = tuple(line for line in seen.check.warnings if not line.startswith(UNUSUAL_CAMERA))
    return replace(seen, check=replace(seen.check, warnings=(*rest, words)))


def _best(
    picture: NDArray[np.uint8], table: Table, size: tuple[int, int], lens: LensPrior, head: HeadSide | None,
    guesses: list[tuple[Outline, str]],
) -> Sighting | None:
    """What the first convincing guess leads to, or the best of all; None if none can be a table."""
    best: Sighting | None = None
    for outline, kind in guesses:
        for corners, sides in _orders(outline, head):
            try:
                seen = _look(picture, table, size, lens, corners, sides, kind)
            except (_NoCameraError, np.linalg.LinAlgError):
                continue
            if best is None or seen.rank > best.rank:
                best = seen
        if best is not None and best.convincing:
            break
    return best


class _NoCameraError(Exception):
    """No camera can have seen this outline as the table; another outline may do."""


def _orders(outline: Outline, head: HeadSide | None) -> list[tuple[F64, tuple[F64, ...]]]:
    """Corners (4, 2) in the order (0,0) (L,0) (L,W) (0,W), with the outline's points per side in the order of SIDES.

    The longer pair of sides is taken for the long cushions; where it is hardly longer, the other pair is tried too.
    """
    corners, sides = outline.corners_px, outline.sides
    if _signed_area(corners) > 0:  # clockwise as displayed; the table's own order runs the other way
        corners = corners[::-1]
        sides = (outline.sides[2], outline.sides[1], outline.sides[0], outline.sides[3])
    lengths = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    pairs = lengths[:2] + lengths[2:]
    longer = int(np.argmax(pairs))
    choices = [longer] if pairs.max() > 1.45 * pairs.min() else [longer, 1 - longer]
    return [
        (np.roll(corners, -k, axis=0), tuple(sides[(k + i) % 4] for i in range(4)))
        for k in (_right_side(corners, choice, head) for choice in choices)
    ]


def _right_side(corners: F64, parity: int, head: HeadSide | None) -> int:
    """Which side (of this parity) is the right cushion, so that the head is where it is declared."""
    rolled = np.roll(corners, -parity, axis=0)
    towards_head = (rolled[0] + rolled[3] - rolled[1] - rolled[2]) / 2
    if head is None:
        head = "picture-left" if abs(towards_head[0]) >= abs(towards_head[1]) else "picture-top"
    return parity if towards_head @ np.array(DIRECTIONS[head]) > 0 else parity + 2


def _check_head(corners: F64, head: HeadSide | None, clip: str) -> None:
    """Refuse a head declared where the table has a long cushion: which end was meant can't be told."""
    if head is None:
        return
    towards_head = (corners[0] + corners[3] - corners[1] - corners[2]) / 2
    if not head_lies_at(corners.tolist(), head):
        lies = abs(towards_head[0]) >= abs(towards_head[1])
        ends = "picture-left or picture-right" if lies else "picture-top or picture-bottom"
        raise CalibrationError(f"{clip or 'picture'}: the table {'lies across' if lies else 'stands upright in'} the "
                               f"picture, so its head can't be at {head}; declare head = {ends}, or leave it out.")


def _signed_area(corners: F64) -> float:
    x, y = corners[:, 0], corners[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _look(
    picture: NDArray[np.uint8], table: Table, size: tuple[int, int], lens: LensPrior, corners: F64,
    sides: tuple[F64, ...], kind: str,
) -> Sighting:
    """From one outline to marks and fit, in rounds of prediction and search."""
    u_px = OUTLINE_U_PX * max(size) / 1280
    coarse = tuple(
        EdgePoints(kind, cushion, side[:: max(1, len(side) // 40)], u_px)
        for cushion, side in zip(SIDES, sides, strict=True) if len(side) >= 15
    )
    if len(coarse) < 3:
        raise _NoCameraError
    start = start_values(corners, table, size, kind=kind)
    fit = fit_marks(Marks(*_no_sights(), coarse), table, size, start, lens=lens, final=False)
    _check_possible(fit.pose, table)
    return _search(picture, fit, table, size, lens, coarse)


def _search(
    picture: NDArray[np.uint8], fit: Fit, table: Table, size: tuple[int, int], lens: LensPrior,
    coarse: tuple[EdgePoints, ...],
) -> Sighting:
    marks = Marks(*_no_sights(), coarse)
    pockets = float("nan")
    for window in SEARCH_MM:
        rows, centres, _ = sights(picture, fit.pose, table, rail_z_mm=fit.rail_z_mm, offset_mm=fit.sight_offset_mm,
                                  window_mm=window)
        enough = _fix_the_camera(rows, table)
        edges: tuple[EdgePoints, ...] = () if enough and window < SEARCH_MM[0] else coarse
        if window < SEARCH_MM[0]:
            if not enough:
                edges = tuple(cloth_ends(picture, fit.pose, table, rail_z_mm=fit.rail_z_mm,
                                         behind_mm=fit.cloth_behind_mm, window_mm=20.0))
            edges += tuple(nose_lines(picture, fit.pose, table, window_mm=12.0))
        marks = Marks(rows, centres, SIGHT_U_PX, edges)
        fit = fit_marks(marks, table, size, fit.values, lens=lens, final=False)
        _check_possible(fit.pose, table)
    good = _believable(fit)
    marks = Marks(marks.sight[good], marks.sight_px[good], _sight_u_px(fit.sight_residuals_px[good]), marks.edges)
    fit = fit_marks(marks, table, size, fit.values, lens=lens)
    _check_possible(fit.pose, table)
    if table.pockets and not _fix_the_camera(marks.sight, table):
        pockets = pockets_seen(picture, fit.pose, table)
    return Sighting(fit, marks, check_fit(fit, marks, table, pockets_seen=pockets))


def _no_sights() -> tuple[NDArray[np.int64], F64, float]:
    return np.empty(0, np.int64), np.empty((0, 2)), SIGHT_U_PX


def _believable(fit: Fit) -> NDArray[np.bool_]:
    """Sights whose residual is no outlier: within 5 robust standard deviations, or a few tenths of a pixel."""
    miss = np.linalg.norm(fit.sight_residuals_px, axis=1)
    if len(miss) < 8:
        return np.ones(len(miss), dtype=bool)
    return np.asarray(miss < max(0.3, 5 * 1.4826 * float(np.median(miss))))


def _sight_u_px(residuals_px: F64) -> float:
    """The scatter of the sights along an axis, where enough of them are seen; the camera's unknowns allowed for."""
    freedom = residuals_px.size - CAMERA_UNKNOWNS
    if freedom < 8:
        return SIGHT_U_PX
    return max(LEAST_SIGHT_U_PX, float(np.sqrt(np.sum(residuals_px**2) / freedom)))


def _fix_the_camera(rows: NDArray[np.int64], table: Table) -> bool:
    """Whether the sights alone fix the camera: enough of them, on three rails at least."""
    return len(rows) >= 9 and sum(n >= 2 for n in rails_of(rows, table)) >= 3


def _check_possible(pose: CameraPose, table: Table) -> None:
    """Drop a camera that cannot have taken the picture before it is used to look for marks."""
    ground = np.column_stack([table.corners_mm, np.zeros(4)])
    depth = (ground @ pose.R.T + pose.t_mm)[:, 2]
    height = float(pose.centre_mm[2])
    if not 0.3 * table.width_mm < height < 12 * table.length_mm or not (depth > 0.1 * height).all():
        raise _NoCameraError
    if np.abs(pose.to_image(ground)).max() > 2.5 * max(pose.width_px, pose.height_px):
        raise _NoCameraError


def _from_corners(
    picture: NDArray[np.uint8], corners: F64, table: Table, size: tuple[int, int], lens: LensPrior, clip: str,
    camera: CameraSettings,
) -> Sighting:
    """The camera from corners marked by hand. The lens is taken from the sights where they can be seen."""
    triangles = [abs(_signed_area(np.delete(corners, i, axis=0))) for i in range(4)]
    needed = 1e-3 * size[0] * size[1]
    if min(triangles) < needed:
        raise SettingsError(
            f"the four corners lie too near to each other, or to one line (triangle {min(triangles):.0f} px², "
            f"{needed:.0f} px² is needed). Mark where the nose lines cross, {CORNER_ORDER}."
        )
    start = start_values(corners, table, size, kind="nose")
    marks = Marks(*_no_sights(), (), corner_px=corners)
    fit = fit_marks(marks, table, size, start, lens=lens, robust=False)
    seen = _sights_from(picture, fit, table, size, lens)
    if camera.lens is not None and (seen is None or seen.check.refusal):
        any_lens = LensPrior.of_any_camera(size)
        free = fit_marks(marks, table, size, start, lens=any_lens, robust=False)
        without = _sights_from(picture, free, table, size, any_lens)
        if without is not None and not without.check.refusal:
            raise _other_lens(camera, clip)
    if seen is not None and not seen.check.refusal:
        covariance = seen.fit.pose.covariance
        found = seen.fit.values[:5]
        if covariance is not None:
            spread = np.sqrt(np.diag(covariance)[:5])
            spread[0] /= seen.fit.pose.K[0, 0]
            fit = fit_marks(marks, table, size, seen.fit.values, lens=LensPrior(found, spread), robust=False)
    miss = float(np.linalg.norm(fit.pose.to_image(_noses(table)) - corners, axis=1).max())
    if miss > 5.0 * max(size) / 1280 or fit.lens_strain > NO_LENS:
        raise SettingsError(
            f"no usual camera sees a table of {table.length_mm:.0f} x {table.width_mm:.0f} mm with these "
            f"corners. Mark where the nose lines cross, {CORNER_ORDER}, and check the table's size."
        )
    check = check_fit(fit, marks, table, by_hand=True)
    if seen is None or seen.check.refusal:  # none near them: the table may lie elsewhere
        searched, _ = _searched(picture, table, size, lens, None)
        seen = searched if searched is not None and searched.convincing else None
    return Sighting(fit, marks, replace(check, warnings=check.warnings + _against_sights(seen, fit, table, camera)))


def _sights_from(
    picture: NDArray[np.uint8], fit: Fit, table: Table, size: tuple[int, int], lens: LensPrior
) -> Sighting | None:
    """What a first fit leads to; None if no camera can have seen that."""
    try:
        _check_possible(fit.pose, table)
        return _search(picture, fit, table, size, lens, ())
    except (_NoCameraError, np.linalg.LinAlgError):
        return None


def _noses(table: Table) -> F64:
    return np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)])


def _against_sights(seen: Sighting | None, fit: Fit, table: Table, camera: CameraSettings) -> tuple[str, ...]:
    """A warning where the sights contradict corners given by hand."""
    if seen is None or seen.check.refusal:
        return ()
    found, given = (pose.to_image(_noses(table)) for pose in (seen.fit.pose, fit.pose))
    apart = min(float(np.linalg.norm(np.roll(found, turn, axis=0) - given, axis=1).max()) for turn in (0, 2))
    if apart < 3.0 * max(fit.pose.width_px, fit.pose.height_px) / 1280:
        return ()
    return (f"the sights put the corners up to {apart:.0f} px from those of {camera.corners_from}, which are used",)
