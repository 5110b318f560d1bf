"""One shot for an audience: its frames straightened on a time line of its own, its paths, contacts and numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline import render_ink as ink
from pipeline.frames import Frame, open_clip
from pipeline.measured_session import MeasuredSession
from pipeline.render_layout import Layout
from shared.errors import ClipError, SettingsError, disk_words

Array = NDArray[np.float64]
NORMALS = {"left": (0, -1), "right": (0, 1), "head": (1, 0), "foot": (-1, 0)}  # from a cushion into the table


@dataclass(frozen=True, eq=False)
class ShotFilm:
    """A shot with all that drawing it needs."""

    row: dict[str, Any]
    events: pd.DataFrame
    paths: dict[str, pd.DataFrame]  # per ball, in order of time
    calibration: Calibration
    clip: Any  # pathlib.Path
    label: str

    @property
    def start_s(self) -> float:
        """The strike."""
        return float(self.row["start_s"])

    @property
    def end_s(self) -> float:
        """All at rest, or out."""
        return float(self.row["end_s"])

    @property
    def cushion_s(self) -> float | None:
        """The banked ball's first cushion."""
        value = self.row.get("rail_s")
        return None if value is None or pd.isna(value) else float(value)

    def frames(self, begin_s: float) -> Iterator[Frame]:
        """The clip's frames from the one on show at ``begin_s`` on, at the times at which they were taken."""
        before: Frame | None = None
        for frame in open_clip(self.clip).decode_from(begin_s, self.calibration.clock):
            if frame.t_s > begin_s and before is not None:
                yield before
            if frame.t_s > begin_s:
                yield frame
                before = None
            else:
                before = frame
        if before is not None:  # the clip ended before that
            yield before

    def place(self, ball: str, t_s: float) -> Array | None:
        """(2,) mm of a ball at a time, where it lay before and after its tracked frames too; None once it fell."""
        rows = self.paths.get(ball)
        if rows is None or rows.empty:
            return None
        times = rows["t_s"].to_numpy(float)
        if t_s > times[-1] and (self.events["ball"].eq(ball) & self.events["kind"].eq("pocket")).any():
            return None
        return np.array([np.interp(t_s, times, rows[axis].to_numpy(float)) for axis in ("x_mm", "y_mm")])


def film_of(session: MeasuredSession, row: dict[str, Any], *, label: str) -> ShotFilm:
    """A shot made ready. Raises SettingsError where its clip or calibration is gone or the clip is another one now."""
    clip, shot_id = str(row["clip"]), str(row["shot_id"])
    path = session.clip_path(clip)
    if path is None:
        raise SettingsError(f"{clip}: is not in {session.folder} any more; put it back to draw on it.")
    try:
        if not session.is_as_measured(path):
            raise SettingsError(f"{clip}: is not the clip that was measured; measure it again.")
    except OSError as error:
        raise ClipError(f"{path}: {disk_words(error)}") from error
    if clip not in session.calibrations:
        raise SettingsError(f"{clip}: has no calibration in {session.out}; measure it again.")
    tracks = session.tracks_of(shot_id)
    paths = {str(ball): rows.sort_values("t_s") for ball, rows in tracks.groupby("ball", sort=False)}
    return ShotFilm(row, session.events_of(shot_id), paths, session.calibrations[clip], path, label)


def draw_paths(
    picture: NDArray[np.uint8], film: ShotFilm, t_s: float, layout: Layout, *, colours: dict[str, ink.Colour],
    dash: tuple[float, float] = (1, 0), rings: bool = True,
) -> None:
    """The balls' paths up to a time, and rings around the balls. ``colours``: of the balls to draw."""
    width = max(3, round(layout.scale * 8))
    radius = layout.table.ball.radius_mm * layout.scale
    for ball, colour in colours.items():
        rows = film.paths.get(ball)
        here = film.place(ball, t_s)
        if rows is None:
            continue
        done = rows[(rows["t_s"] <= t_s) & (rows["t_s"] >= film.start_s - 0.02)]
        points = done[["x_mm", "y_mm"]].to_numpy(float)
        if here is not None and len(points):
            points = np.vstack([points, here])
        if len(points) > 1:
            ink.path(picture, layout.to_px(points), colour, width=width, dash=dash)
        if rings and here is not None:
            ink.ring(picture, layout.to_px(here)[0], radius + width / 2, colour, width=width)


def bank_directions(film: ShotFilm, layout: Layout) -> tuple[Array, Array]:
    """In the picture: away from the first cushion, and along it to the side on which the banked ball comes back."""
    normal = np.array(NORMALS.get(str(film.row["rail"]), (0, 1)), dtype=float)
    away = layout.to_px(normal * 100)[0] - layout.to_px(np.zeros(2))[0]
    step = away / np.hypot(*away)
    across = np.array([-step[1], step[0]])
    start = film.events[film.events["kind"] == ("strike" if film.row["kind"] == "kick" else "ball")].head(1)
    cushion = film.cushion_s
    banked = film.place(str(film.row["banked_ball"]), cushion) if cushion is not None else None
    if banked is None or start.empty:
        return step, across
    came = layout.to_px(start[["x_mm", "y_mm"]].to_numpy(float))[0] - layout.to_px(banked)[0]
    return step, -across if float(came @ across) > 0 else across
