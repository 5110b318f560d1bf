"""Detections joined into one track per ball: prediction, gating, assignment, birth and death, smoothing.

The only user of filterpy. A track's state is place and velocity; friction is process noise. What breaks a ball's path
at once (a strike, a cushion, another ball) is met by further hypotheses of where the ball may be, each dearer than
going on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.physics import Array
from pipeline.pockets import drop_depth, mouths
from pipeline.track_swaps import exchanged
from shared.columns import DETECTIONS, check_columns
from shared.equipment import Table

SLOW_MM_S = 100.0
ALIKE = 6.0  # squares of what the same ball may differ by, summed
HIDDEN_S = 0.15  # unseen for so long


@dataclass(frozen=True)
class TrackSettings:
    """Gates are in standard uncertainties; ``accel_u_mps2`` is friction on the cloth."""

    accel_u_mps2: float = 4.0
    top_speed_mps: float = 9.0  # of a struck ball
    jump_gap_s: float = 0.12  # a moving ball is not looked for off its path for longer
    gate: float = 5.0
    jump_price: float = 5.0
    min_hits: int = 4
    max_gap_s: float = 1.0
    hidden_s: float = 2.0  # a resting ball may be hidden so long by an arm
    luma_u: float = 35.0  # by which the same ball may look different elsewhere under the lamps,
    chroma_u: float = 9.0
    white_u: float = 0.4
    same_place_u: float = 0.45  # and the share of that near where it was last seen, to tell balls from one another:
    elsewhere_mm: float = 600.0  # this far away is elsewhere (a stripe may turn up anywhere, so it rules out nothing)
    other_colour: float = 4.0  # squares of those uncertainties, summed: more is probably another ball
    min_u_mm: float = 0.2
    least_rows: int = 6
    sure_share: float = 0.2  # round and free enough (outline times ring of cloth) to start a track or explain a jump
    ball_share: float = 0.3  # a track whose finds are usually less round and free is a hand, a cue or a pocket
    beyond_nose_mm: float = 8.0  # how far a hard-hit cushion may give way


    @property
    def colour_u(self) -> Array:
        """(4,) luma, cb, cr, white_share: what the same ball may differ by elsewhere."""
        return np.array([self.luma_u, self.chroma_u, self.chroma_u, self.white_u])


@dataclass
class _Track:
    """One ball being followed."""

    name: int
    kf: Any
    t_s: float
    colour: Array  # luma, cb, cr, white_share: running mean
    share: float = 1.0  # running mean of how round and free it looked
    round_hits: int = 0  # finds that looked as round and free as a ball's do
    hits: int = 1
    misses: int = 0
    before_s: float = 0.0  # time of the frame before
    fastest: float = 0.0  # mm/s, of the last few tenths of a second
    slow_s: float = -math.inf  # when it was last slow
    rows: list[int] = field(default_factory=list)


def _transition(dt: float) -> Array:
    return np.array([[1, 0, dt, 0], [0, 1, 0, dt], [0, 0, 1, 0], [0, 0, 0, 1]], dtype=float)


def _process_noise(dt: float, accel_u_mm_s2: float) -> Array:
    """White acceleration, constant over the step."""
    g = np.array([[dt * dt / 2, 0], [0, dt * dt / 2], [dt, 0], [0, dt]])
    return np.asarray(g @ g.T * accel_u_mm_s2**2)


_MEASURE = np.array([[1, 0, 0, 0], [0, 1, 0, 0]], dtype=float)


def _new_filter(z: Array, r: Array, velocity_u: float, velocity: Array | None = None) -> Any:
    from filterpy.kalman import KalmanFilter  # 0.6 s to import: only when something is followed

    kf = KalmanFilter(dim_x=4, dim_z=2)
    v = np.zeros(2) if velocity is None else velocity
    kf.x = np.array([[z[0]], [z[1]], [v[0]], [v[1]]])
    kf.P = np.zeros((4, 4))
    kf.P[:2, :2] = r
    kf.P[2:, 2:] = np.eye(2) * velocity_u**2
    kf.H = _MEASURE.copy()
    kf.R = np.array(r)
    return kf


def detection_covariance(rows: pd.DataFrame, min_u_mm: float = 0.0) -> Array:
    """(N, 2, 2) mm^2 from x_u_mm, y_u_mm and their correlation."""
    xu = np.maximum(rows["x_u_mm"].to_numpy(float), min_u_mm)
    yu = np.maximum(rows["y_u_mm"].to_numpy(float), min_u_mm)
    r = np.clip(np.nan_to_num(rows["xy_r"].to_numpy(float)), -0.95, 0.95)
    out = np.empty((len(rows), 2, 2))
    out[:, 0, 0], out[:, 1, 1] = xu**2, yu**2
    out[:, 0, 1] = out[:, 1, 0] = r * xu * yu
    return out


def track_balls(detections: pd.DataFrame, *, table: Table, settings: TrackSettings | None = None) -> pd.DataFrame:
    """Join detections into one track per ball.

    detections : DETECTIONS: a row per ball per frame (table frame, plane z = R)
    returns    : the same rows with ``ball`` ("1", "2", ... in order of appearance; blank where unassigned),
                 ordered by ball, t_s
    """
    check_columns(detections, DETECTIONS)
    rows = detections.dropna(subset=["t_s", "x_mm", "y_mm", "x_u_mm", "y_u_mm"]).sort_values(["t_s", "frame"])
    rows = rows.reset_index(drop=True)
    chosen = settings or TrackSettings()
    names = _Follower(rows, table, chosen).run()
    return rows.assign(ball=pd.array(names, dtype="string")).sort_values(["ball", "t_s"]).reset_index(drop=True)


class _Follower:
    """One pass over the frames of a clip."""

    def __init__(self, rows: pd.DataFrame, table: Table, settings: TrackSettings) -> None:
        self.settings, self.table = settings, table
        self.t = rows["t_s"].to_numpy(float)
        self.xy = rows[["x_mm", "y_mm"]].to_numpy(float)
        self.r = detection_covariance(rows, settings.min_u_mm)
        self.colour = rows[["luma", "cb", "cr", "white_share"]].to_numpy(float)
        self.colour_u = settings.colour_u
        self.share = _roundness(rows)
        self.reach = table.contact_distance_mm(table.ball.radius_mm)
        self.fallen = np.zeros(len(self.t), dtype=bool)
        self.live: list[_Track] = []
        self.done: list[_Track] = []
        self.born = 0

    def run(self) -> list[str | None]:
        names: list[str | None] = [None] * len(self.t)
        if len(self.t) == 0:
            return names
        edges = np.flatnonzero(np.diff(self.t) > 0) + 1
        possible = _on_the_table(self.xy, self.table, self.settings.beyond_nose_mm)
        self.fallen = _in_a_pocket(self.xy, self.table)
        for block in np.split(np.arange(len(self.t)), edges):
            if possible[block].any():
                self._frame(block[possible[block]])
        kept = [
            k for k in self.done + self.live
            if len(k.rows) >= self.settings.least_rows and np.median(self.share[k.rows]) >= self.settings.ball_share
        ]
        rows = [track.rows for track in sorted(kept, key=lambda k: k.rows[0])]
        colour_u = self.settings.same_place_u * self.colour_u
        exchanged(rows, self.t, self.xy, self.colour, colour_u, self.table.ball.diameter_mm)
        for number, own in enumerate(rows, start=1):
            for row in own:
                names[row] = str(number)
        return names

    def _frame(self, block: NDArray[np.intp]) -> None:
        t = float(self.t[block[0]])
        step, f, q = -1.0, np.empty(0), np.empty(0)
        for track in self.live:
            dt = t - track.t_s
            if dt != step:  # the same for all, but for one just found
                step, f, q = dt, _transition(dt), _process_noise(dt, self.settings.accel_u_mps2 * 1e3)
            track.kf.predict(F=f, Q=q)
            track.before_s, track.t_s = track.t_s, t
            sure = _speed(track) if track.kf.P[2, 2] < 400.0**2 else 0.0
            track.fastest = max(track.fastest * math.exp(-dt / 0.3), sure)
            if _speed(track) < SLOW_MM_S:
                track.slow_s = t
        if step > HIDDEN_S:
            self._after_a_gap()
        pairs = self._pairs(block)
        for a, b, jumped in pairs:
            self._take(self.live[a], int(block[b]), jumped)
        matched, taken = {a for a, _, _ in pairs}, {b for _, b, _ in pairs}
        self._bury(matched, t)
        for b, row in enumerate(block):
            sure = self.share[row] >= self.settings.sure_share and not self.fallen[row]
            if b not in taken and sure and not self._crowded(row):
                self._bear(int(row))

    def _after_a_gap(self) -> None:
        """Nothing at all was seen for a while: what would have been done meanwhile, frame by frame."""
        stay: list[_Track] = []
        for track in self.live:
            gone = self._lost(track) or self._unseen_s(track) > self.settings.hidden_s
            (self.done if gone else stay).append(track)
            self._hold_if_hidden(track)
        self.live = stay

    def _lost(self, track: _Track) -> bool:
        return self._unseen_s(track) > self.settings.max_gap_s and _speed(track) > 30.0

    def _hold_if_hidden(self, track: _Track) -> None:
        """A slow ball that is hidden is expected where it was last seen."""
        if self._unseen_s(track) > HIDDEN_S and _speed(track) <= 300.0:
            _hold(track)

    def _pairs(self, block: NDArray[np.intp]) -> list[tuple[int, int, bool]]:
        """Tracks and the detections (of the block) that are theirs, and whether only a jump explains them."""
        if not self.live:
            return []
        plain = self._as_foretold(block)
        if plain is not None:
            return plain
        cost, jumped = self._costs(block)
        best = zip(*map(np.ndarray.tolist, linear_sum_assignment(np.minimum(cost, 1e6))), strict=True)
        return [(a, b, bool(jumped[a, b])) for a, b in best if cost[a, b] < 1e5]

    def _as_foretold(self, block: NDArray[np.intp]) -> list[tuple[int, int, bool]] | None:
        """The pairs, where every ball is found alone where it was expected: most frames. They are those of least cost,
        since any other explanation is dearer than that.
        """
        if len(block) != len(self.live) or not all(map(self._sure, self.live)):
            return None
        xy = self.xy[block] - np.array([track.kf.x[:2, 0] for track in self.live])[:, None]
        straight = _mahalanobis(xy, np.array([track.kf.P[:2, :2] for track in self.live])[:, None] + self.r[block])
        at = straight.argmin(axis=1)
        if len(set(at.tolist())) < len(at):
            return None
        alone = (straight >= self.settings.gate**2).sum() == straight.size - len(at)
        own = straight[np.arange(len(at)), at]
        if not alone or own.max() >= self.settings.jump_price:
            return None
        looks = ((self.colour[block[at]] - np.array([k.colour for k in self.live])) / self.colour_u) ** 2
        # a shade is no more than this, however near the ball is to where it was seen last
        if (own + looks.sum(axis=1) / self.settings.same_place_u**2).max() >= self.settings.jump_price:
            return None
        return [(a, b, False) for a, b in enumerate(at.tolist())]

    def _costs(self, block: NDArray[np.intp]) -> tuple[Array, NDArray[np.bool_]]:
        """(tracks, detections): squared distances in standard uncertainties, and whether only a jump explains them."""
        s = self.settings
        xy, r, share = self.xy[block], self.r[block], self.share[block]
        x = np.array([track.kf.x[:, 0] for track in self.live])
        sure = np.array([self._sure(track) for track in self.live])
        differs = ((self.colour[block] - np.array([k.colour for k in self.live])[:, None]) / self.colour_u) ** 2
        differs = differs.sum(axis=2)
        offset = xy - self.xy[[track.rows[-1] for track in self.live]][:, None]
        distance = np.hypot(offset[..., 0], offset[..., 1])
        away = np.minimum(distance / s.elsewhere_mm, 1.0)
        shade = np.minimum(differs / (s.same_place_u + (1 - s.same_place_u) * away) ** 2, 60.0)
        ahead = xy - x[:, None, :2]
        spread = np.array([track.kf.P[:2, :2] for track in self.live])[:, None] + r
        straight = _mahalanobis(ahead, spread)
        bounced, bounced_u = self._bounce(x[:, :2])
        wider = spread + np.eye(2) * (bounced_u**2)[:, None, None, None]
        reflected = _mahalanobis(xy - bounced[:, None], wider) + s.jump_price

        fastest = self._fastest()
        within, allowed = np.array([self._jumps(track, fastest) for track in self.live]).T
        jump = s.jump_price**2 + 9 * (distance / within[:, None]) ** 2
        may = (distance < within[:, None]) & (allowed > 0)[:, None] & sure[:, None]
        may &= (allowed < 2)[:, None] | ((differs < ALIKE) & (share >= s.ball_share))
        may &= (share >= s.sure_share) & ~self.fallen[block]
        # places that a sure ball takes up; one that looks otherwise may have moved on
        here = np.hypot(ahead[..., 0], ahead[..., 1]) < 0.75 * self.table.ball.diameter_mm
        seen = sure & np.array([track.misses <= 2 for track in self.live])
        occupied = here & (differs < s.other_colour) & seen[:, None]
        may &= occupied.sum(axis=0) - occupied == 0  # by no other
        gated = np.where(straight < s.gate**2, straight, np.inf)
        gated_bounce = np.where(reflected < s.gate**2, reflected, np.inf)
        best = np.minimum(np.minimum(gated, gated_bounce), np.where(may, jump, np.inf))
        alike = (differs < 25) | ~sure[:, None]
        cost = np.where(np.isfinite(best) & alike, best + shade, 1e6)
        cost[~sure] += 30.0  # a track not yet sure of itself takes only what is left
        return cost, best < gated

    def _jumps(self, track: _Track, fastest: float) -> tuple[float, int]:
        """How far (mm) off its path a ball may be found; and whether at all: 0 no, 1 yes, 2 if it looks the same."""
        s = self.settings
        gap = max(self._unseen_s(track), 1e-4)
        step = track.t_s - track.before_s
        # A ball that lay still just now may have been struck: its last find is often already a little on its way.
        struck = track.t_s - track.slow_s < max(s.jump_gap_s, 3.5 * step)
        within = (s.top_speed_mps * 1e3 if struck else fastest) * gap + 0.3 * self.table.ball.diameter_mm
        longest = s.max_gap_s if _speed(track) < 30.0 else max(s.jump_gap_s, 2.5 * step)
        return within, 0 if gap > longest else 2 if gap > s.jump_gap_s else 1

    def _unlike(self, track: _Track, colour: Array) -> Array:
        """(N,) how little colours (N, 4) are the track's: squares of what the same ball may differ by, summed."""
        return np.asarray((((colour - track.colour) / self.colour_u) ** 2).sum(axis=1))

    def _fastest(self) -> float:
        """No moving ball can be faster (mm/s) than the fastest was just now."""
        speed = max((k.fastest for k in self.live if self._sure(k)), default=0.0)
        return 1.25 * speed + 200.0

    def _sure(self, track: _Track) -> bool:
        """Whether it is a ball: it looks like one now, or usually does, and now no less than any that is found anew."""
        if track.hits < self.settings.min_hits:
            return False
        usually = 2 * track.round_hits >= track.hits and track.share >= self.settings.sure_share
        return track.share >= self.settings.ball_share or usually

    def _unseen_s(self, track: _Track) -> float:
        return track.t_s - float(self.t[track.rows[-1]])

    def _last_place(self, track: _Track) -> Array:
        return np.asarray(self.xy[track.rows[-1]])

    def _bounce(self, place: Array) -> tuple[Array, Array]:
        """Where balls at (N, 2) would be if a cushion had turned them back, and how unsure that is (N,)."""
        size = np.array([self.table.length_mm, self.table.width_mm])
        below = np.maximum(self.reach - place, 0.0)
        turned = place + 1.75 * below
        above = np.maximum(turned - (size - self.reach), 0.0)
        depth = np.maximum(below, above).max(axis=1)
        return turned - 1.75 * above, 0.35 * depth + 0.5

    def _take(self, track: _Track, row: int, jumped: bool) -> None:
        z, r = self.xy[row], self.r[row]
        if jumped:
            dt = max(self.t[row] - self.t[track.rows[-1]], 1e-4)
            velocity = (z - self._last_place(track)) / dt
            speed = float(np.hypot(*velocity))
            track.kf = _new_filter(z, r, velocity_u=max(0.6 * speed, 300.0), velocity=velocity)
        else:
            track.kf.update(z[:, None], R=r)
        share = 0.1 if track.hits > 10 else 1 / (track.hits + 1)
        track.colour = (1 - share) * track.colour + share * self.colour[row]
        track.share = (1 - share) * track.share + share * float(self.share[row])
        track.round_hits += int(self.share[row] >= self.settings.ball_share)
        track.hits += 1
        track.misses = 0
        track.rows.append(row)

    def _bury(self, matched: set[int], t: float) -> None:
        stay: list[_Track] = []
        replaced = self._turned_up_elsewhere()
        for a, track in enumerate(self.live):
            if a not in matched:
                track.misses += 1
            young = track.hits < self.settings.min_hits and track.misses > 2
            unseen = self._unseen_s(track)
            forgotten = unseen > self.settings.hidden_s or (unseen > 0.3 and track.name in replaced)
            # What is seen in a pocket afterwards is not on the table.
            gone = bool(self.fallen[track.rows[-2:]].all()) or (unseen > 0.1 and self._out(track))
            (self.done if young or self._lost(track) or forgotten or gone else stay).append(track)
            if a not in matched:
                self._hold_if_hidden(track)
        self.live = stay

    def _out(self, track: _Track) -> bool:
        """Whether a moving ball's path has led it into a pocket since it was last seen."""
        if _speed(track) < 30.0 or not self.table.pockets:
            return False
        return bool(_in_a_pocket(track.kf.x[:2, 0][None], self.table)[0])

    def _turned_up_elsewhere(self) -> set[int]:
        """Hidden tracks of whose colour a new ball has been found since: a hand, or a cut, has put it there."""
        new = [k for k in self.live if k.misses == 0 and self._sure(k)]
        hidden = [k for k in self.live if k.misses > 2]
        return {
            h.name for h in hidden for k in new
            if k.rows[0] > h.rows[-1] and self._unlike(h, k.colour[None])[0] < ALIKE
        }

    def _crowded(self, row: int) -> bool:
        """Two balls cannot be closer than a diameter: a second find on a sure track that was seen just now."""
        near = self.table.ball.diameter_mm * 0.6
        return any(
            self._sure(k) and k.misses == 0 and np.hypot(*(self.xy[row] - k.kf.x[:2, 0])) < near
            for k in self.live
        )

    def _bear(self, row: int) -> None:
        self.born += 1
        kf = _new_filter(self.xy[row], self.r[row], velocity_u=1000.0)
        colour, share = self.colour[row].copy(), float(self.share[row])
        round_hits = int(share >= self.settings.ball_share)
        self.live.append(_Track(self.born, kf, float(self.t[row]), colour, share, round_hits, rows=[row]))


def _roundness(rows: pd.DataFrame) -> Array:
    """(N,) share of the outline seen, times share of plain cloth around: 1 for a ball that lies free."""
    outline, clear = rows["outline_share"].fillna(1.0), rows["clear_share"].fillna(1.0)
    return np.asarray(outline.to_numpy(float) * clear.to_numpy(float))


def _on_the_table(xy: Array, table: Table, beyond_mm: float) -> NDArray[np.bool_]:
    """Where a ball's centre can be: as far as the noses let it, or in a pocket's mouth."""
    low = table.contact_distance_mm(table.ball.radius_mm) - beyond_mm
    x, y = xy[:, 0], xy[:, 1]
    inside = (x > low) & (x < table.length_mm - low) & (y > low) & (y < table.width_mm - low)
    wide = 2.2 * table.ball.diameter_mm
    for px, py in table.pocket_centres_mm.values():
        inside |= np.hypot(x - px, y - py) < wide
    return np.asarray(inside)


def _in_a_pocket(xy: Array, table: Table) -> NDArray[np.bool_]:
    """Places at which a ball has fallen."""
    out = np.zeros(len(xy), dtype=bool)
    if table.pockets:
        for mouth in mouths(table):
            out |= (mouth.depth(xy) > drop_depth(mouth)) & (np.abs((xy - mouth.centre) @ mouth.along) < mouth.width_mm)
    return out


def _speed(track: _Track) -> float:
    return float(np.hypot(track.kf.x[2, 0], track.kf.x[3, 0]))


def _hold(track: _Track) -> None:
    track.kf.x[2:] = 0.0
    track.kf.P[2:, :] = 0.0
    track.kf.P[:, 2:] = 0.0
    track.kf.P[:2, :2] = np.minimum(track.kf.P[:2, :2], 25.0)
    track.kf.P[2, 2] = track.kf.P[3, 3] = 30.0**2


def _mahalanobis(d: Array, s: Array) -> Array:
    """(...) d^T S^-1 d for d (..., 2), S (..., 2, 2)."""
    xx, xy, yy = s[..., 0, 0], s[..., 0, 1], s[..., 1, 1]
    x, y = d[..., 0], d[..., 1]
    return np.asarray((yy * x * x - 2 * xy * x * y + xx * y * y) / (xx * yy - xy * xy))


def smooth(t_s: Array, xy_mm: Array, covariance: Array, accel_u_mps2: float = 2.0) -> tuple[Array, Array]:
    """Filter forwards and smooth backwards (Rauch-Tung-Striebel) one stretch without contacts.

    t_s (N,), xy_mm (N, 2), covariance (N, 2, 2) -> state (N, 4): x, y in mm, vx, vy in mm/s; its covariance (N, 4, 4).
    Never call it across a contact.
    """
    n = len(t_s)
    if n == 0:
        return np.empty((0, 4)), np.empty((0, 4, 4))
    kf = _new_filter(xy_mm[0], covariance[0], velocity_u=1e4)
    states, spreads = np.empty((n, 4, 1)), np.empty((n, 4, 4))
    fs, qs = [], []
    for i in range(n):
        dt = float(t_s[i] - t_s[i - 1]) if i else 0.0
        f, q = _transition(dt), _process_noise(dt, accel_u_mps2 * 1e3)
        if i:
            kf.predict(F=f, Q=q)
            kf.update(xy_mm[i][:, None], R=covariance[i])
        states[i], spreads[i] = kf.x, kf.P
        fs.append(f)
        qs.append(q)
    x, p = states[:, :, 0].copy(), spreads.copy()
    for k in range(n - 2, -1, -1):  # written out: releases of filterpy differ in which F its smoother takes for a step
        f, q = fs[k + 1], qs[k + 1]
        predicted = f @ p[k] @ f.T + q
        gain = p[k] @ f.T @ np.linalg.inv(predicted)
        x[k] += gain @ (x[k + 1] - f @ x[k])
        p[k] += gain @ (p[k + 1] - predicted) @ gain.T
    return x, p
