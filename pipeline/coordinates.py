"""Coordinates for the search in which a shot's frames depend almost linearly on its unknowns.

Once a ball rolls, its place hangs on the slip ``u`` with which the leg began only through ``2 |u| u / (49 mu g)``: how
far it got ahead of a ball that rolled from the start. In velocity and rolling velocity that makes a bent valley, down
which a descent creeps. Such a leg is held by the velocity with which it will roll and by that lead. A leg in which the
ball slides to the end shows its velocity and the time of the strike themselves; it is held by these.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.paths import Layout, Path
from pipeline.physics import G_MM_S2, Array, slide_delay, slide_time

LEAST_LEAD_MM = 0.3  # below this, no more than noise, the slip goes with the lead itself and not with its square root
_STEP = 1e-3  # mm/s, for the delay's derivatives


@dataclass(frozen=True, eq=False)
class Coordinates:
    """For a batch of S parameter vectors, each with its own choice of what holds a leg.

    Friction, times of other events than strikes, and places stay as they are.
    """

    legs: NDArray[np.intp]  # (L,) where each leg's four parameters begin
    slides: NDArray[np.bool_]  # (S, L) to the leg's end
    strikes: tuple[tuple[int, int], ...]  # of each strike: place of its time, and which leg it begins

    @classmethod
    def at(cls, layout: Layout, theta: Array, last_s: Mapping[str, float]) -> Coordinates:
        """For vectors (S, n). ``last_s``: when each ball was last seen."""
        path = Path(layout, theta)
        slides, strikes = [], []
        for k, (ball, i) in enumerate(layout.leg):
            chain = layout.chain[ball]
            following = chain.index(i) + 1
            until = path.time(chain[following]) if following < len(chain) else last_s[ball]
            _, v, roll = path.after[ball, i]
            slides.append(slide_time(v, roll, path.mu_s) > until - path.time(i))
            if layout.events[i].kind == "strike":
                strikes.append((layout.times + i, k))
        return cls(np.array(list(layout.leg.values()), dtype=np.intp), np.stack(slides, axis=1), tuple(strikes))

    def of(self, theta: Array) -> Array:
        """From the parameters (S, n)."""
        v, roll = self._pairs(theta)
        slip = v - roll
        square = (slip**2).sum(axis=-1)
        c2 = _scale(theta) ** 2
        lead = (square + np.sqrt(square**2 + 4 * c2 * square * LEAST_LEAD_MM)) / (2 * c2)
        lead = slip * (lead / np.maximum(np.sqrt(square), 1e-12))[..., None]
        out = theta.copy()
        self._put(out, (5 * v + 2 * roll) / 7, lead)
        for at, leg in self.strikes:
            out[:, at] += np.where(self.slides[:, leg], slide_delay(v[:, leg], roll[:, leg], np.exp(theta[:, 0])), 0.0)
        return out

    def parameters(self, at: Array) -> Array:
        """Back to the parameters (S, n)."""
        settled, lead = self._pairs(at)
        slip = _slip(at, lead)[0]
        out = at.copy()
        self._put(out, settled + 2 / 7 * slip, settled - 5 / 7 * slip)
        for place, leg in self.strikes:  # where it slides, the pair is velocity and rolling velocity
            delay = slide_delay(settled[:, leg], lead[:, leg], np.exp(at[:, 0]))
            out[:, place] -= np.where(self.slides[:, leg], delay, 0.0)
        return out

    def matrix(self, at: Array) -> Array:
        """(S, n, n) derivative of the parameters by the coordinates."""
        _, lead = self._pairs(at)
        slip, by_lead = _slip(at, lead)
        out = np.repeat(np.eye(at.shape[1])[None], len(at), axis=0)
        rolls = ~self.slides
        for offset, share in ((0, 2 / 7), (2, -5 / 7)):
            for a in range(2):
                row = self.legs + offset + a
                for b in range(2):
                    out[:, row, self.legs + b] = np.where(rolls, float(a == b), out[:, row, self.legs + b])
                    slid = out[:, row, self.legs + 2 + b]
                    out[:, row, self.legs + 2 + b] = np.where(rolls, share * by_lead[..., a, b], slid)
                out[:, row, 0] = np.where(rolls, share * slip[..., a] / 2, 0.0)  # the slip goes with friction's root
        for place, leg in self.strikes:
            self._delays(out, at, place, leg)
        return out

    def _delays(self, out: Array, at: Array, place: int, leg: int) -> None:
        start = self.legs[leg]
        here = at[:, start : start + 4]
        delay = slide_delay(here[:, :2], here[:, 2:], np.exp(at[:, 0]))
        for k in range(4):
            there = here.copy()
            there[:, k] += _STEP
            change = (slide_delay(there[:, :2], there[:, 2:], np.exp(at[:, 0])) - delay) / _STEP
            out[:, place, start + k] = np.where(self.slides[:, leg], -change, 0.0)
        out[:, place, 0] = np.where(self.slides[:, leg], delay, 0.0)  # it goes with 1 / friction

    def _pairs(self, values: Array) -> tuple[Array, Array]:
        columns = self.legs[:, None] + np.arange(2)
        return values[:, columns], values[:, columns + 2]

    def _put(self, out: Array, first: Array, second: Array) -> None:
        """Write pairs (S, L, 2) where the leg doesn't slide to its end."""
        columns = self.legs[:, None] + np.arange(2)
        stay = self.slides[..., None]
        out[:, columns] = np.where(stay, out[:, columns], first)
        out[:, columns + 2] = np.where(stay, out[:, columns + 2], second)


def _scale(values: Array) -> Array:
    """(S, 1) slip over root of lead: mm^(1/2) / s."""
    return np.asarray(math.sqrt(49 * G_MM_S2 / 2) * np.exp(0.5 * values[:, :1]))


def _slip(values: Array, lead: Array) -> tuple[Array, Array]:
    """Slips (S, L, 2) mm/s, and their derivatives by the leads (S, L, 2, 2)."""
    size = np.sqrt((lead**2).sum(axis=-1))
    root = _scale(values) / np.sqrt(size + LEAST_LEAD_MM)
    way = lead / np.maximum(size, 1e-12)[..., None]
    bent = (0.5 * root * size / (size + LEAST_LEAD_MM))[..., None, None]
    by_lead = root[..., None, None] * np.eye(2) - bent * (way[..., :, None] * way[..., None, :])
    return lead * root[..., None], by_lead
