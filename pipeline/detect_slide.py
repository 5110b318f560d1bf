"""Sliding an outline over votes taken along its rays, to where it gathers most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: steps by which the ring may be larger: the limb's fall puts the steepest place a little inside
_GROWN = (-2, -1, 0, 1)
_GROWN_COST = 0.012  # votes a step of that is worth


@dataclass(frozen=True, eq=False)
class Slide:
    """Displacements tried (G, 2) px, and for each where along every ray its votes lie.

    ``s_px`` are the sample places along a ray; votes are given for all but ``arm`` samples at either end.
    """

    s_px: Array
    arm: int
    shifts_px: Array  # (G, 2)
    index: NDArray[np.intp]  # (grown, K, G) into one ball's (K, S) votes, flattened

    @classmethod
    def over(cls, normal: Array, reach_px: float) -> Slide:
        """For rays along ``normal`` (K, 2); it hardly differs between balls of one clip."""
        step = max(0.5, reach_px / 14)
        half = int(np.ceil(reach_px / step))
        arm = max(1, round(1.0 / step))
        grid = np.arange(-half, half + 1, 2 if half > 4 else 1) * float(step)
        gx, gy = (g.ravel() for g in np.meshgrid(grid, grid))
        shifts: Array = np.column_stack([gx, gy])[np.hypot(gx, gy) <= reach_px + 0.01]
        samples = 2 * half + 1
        along = np.rint(normal @ shifts.T / step).astype(np.intp) + half  # (K, G)
        grown = np.clip(along + np.array(_GROWN)[:, None, None], 0, samples - 1)
        index = grown + (np.arange(len(normal)) * samples)[:, None]
        s_px = np.linspace(-(half + arm) * step, (half + arm) * step, 2 * (half + arm) + 1)
        return cls(s_px, arm, shifts, index)

    def best(self, votes: NDArray[np.floating]) -> tuple[Array, Array]:
        """(N, 2) px displacement with most support and (N,) that support, 0 to 1, from votes (N, K, S)."""
        flat = np.ascontiguousarray(votes.reshape(len(votes), -1).T)  # all balls' votes of one place are taken at once
        support = np.stack([np.take(flat, index, axis=0).mean(axis=0) for index in self.index])  # (grown, G, N)
        support -= _GROWN_COST * np.abs(np.array(_GROWN))[:, None, None]
        over_sizes = support.max(axis=0)
        top = over_sizes.argmax(axis=0)
        return self.shifts_px[top], over_sizes[top, np.arange(len(votes))]
