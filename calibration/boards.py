"""Corners of a chessboard or ChArUco board in a picture, with their places on the board in squares."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

#: inner corners of the usual chessboards, columns x rows
CHESSBOARDS = ((9, 6), (8, 6), (7, 6), (7, 5), (8, 5), (10, 7), (11, 8), (6, 4), (7, 7), (5, 4), (6, 5), (9, 7))
#: squares of the usual ChArUco boards
CHARUCO_BOARDS = ((5, 7), (7, 5), (8, 11), (11, 8), (9, 12), (12, 9), (6, 8), (8, 6), (7, 10), (10, 7), (5, 8), (8, 5),
                  (9, 14), (14, 9))
DICTIONARIES = (cv2.aruco.DICT_4X4_250, cv2.aruco.DICT_5X5_250, cv2.aruco.DICT_6X6_250)
MIN_MARKERS = 6
MIN_CORNERS = 12
MARKER_SHARE = 0.75  # of a square; only used to predict the corners, which are then found in the picture
SEARCH_LONG_SIDE_PX = 640  # size at which a chessboard is looked for


@dataclass(frozen=True, eq=False)
class BoardView:
    """One picture's corners: ``grid`` (N, 2) in squares, ``px`` (N, 2)."""

    grid: F64
    px: F64

    def distance_px(self, other: BoardView) -> float:
        """Mean distance of the corners that both views share; infinite when they share none."""
        shared = [(i, j) for i, g in enumerate(self.grid) for j in np.flatnonzero((other.grid == g).all(axis=1))]
        if not shared:
            return float("inf")
        mine, others = np.array(shared).T
        return float(np.abs(self.px[mine] - other.px[others]).mean())


class BoardFinder:
    """Finds one board in picture after picture; once seen, only its own layout is looked for."""

    def __init__(self) -> None:
        self._chessboard: tuple[int, int] | None = None
        self._charuco: tuple[int, cv2.aruco.CharucoBoard] | None = None

    def find(self, grey: NDArray[np.uint8]) -> BoardView | None:
        """The board in a grey picture, or None."""
        view = None if self._chessboard is not None else self._find_charuco(grey)
        if view is not None or self._charuco is not None:
            return view
        for size in (self._chessboard,) if self._chessboard is not None else CHESSBOARDS:
            px = _chessboard_corners(grey, size)
            if px is not None:
                self._chessboard = size
                return BoardView(np.mgrid[0 : size[0], 0 : size[1]].T.reshape(-1, 2).astype(float), px)
        return None

    def _find_charuco(self, grey: NDArray[np.uint8]) -> BoardView | None:
        for name in DICTIONARIES if self._charuco is None else (self._charuco[0],):
            dictionary = cv2.aruco.getPredefinedDictionary(name)
            corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
            if ids is None or len(ids) < MIN_MARKERS:
                continue
            centres = np.array([np.asarray(c).reshape(4, 2).mean(axis=0) for c in corners], dtype=float)
            boards = [self._charuco[1]] if self._charuco is not None else [
                cv2.aruco.CharucoBoard(size, 1.0, MARKER_SHARE, dictionary) for size in CHARUCO_BOARDS
            ]
            for board in boards:
                if not _fits(board, np.asarray(ids, dtype=np.int64).ravel(), centres):
                    continue
                px, names, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
                if names is None or len(names) < MIN_CORNERS:
                    return None
                self._charuco = (name, board)
                grid = np.asarray(board.getChessboardCorners(), dtype=float)[names.ravel(), :2]
                return BoardView(grid, np.asarray(px, dtype=float).reshape(-1, 2))
        return None


def _fits(board: cv2.aruco.CharucoBoard, ids: NDArray[np.int64], centres: F64) -> bool:
    """Whether the markers lie where this layout has them: one homography must take all centres to their places."""
    known = {int(i): np.asarray(points, dtype=float).mean(axis=0)[:2]
             for i, points in zip(np.asarray(board.getIds()).ravel(), board.getObjPoints(), strict=True)}
    if any(int(i) not in known for i in ids):
        return False
    places = np.array([known[int(i)] for i in ids])
    matrix, _ = cv2.findHomography(centres, places)
    if matrix is None:
        return False
    mapped = cv2.perspectiveTransform(centres.reshape(-1, 1, 2), matrix).reshape(-1, 2)
    return float(np.linalg.norm(mapped - places, axis=1).max()) < 0.25  # squares; distortion bends a little


def _chessboard_corners(grey: NDArray[np.uint8], board: tuple[int, int]) -> F64 | None:
    scale = min(1.0, SEARCH_LONG_SIDE_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    found, corners = cv2.findChessboardCorners(
        small, board, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    )
    if not found:
        return None
    full = ((corners.reshape(-1, 1, 2) + 0.5) / scale - 0.5).astype(np.float32)
    spacing = float(np.linalg.norm(full[1] - full[0]))
    half = int(np.clip(spacing * 0.35, 3, 15))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    refined = cv2.cornerSubPix(grey, full, (half, half), (-1, -1), criteria)
    return np.asarray(refined.reshape(-1, 2), dtype=float)
