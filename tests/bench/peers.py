"""`python -m tests.bench.peers [FOLDER...]`: side by side with what one would otherwise write with general libraries.

Two such programs, each about as long as a good tutorial makes them:

- OpenCV: VideoCapture, background subtraction (MOG2), HoughCircles on every frame, nearest neighbours joined;
- trackpy: `locate` on every frame, taken against the clip's median picture, and `link`.

Both are given the true camera (pose, lens) and the ball's size, so their positions need no calibration; ours finds the
table by itself, as always. All decode the same clips in the same run, one process each. Positions are compared with the
truth in the frames of the shots only, and in all frames a ball is visible; the events of the two are found from turning
points near the noses and from balls that touch, as one would.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.pose import CameraPose
from tests.bench import measure
from tests.bench.truth import ClipTruth, ball_frames, event_table, find_truths

NEAR_MM = 60.0  # a found position belongs to the nearest true ball within this
WINDOW_S = 0.1  # and an event to the true one of its kind and cushion within this
USUAL = ("o01_kick_straight", "o03_bank_follow", "eveningA_01", "eveningB_02")  # the two others need minutes a clip
NOT_COMPARED = ("strike", "pocket", "rest", "jaw")


@dataclass(frozen=True)
class Found:
    """What one program made of one clip. positions: frame, x_mm, y_mm; events: t_s, kind (ball, cushion), cushion."""

    positions: pd.DataFrame
    events: pd.DataFrame
    seconds: float


@dataclass(frozen=True)
class View:
    """What the two programs are told: the true camera and the sizes of table and ball."""

    pose: CameraPose
    length_mm: float
    width_mm: float
    radius_mm: float
    times_s: np.ndarray[Any, np.dtype[np.float64]]

    @property
    def radius_px(self) -> float:
        """A ball's in the middle of the table."""
        middle = np.array([[self.length_mm / 2, self.width_mm / 2, self.radius_mm]])
        beside = middle + np.array([self.radius_mm, 0, 0])
        return float(np.linalg.norm(self.pose.to_image(beside) - self.pose.to_image(middle)))

    def to_table(self, xy_px: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """(N, 2) px to (N, 2) mm in the plane of the balls' centres."""
        if not len(xy_px):
            return np.empty((0, 2))
        return np.asarray(self.pose.to_table(np.asarray(xy_px, float), self.radius_mm))

    def on_table(self, xy_mm: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """Which positions lie between the noses, give or take a little."""
        x, y = xy_mm[:, 0], xy_mm[:, 1]
        return (x > 0) & (x < self.length_mm) & (y > 0) & (y < self.width_mm)


def view_of(truth: ClipTruth) -> View:
    camera, table = truth.record["camera"], truth.table
    pose = CameraPose(
        np.asarray(camera["K"], float),
        np.asarray(camera["dist"], float),
        np.asarray(camera["R"], float),
        np.asarray(camera["t"], float),
        int(camera["width"]),
        int(camera["height"]),
    )
    return View(pose, float(table["length_mm"]), float(table["width_mm"]), truth.radius_mm, truth.times_s)


def luma_frames(clip: Path) -> Iterator[tuple[int, np.ndarray[Any, np.dtype[np.uint8]]]]:
    """Grey frames by OpenCV's VideoCapture."""
    import cv2

    capture = cv2.VideoCapture(str(clip))
    index = 0
    while True:
        there, picture = capture.read()
        if not there:
            capture.release()
            return
        yield index, np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        index += 1


def with_opencv(clip: Path, view: View) -> Found:
    """Background subtraction tells what moves, Hough circles where the balls are, nearest neighbours who is who."""
    import cv2

    start = time.perf_counter()
    background = cv2.createBackgroundSubtractorMOG2(history=200, varThreshold=25, detectShadows=True)
    radius = view.radius_px
    rows = []
    for frame, grey in luma_frames(clip):
        moving = background.apply(grey)
        circles = cv2.HoughCircles(
            cv2.medianBlur(grey, 3),
            cv2.HOUGH_GRADIENT,
            dp=1,
            minDist=1.5 * radius,
            param1=120,
            param2=9,
            minRadius=max(2, round(0.8 * radius)),
            maxRadius=round(1.25 * radius),
        )
        if circles is None:
            continue
        found = circles[0, :, :2].astype(float)
        places = view.to_table(found)
        for (x_px, y_px), (x_mm, y_mm) in zip(found[keep := view.on_table(places)], places[keep], strict=True):
            r = max(1, round(radius))
            around = moving[max(0, int(y_px) - r) : int(y_px) + r + 1, max(0, int(x_px) - r) : int(x_px) + r + 1]
            rows.append((frame, x_mm, y_mm, bool(np.mean(around == 255) > 0.15)))
    positions = pd.DataFrame(rows, columns=["frame", "x_mm", "y_mm", "moves"])
    tracks = joined_by_nearest(positions[positions["moves"]], 9 * view.radius_mm)
    return Found(positions, events_of(tracks, view), time.perf_counter() - start)


def with_trackpy(clip: Path, view: View) -> Found:
    """Bright or dark blobs of a ball's size against the clip's median picture, linked from frame to frame."""
    import trackpy

    trackpy.quiet()
    start = time.perf_counter()
    some = np.stack([grey for frame, grey in luma_frames(clip) if frame % 15 == 0])
    still = np.median(some, axis=0)
    cloth = float(np.median(still))
    diameter = 2 * round(view.radius_px) + 1
    parts = []
    for frame, grey in luma_frames(clip):
        # a ball differs from what is usually there, or, at rest, from the cloth: the larger of both is taken
        apart = np.maximum(np.abs(grey - still), 0.5 * np.abs(grey - cloth)).astype(np.uint8)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = trackpy.locate(apart, diameter, minmass=diameter**2 * 6.0, separation=diameter)
        places = view.to_table(found[["x", "y"]].to_numpy())
        keep = view.on_table(places)
        parts.append(pd.DataFrame({"frame": frame, "x_mm": places[keep, 0], "y_mm": places[keep, 1]}))
    positions = pd.concat(parts, ignore_index=True)
    tracks = positions.assign(particle=0)
    if len(positions):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            linked = trackpy.link(positions, search_range=5 * view.radius_mm, memory=5, pos_columns=["x_mm", "y_mm"])
        tracks = linked.sort_values(["particle", "frame"])
    return Found(positions, events_of(tracks, view), time.perf_counter() - start)


def joined_by_nearest(positions: pd.DataFrame, reach_mm: float, memory: int = 5) -> pd.DataFrame:
    """Positions with ``particle``: each goes to the track whose last position is nearest, else begins one."""
    last: dict[int, tuple[int, float, float]] = {}
    names: list[int] = []
    for row in positions.itertuples():
        near = [
            (np.hypot(row.x_mm - x, row.y_mm - y), name)
            for name, (frame, x, y) in last.items()
            if 0 < row.frame - frame <= memory
        ]
        best = min(near, default=(np.inf, -1))
        name = best[1] if best[0] < reach_mm else len(last)
        last[name] = (row.frame, row.x_mm, row.y_mm)
        names.append(name)
    return positions.assign(particle=names).sort_values(["particle", "frame"])


def events_of(tracks: pd.DataFrame, view: View) -> pd.DataFrame:
    """Cushions: the velocity across the nose turns round close to it. Balls: two touch and one changes its velocity."""
    events: list[tuple[float, str, str]] = []
    paths = {}
    for name, path in tracks.groupby("particle"):
        if len(path) >= 8:
            t = view.times_s[np.minimum(path["frame"].to_numpy(), len(view.times_s) - 1)]
            xy = path[["x_mm", "y_mm"]].to_numpy()
            paths[name] = (path["frame"].to_numpy(), t, xy, velocities(t, xy))
    for _, t, xy, v in paths.values():
        for axis, size, names in ((0, view.length_mm, ("head", "foot")), (1, view.width_mm, ("right", "left"))):
            turned = np.flatnonzero((v[:-1, axis] * v[1:, axis] < 0) & (np.abs(v[:-1, axis] - v[1:, axis]) > 150.0))
            for i in turned:
                for edge, cushion in ((0.0, names[0]), (size, names[1])):
                    if abs(xy[i : i + 2, axis] - edge).min() < 3 * view.radius_mm:
                        events.append((float(t[i : i + 2].mean()), "cushion", cushion))
    pairs = [(a, b) for i, a in enumerate(paths) for b in list(paths)[i + 1 :]]
    for a, b in pairs:
        frames, at_a, at_b = np.intersect1d(paths[a][0], paths[b][0], return_indices=True)
        if len(frames) < 3:
            continue
        apart = np.linalg.norm(paths[a][2][at_a] - paths[b][2][at_b], axis=1)
        closest = int(np.argmin(apart))
        if apart[closest] > 5 * view.radius_mm:  # they are apart again by the first frame after
            continue
        changed = [change_of_velocity(paths[name][3], at[closest]) for name, at in ((a, at_a), (b, at_b))]
        if max(changed) > 300.0:
            events.append((float(paths[a][1][at_a[closest]]), "ball", ""))
    return once(pd.DataFrame(events, columns=["t_s", "kind", "cushion"]))


def velocities(t: np.ndarray[Any, Any], xy: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """(N, 2) mm/s by differences over two frames each way."""
    a, b = np.maximum(np.arange(len(t)) - 2, 0), np.minimum(np.arange(len(t)) + 2, len(t) - 1)
    return (xy[b] - xy[a]) / (t[b] - t[a])[:, None]


def change_of_velocity(v: np.ndarray[Any, Any], at: int) -> float:
    return float(np.linalg.norm(v[min(at + 3, len(v) - 1)] - v[max(at - 3, 0)]))


def once(events: pd.DataFrame) -> pd.DataFrame:
    """Each event once, though several pairs of frames or tracks show it."""
    kept: list[int] = []
    events = events.sort_values("t_s", ignore_index=True)
    for i, row in events.iterrows():
        same = [k for k in kept if tuple(events.loc[k, ["kind", "cushion"]]) == (row["kind"], row["cushion"])]
        if not same or row["t_s"] - events.loc[same[-1], "t_s"] > WINDOW_S:
            kept.append(int(str(i)))
    return events.loc[kept]


def with_ours(truth: ClipTruth, folder: Path) -> Found:
    """The public command, with its own calibration: whole command, start-up included."""
    run = measure.measure([truth], folder)
    if not (run.measured / "shots.csv").exists():
        print(run.output, file=sys.stderr)
        return Found(
            pd.DataFrame(columns=["frame", "x_mm", "y_mm"]),
            pd.DataFrame(columns=["t_s", "kind", "cushion"]),
            run.wall_s,
        )
    tracks = pd.read_parquet(run.measured / "tracks.parquet")[["frame", "x_mm", "y_mm"]]
    contacts = pd.read_csv(run.measured / "contacts.csv", dtype={"other": str})
    events = contacts[contacts["kind"].isin(["ball", "cushion"])]
    events = events.assign(cushion=events["other"].where(events["kind"] == "cushion", ""))
    return Found(tracks, once(events[["t_s", "kind", "cushion"]]), run.wall_s)


def scored(truth: ClipTruth, found: Found) -> dict[str, float]:
    """Position errors, shares and events of one program on one clip, as sums that add up over clips."""
    frames = ball_frames(truth)
    inside = np.zeros(len(frames), bool)
    for shot in truth.record["shots"]:
        inside |= ((frames["t_s"] >= shot["start_s"]) & (frames["t_s"] <= shot["end_s"])).to_numpy()
    balls = frames[inside & (frames["vis"] > 0.6)]
    wanted = set(balls["frame"])
    mine = found.positions[found.positions["frame"].isin(wanted)]
    pairs = balls.merge(mine, on="frame", suffixes=("", "_found"))
    away = np.hypot(pairs["x_mm_found"] - pairs["x_mm"], pairs["y_mm_found"] - pairs["y_mm"])
    nearest = pairs.assign(away=away).sort_values("away").drop_duplicates(["frame", "label"])
    hits = nearest[nearest["away"] < NEAR_MM]
    moving = hits[hits["moving"]]
    wrong = len(mine) - len(mine.drop_duplicates(["frame", "x_mm", "y_mm"])) + _strangers(mine, frames)
    true = event_table(truth)
    true = true[~true["kind"].isin(NOT_COMPARED)]
    free = list(found.events.index)
    right = 0
    for event in true.itertuples():
        near = [
            i
            for i in free
            if found.events.loc[i, "kind"] == event.kind
            and abs(float(found.events.loc[i, "t_s"]) - event.t_s) < WINDOW_S
            and (event.kind != "cushion" or found.events.loc[i, "cushion"] == event.other)
        ]
        if near:
            right += 1
            free.remove(near[0])
    return {
        "seconds": found.seconds,
        "frames": float(len(truth.times_s)),
        "balls": float(len(balls)),
        "hits": float(len(hits)),
        "moving": float(balls["moving"].sum()),
        "moving_hits": float(len(moving)),
        "squares": float((hits["away"] ** 2).sum()),
        "moving_squares": float((moving["away"] ** 2).sum()),
        "wrong": float(wrong),
        "compared_frames": float(len(wanted)),
        "events": float(len(true)),
        "right": float(right),
        "invented": float(len(free)),
    }


def _strangers(mine: pd.DataFrame, frames: pd.DataFrame) -> int:
    """Found positions with no ball within reach, visible or not."""
    every = mine.reset_index().merge(frames[["frame", "x_mm", "y_mm"]], on="frame", suffixes=("", "_true"))
    away = np.hypot(every["x_mm_true"] - every["x_mm"], every["y_mm_true"] - every["y_mm"])
    near = every.assign(away=away).groupby("index")["away"].min()
    return int((near > NEAR_MM).sum()) + len(mine) - len(near)


def table_of(rows: dict[str, dict[str, float]]) -> str:
    """Markdown: a line per program."""
    out = [
        "| program | frames/s | position error, rms: moving | all | moving balls seen | false per frame | "
        "events found | invented |",
        "| --- | --: | --: | --: | --: | --: | --: | --: |",
    ]
    for name, s in rows.items():
        moving = np.sqrt(s["moving_squares"] / s["moving_hits"]) if s["moving_hits"] else np.nan
        everything = np.sqrt(s["squares"] / s["hits"]) if s["hits"] else np.nan
        out.append(
            f"| {name} | {s['frames'] / s['seconds']:.0f} | {moving:.2f} mm | {everything:.2f} mm | "
            f"{100 * s['moving_hits'] / max(s['moving'], 1):.1f} % | {s['wrong'] / max(s['compared_frames'], 1):.2f} | "
            f"{s['right']:.0f} of {s['events']:.0f} | {s['invented']:.0f} |"
        )
    return "\n".join(out)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.peers", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path, help="folders of clips with NAME.truth.json beside them")
    parser.add_argument("--only", default="", help="clips whose name holds this")
    args = parser.parse_args()
    truths = [
        truth
        for folder in args.folders or [measure.ROOT / "fixtures"]
        for truth in find_truths(folder)
        if (args.only in truth.clip.name if args.only or args.folders else truth.clip.stem in USUAL)
    ]
    if not truths:
        print("no such clip with a truth file beside it", file=sys.stderr)
        return 2
    sums: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory(prefix="peers-") as scratch:
        for truth in truths:
            view = view_of(truth)
            for name, run in (
                ("reboundry", lambda t=truth: with_ours(t, Path(scratch) / t.clip.stem)),
                ("OpenCV: MOG2, HoughCircles", lambda t=truth, v=view: with_opencv(t.clip, v)),
                ("trackpy: locate, link", lambda t=truth, v=view: with_trackpy(t.clip, v)),
            ):
                score = scored(truth, run())
                print(
                    f"{truth.clip.stem:<22} {name:<28} {score['seconds']:7.1f} s, {score['right']:.0f} of "
                    f"{score['events']:.0f} events, {score['invented']:.0f} invented",
                    flush=True,
                )
                total = sums.setdefault(name, dict.fromkeys(score, 0.0))
                for key, value in score.items():
                    total[key] += value
    print(
        f"\n{len(truths)} clips, {sums['reboundry']['frames']:.0f} frames. Given the true camera: the two others; "
        "reboundry finds the table itself.\n"
    )
    print(table_of(sums))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
