"""Two balls that met and whose tracks went on with one another's paths: told by their colours before and after.

With few frames a second, a ball that stops dead where it hits another, which goes on with its speed, looks like one
that ran through. Balls of one colour, or a striped one that turns, can still be told: none runs through another.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Array

TOUCH = 1.15  # diameters: tracks that came so near may have met
SPAN_S = 0.5  # colours are compared over so long before and after
LEAST_ROWS = 4
UNLIKE = 12.0  # squares of what the same ball may differ by, summed over both balls: more is not the same two balls,
BETTER = 0.3  # if the other way round it is less than this share of that
THROUGH = 0.7  # diameters: tracks that came so near ran through one another; the other way round they must not
IN_SIGHT_S = 0.15  # balls unseen for longer may have passed one another

Rows = list[int]


def exchanged(tracks: list[Rows], t_s: Array, xy_mm: Array, colour: Array, colour_u: Array, diameter_mm: float) -> None:
    """Exchange, in place, the rest of two tracks after each meeting where their colours say that it was the other way.

    tracks   : row numbers of each, in order of time
    colour   : (N, C) of each row; ``colour_u`` (C,): what the same ball may differ by over a short way
    """
    for _ in range(len(tracks)):
        found = [
            (when, a, b)
            for a, b in combinations(range(len(tracks)), 2)
            if (when := _wrong_way(tracks[a], tracks[b], t_s, xy_mm, colour / colour_u, diameter_mm)) is not None
        ]
        if not found:
            return
        when, a, b = min(found)
        (a_before, a_after), (b_before, b_after) = (_split(tracks[k], t_s, when) for k in (a, b))
        tracks[a], tracks[b] = a_before + b_after, b_before + a_after


def _split(rows: Rows, t_s: Array, when: float) -> tuple[Rows, Rows]:
    return [r for r in rows if t_s[r] <= when], [r for r in rows if t_s[r] > when]


def _wrong_way(one: Rows, other: Rows, t_s: Array, xy_mm: Array, looks: Array, diameter_mm: float) -> float | None:
    """The time of the last row before the first meeting after which two tracks look like each other, or at which they
    run through one another, unless their looks speak against it.
    """
    a, b = np.array(one), np.array(other)
    _, in_a, in_b = np.intersect1d(t_s[a], t_s[b], return_indices=True)
    if len(in_a) < 2:
        return None
    apart = xy_mm[b[in_b]] - xy_mm[a[in_a]]
    nearest = _nearest_to_origin(apart[:-1], apart[1:])
    near = nearest < TOUCH * diameter_mm
    near &= nearest <= np.minimum(np.append(nearest[1:], np.inf), np.insert(nearest[:-1], 0, np.inf))
    for k in np.flatnonzero(near):
        when = float(t_s[a[in_a[k]]])
        mine, its = _looks(a, t_s, looks, when), _looks(b, t_s, looks, when)
        if mine is not None and its is not None:
            same = float(((mine[0] - mine[1]) ** 2).sum() + ((its[0] - its[1]) ** 2).sum())
            crossed = float(((mine[0] - its[1]) ** 2).sum() + ((its[0] - mine[1]) ** 2).sum())
            if same > UNLIKE and crossed < BETTER * same:
                return when
            if crossed > UNLIKE and same < BETTER * crossed:
                continue  # a hand carried one over the other
        in_sight = float(t_s[a[in_a[k + 1]]]) - when < IN_SIGHT_S
        other_way = float(_nearest_to_origin(apart[k][None], -apart[k + 1][None])[0])
        if in_sight and nearest[k] < THROUGH * diameter_mm <= other_way:
            return when
    return None


def _looks(rows: NDArray[np.intp], t_s: Array, looks: Array, when: float) -> tuple[Array, Array] | None:
    """How a track looks just before and just after a time; None where too few rows tell."""
    before = rows[(t_s[rows] <= when) & (t_s[rows] > when - SPAN_S)]
    after = rows[(t_s[rows] > when) & (t_s[rows] < when + SPAN_S)]
    if min(len(before), len(after)) < LEAST_ROWS:
        return None
    return np.asarray(np.median(looks[before], axis=0)), np.asarray(np.median(looks[after], axis=0))


def _nearest_to_origin(start: Array, end: Array) -> Array:
    """(N,) how near the straight ways from (N, 2) to (N, 2) come to the origin."""
    way = end - start
    along = -(start * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12)
    return np.asarray(np.hypot(*(start + np.clip(along, 0.0, 1.0)[:, None] * way).T))
