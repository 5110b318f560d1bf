"""Events: all that happened, nothing else, in the right order."""

import numpy as np
import pytest

from fixtures.synthetic import Surface, bank_shot, kick_shot
from pipeline.contacts import _apart, find_starts
from pipeline.paths import Seen
from pipeline.pockets import find_pocketed, in_jaws, mouths
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import COLOURS, Look, detections_of, overhead

TABLE = standard_table()
KINDS = {"strike": "strike", "ball_ball": "ball", "cushion": "cushion"}


def measured(play, seconds, look=None):
    return measure(detections_of(play, TABLE, seconds, look))


def measure(rows):
    return measure_shots(
        rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="test.mp4"
    )


def true_events(play, seconds):
    names = {"cue": "cue", "1": "object"}
    out = []
    for event in play.events:
        if event["kind"] in KINDS and event["t"] < seconds - 0.08:
            other = event.get("cushion") or (names[event["balls"][1]] if len(event["balls"]) > 1 else "")
            out.append((event["t"], KINDS[event["kind"]], names[event["balls"][0]], other))
    return sorted(out)


@pytest.mark.parametrize("seed", range(8))
def test_events_of_all_sorts_of_shots(seed):
    rng = np.random.default_rng(seed)
    seconds = 2.6
    if seed % 3 == 2:
        play = kick_shot(TABLE, speed_mps=rng.uniform(1.5, 4), direction_deg=rng.uniform(25, 75), until_s=seconds)
    else:
        play = bank_shot(
            TABLE, speed_mps=rng.uniform(1.5, 4), roll_ratio=rng.uniform(-0.8, 1), cut_deg=rng.uniform(-30, 30),
            direction_deg=rng.uniform(50, 110), side_rad_s=rng.uniform(-30, 30), until_s=seconds,
        )
    got = measured(play, seconds, Look(frame_rate=[30.0, 60.0, 120.0][seed % 3], seed=seed)).contacts
    found = [
        (r.t_s, r.kind, r.ball, r.other if isinstance(r.other, str) else "")
        for r in got.itertuples() if r.kind in ("strike", "ball", "cushion") and r.t_s < seconds - 0.08
    ]
    truth = true_events(play, seconds)
    assert [f[1:] for f in found] == [t[1:] for t in truth]
    assert np.abs(np.array([f[0] for f in found]) - np.array([t[0] for t in truth])).max() < 0.002


def test_a_double_kiss_seen_line_by_line():
    play = bank_shot(TABLE, speed_mps=2.2, roll_ratio=0.7, cut_deg=0.0, direction_deg=90.0, object_share=(0.36, 0.7),
                     run_mm=500.0, until_s=2.6)
    kisses = [float(event["t"]) for event in play.events if event["kind"] == "ball_ball"]
    assert len(kisses) == 2
    got = measured(play, 2.5, Look(readout_s=0.015, strays=0.0))
    assert got.contacts.loc[got.contacts["kind"] == "ball", "t_s"].tolist() == pytest.approx(kisses, abs=0.003)
    assert np.isfinite(got.shots["rebound_angle_deg"].iloc[0])


def test_a_ball_hardly_nudged_seen_line_by_line():
    shot = {"speed_mps": 2.0, "roll_ratio": 0.0, "cut_deg": 5.0, "direction_deg": 62.0, "object_share": (0.42, 0.42),
            "run_mm": 450.0, "until_s": 3.4}
    alone = bank_shot(TABLE, **shot)
    passes_s = float(alone.events[1]["t"]) + 0.25
    place, v = (np.array(part) for part in alone.at("1", passes_s).at(passes_s)[:2])
    lies = place + 57.12 * np.array([-v[1], v[0]]) / np.hypot(*v)
    got = measured(bank_shot(TABLE, others={"2": tuple(lies)}, **shot), 3.3, Look(readout_s=0.015, strays=0.0))
    met = got.contacts[got.contacts["kind"] == "ball"]
    assert met["other"].tolist() == ["object", "ball-3"]
    assert met["t_s"].iloc[1] == pytest.approx(passes_s, abs=0.01)


def test_balls_of_a_frame_read_at_other_times_are_as_far_apart_as_they_were():
    frames, v = np.arange(20) / 60, np.array([900.0, 400.0])
    a, b = frames + 0.004, np.delete(frames - 0.003, 10)
    t, apart = _apart(_seen("a", a, a[:, None] * v), _seen("b", b, np.array([300.0, 0.0]) - b[:, None] * v))
    assert apart == pytest.approx(np.hypot(300.0 - 1800.0 * t, 800.0 * t))
    assert set(np.round((t - 0.004) * 60).astype(int)) == set(range(19)) - {9, 10}  # b not seen on both sides


def test_balls_of_a_frame_read_at_once_are_compared_only_where_both_were_seen():
    frames = np.arange(20) / 60
    a, b = np.delete(frames, [4, 5]), np.delete(frames, 10)
    t, apart = _apart(_seen("a", a, np.outer(a, [900.0, 0.0])), _seen("b", b, np.outer(b, [0.0, 400.0])))
    assert t == pytest.approx(np.delete(frames, [4, 5, 10]))
    assert apart == pytest.approx(np.hypot(900.0, 400.0) * t)


def _seen(ball, t_s, xy_mm):
    return Seen(ball, t_s, xy_mm, np.tile(0.09 * np.eye(2), (len(t_s), 1, 1)), np.zeros((len(t_s), 2, 0)))


def test_a_ball_that_dies_short_of_the_cushion_did_not_touch_it():
    slow = Surface(rolling=0.015)
    speed = np.sqrt(2 * 0.015 * 9.80665 * 0.58)  # rolls 0.58 m; the nose is 0.6 m away
    play = kick_shot(
        TABLE, surface=slow, speed_mps=float(speed), direction_deg=90.0, place_share=(0.3, 0.505), roll_ratio=1.0,
        strike_s=0.4, until_s=6.0,
    )
    kinds = set(measured(play, 5.5).contacts["kind"])
    assert kinds == {"strike", "rest"}


def test_a_ball_that_is_carried_was_not_struck():
    t = np.arange(0, 2.0, 1 / 60)
    share = np.clip((t - 0.5) / 0.9, 0, 1)
    x = 400 + 700 * share**2 * (3 - 2 * share)  # taken up gently, put down gently
    n = len(t)
    seen = Seen("a", t, np.column_stack([x, np.full(n, 300.0)]), np.repeat(0.09 * np.eye(2)[None], n, axis=0),
                np.zeros((n, 2, 0)))
    assert [s.ballistic for s in find_starts(seen)] == [False]


def test_the_jaws_are_the_ends_of_the_cushions():
    corner = TABLE.corner_mouth_mm / np.sqrt(2)
    assert in_jaws(TABLE, "foot", np.array([2512.0, corner - 1]))
    assert not in_jaws(TABLE, "foot", np.array([2512.0, corner + 4]))
    assert in_jaws(TABLE, "left", np.array([1270.0, 1242.0]))
    assert not in_jaws(TABLE, "head", np.array([27.0, 635.0]))


def test_a_corner_mouth_lies_between_the_nose_tips():
    """The tips are where the mouth's width spans the corner at 45 degrees (WPA: mouth measured from tip to tip)."""
    mouth = next(m for m in mouths(TABLE) if m.pocket == "foot-left")
    tips = mouth.centre + np.outer([-0.5, 0.5], mouth.along * mouth.width_mm)
    on_noses = [np.isclose(x, TABLE.length_mm) or np.isclose(y, TABLE.width_mm) for x, y in tips]
    assert all(on_noses)
    assert np.hypot(*(tips[1] - tips[0])) == pytest.approx(TABLE.corner_mouth_mm)


@pytest.mark.parametrize("gap_s", [0.03, 0.06])
def test_a_cushion_met_while_the_ball_was_not_seen(gap_s):
    """A ball of the cloth's colour is easily lost beside a cushion's shadow."""
    play = bank_shot(TABLE, speed_mps=4.0, cut_deg=3.0, until_s=3.0)
    met_s = next(e["t"] for e in play.events if e["kind"] == "cushion")
    rows = detections_of(play, TABLE, 2.6)
    rows = rows[(rows["luma"] == COLOURS["cue"][0]) | (np.abs(rows["t_s"] - met_s) > gap_s / 2 + 0.005)]
    contacts = measure(rows).contacts
    found = contacts[(contacts["kind"] == "cushion") & (contacts["ball"] == "object")]
    assert np.abs(found["t_s"] - met_s).min() < 0.004


@pytest.mark.parametrize(("speed_mps", "direction_deg"), [(4.5, 56.0), (4.5, 60.0), (5.0, 52.0), (5.0, 56.0)])
def test_a_ball_that_is_first_seen_again_at_its_cushion_met_that(speed_mps, direction_deg):
    """30 frames/s, a fast ball faint against the cloth: once a far pocket's jaws were made to turn it."""
    play = bank_shot(TABLE, speed_mps=speed_mps, direction_deg=direction_deg, run_mm=250.0, object_share=(0.5, 0.53),
                     strike_s=0.32, until_s=2.6)
    hit, cushion = (next(e for e in play.events if e["kind"] == kind) for kind in ("ball_ball", "cushion"))
    rows = detections_of(play, TABLE, 2.6, Look(frame_rate=30.0, noise_mm=1.0, strays=0.0, lost=0.0, seed=2))
    away = (rows["white_share"] < 0.5) & (rows["t_s"] > hit["t"]) & (rows["t_s"] < cushion["t"] - 0.02)
    (row,) = measure(rows[~away]).shots.to_dict("records")
    assert row["rail"] == cushion["cushion"] == "left"
    assert row["rail_s"] == pytest.approx(cushion["t"], abs=4 * row["rail_s_u"])
    before = np.array(cushion["before"]["1"]["v_mm_s"])
    speed, angle = np.hypot(*before) / 1000, np.degrees(np.arctan2(abs(before[0]), abs(before[1])))
    assert row["speed_at_impact_mps"] == pytest.approx(speed, abs=4 * row["speed_at_impact_mps_u"])
    assert row["incoming_angle_deg"] == pytest.approx(angle, abs=4 * row["incoming_angle_deg_u"])


@pytest.mark.parametrize("run_mm", [20.0, 25.0])
def test_a_hit_just_after_the_strike_comes_after_it(run_mm):
    play = bank_shot(TABLE, speed_mps=2.0, cut_deg=2.0, run_mm=run_mm, until_s=3.0)
    strike_s, hit_s = (next(e["t"] for e in play.events if e["kind"] == kind) for kind in ("strike", "ball_ball"))
    assert hit_s - strike_s < 0.02
    contacts = measured(play, 2.6, Look(frame_rate=60)).contacts
    assert list(contacts["kind"][:2]) == ["strike", "ball"]
    assert contacts["t_s"].iloc[0] == pytest.approx(strike_s, abs=0.003)
    assert contacts["t_s"].iloc[1] == pytest.approx(hit_s, abs=0.003)


@pytest.mark.parametrize("frames", [6, 7, 8, 12])
def test_few_frames_of_rest_are_enough(frames):
    """At 30 frames/s, with a millimetre of noise; slopes over seven frames tell of the start three frames before it."""
    rng = np.random.default_rng(frames)
    for _ in range(20):
        t = (np.arange(40) + 0.5) / 30
        begin = frames / 30
        xy = np.array([500.0, 250.0]) + np.outer(np.maximum(t - begin, 0.0), [2000.0, 3000.0])
        noisy = xy + rng.normal(0, 1.0, xy.shape)
        seen = Seen("1", t, noisy, np.repeat(np.eye(2)[None], len(t), axis=0), np.zeros((len(t), 2, 0)))
        (start,) = find_starts(seen)
        assert start.ballistic
        assert start.t_s == pytest.approx(begin, abs=0.02)


def test_out_of_sight_long_before_the_pocket():
    """A ball last seen a fifth of a second from a pocket's edge: when it fell is known no better than that."""
    t = np.arange(30) / 60
    edge = np.array([TABLE.length_mm / 2, TABLE.width_mm])
    along = {far: edge - np.outer(far + 400.0 * (t[-1] - t), [0.0, 1.0]) for far in (4.0, 80.0)}
    frames = np.arange(90) / 60
    u_s = {}
    for far, xy in along.items():
        seen = Seen("1", t, xy, np.repeat(0.04 * np.eye(2)[None], len(t), axis=0), np.zeros((len(t), 2, 0)))
        fell, _ = find_pocketed(seen, TABLE, frames, 1.5)
        assert fell is not None
        assert fell.pocket == "side-left"
        assert fell.t_s == pytest.approx(t[-1] + (far + 4.0) / 400.0, abs=1e-3)
        u_s[far] = fell.u_s
    assert u_s[4.0] == pytest.approx(0.02)
    assert u_s[80.0] == pytest.approx((84.0 / 400.0 - 1 / 60) / 2, abs=1e-3)
