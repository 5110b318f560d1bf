"""Tracks that went on with one another's paths after a hit are told by the balls' colours, or by running through one
another; others are left alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.track_swaps import exchanged

DIAMETER, COLOUR_U = 57.15, np.array([16.0, 4.0, 4.0, 0.18])
CUE, PALE, RED = (181.0, -4.0, 1.0, 1.0), (169.0, -18.0, -12.0, 0.9), (90.0, -15.0, 60.0, 0.05)


def shot(rate, colours, seed):
    """Rows of a ball that stops dead where it hits another, and of that one: times, places, looks; both balls' rows."""
    rng = np.random.default_rng(seed)
    way, speed, met = np.array([0.6, 0.8]), 3000.0, 0.53
    hit = np.array([1400.0, 600.0])
    t_s, xy, looks = [], [], []
    for t in np.arange(0.02, 0.85, 1 / rate):
        cue = hit + np.clip(t - met, -0.17, 0.0) * speed * way
        other = hit + DIAMETER * way + max(t - met, 0.0) * 0.85 * speed * way
        for place, colour in zip((cue, other), colours, strict=True):
            t_s.append(t)
            xy.append(place + rng.normal(0, 0.5, 2))
            looks.append(colour + rng.normal(0, [5.0, 1.5, 1.5, 0.05]))
    rows = np.arange(len(t_s))
    return np.array(t_s), np.array(xy), np.array(looks), rows[::2].tolist(), rows[1::2].tolist()


def crossed(t_s, cue, other, when):
    """The two tracks as they are if they changed over at a time."""
    return [
        [r for r in cue if t_s[r] <= when] + [r for r in other if t_s[r] > when],
        [r for r in other if t_s[r] <= when] + [r for r in cue if t_s[r] > when],
    ]


@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0, 240.0])
@pytest.mark.parametrize("other", [CUE, PALE, RED])
def test_what_was_crossed_at_a_hit_is_put_right(rate, other):
    for seed in range(5):
        t_s, xy, looks, cue, struck = shot(rate, (CUE, other), seed)
        tracks = crossed(t_s, cue, struck, 0.53)
        exchanged(tracks, t_s, xy, looks, COLOUR_U, DIAMETER)
        assert tracks == [cue, struck]


@pytest.mark.parametrize("colours", [(CUE, PALE), (CUE, RED), (PALE, PALE), (CUE, CUE)])
def test_what_was_right_stays(colours):
    """Also where the colours don't tell: no exchange for noise's sake."""
    for seed in range(20):
        t_s, xy, looks, cue, struck = shot(30.0, colours, seed)
        tracks = [list(cue), list(struck)]
        exchanged(tracks, t_s, xy, looks, COLOUR_U, DIAMETER)
        assert tracks == [cue, struck]


def test_a_ball_carried_over_another_keeps_its_name():
    """Seen from above it runs through the other; both look after it as they did before."""
    for seed in range(5):
        t_s, xy, looks, cue, struck = shot(30.0, (CUE, RED), seed)
        over = crossed(t_s, cue, struck, 0.53)  # as a path: through the other's place and on
        looks[over[0]], looks[over[1]] = CUE, RED
        tracks = [list(rows) for rows in over]
        exchanged(tracks, t_s, xy, looks, COLOUR_U, DIAMETER)
        assert tracks == over


def test_where_neither_is_seen_for_long_nothing_is_told():
    """They may have gone around one another."""
    t_s, xy, looks, cue, struck = shot(30.0, (CUE, CUE), 1)
    seen = np.flatnonzero((t_s < 0.5) | (t_s > 0.7))
    tracks = [[r for r in rows if r in seen] for rows in crossed(t_s, cue, struck, 0.53)]
    before = [list(rows) for rows in tracks]
    exchanged(tracks, t_s, xy, looks, COLOUR_U, DIAMETER)
    assert tracks == before
