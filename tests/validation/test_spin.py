"""Side spin from marks on a drawn ball, against the spin that it was given."""

import math
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fixtures.synthetic import Filming, Scene, balls, bank_shot, overhead_camera
from fixtures.synthetic.balls import Instant, draw_ball
from fixtures.synthetic.clip import GAMMA, turns
from fixtures.synthetic.physics import rolling_velocity
from pipeline.ball_pictures import BallPictures, PictureKeeper, pictures_along
from pipeline.shutter import READ_OFFSET
from pipeline.spin import SURE_PAIRS, _around, _find, _flatness, _scatter_of_tops, cue_side_spin, side_spin
from shared.equipment import standard_table

TABLE = standard_table()
CAMERA = overhead_camera(TABLE)
RADIUS = TABLE.ball.radius_mm


def _filmed(play, *, marked, until_s, rate=60.0, seed=0, turning=True):
    """Windows of the cue ball from the strike to a time, drawn on plain cloth with blur and noise."""
    scene = Scene(table=TABLE, camera=CAMERA)
    filming = Filming(frame_rate=rate)
    orientation = turns(play, "cue", until_s + 0.05) if marked else None
    rng = np.random.default_rng(seed)
    cloth = np.tile(np.asarray(scene.look.cloth, np.float32), (CAMERA.height_px, CAMERA.width_px, 1))
    times, corners, windows = [], [], []
    for t in np.arange(0.0, until_s, 1 / rate):
        if t < 0.35:
            continue
        picture = cloth.copy()
        instants = []
        for part in t + filming.shutter_s * (np.arange(3) - 1) / 3:
            place = play.at("cue", part).at(part)[0]
            turn = None if orientation is None else orientation[round(part / 0.001) if turning else 0]
            instants.append(Instant((float(place[0]), float(place[1])), turn))
        draw_ball(picture, scene, scene.look.balls["cue"], instants)
        x, y = (int(v) - 16 for v in CAMERA.to_image([[*instants[1].centre_mm, RADIUS]])[0])
        part = 255 * np.clip(picture[y : y + 33, x : x + 33], 0, 1) ** GAMMA
        luma = part @ [0.114, 0.587, 0.299] + rng.normal(0, 1.5, (33, 33))
        times.append(t)
        corners.append((x, y))
        windows.append(np.clip(luma, 0, 255).astype(np.uint8))
    return BallPictures(np.array(times), np.array(corners, float), tuple(windows))


def _motion(play, *, roll_error=0.0):
    """What the motion fit would tell of the cue ball, with its roll wrong by a share."""
    events = [SimpleNamespace(t_s=e["t"], kind=e["kind"]) for e in play.events[:2]]

    def states(ball, t):
        parts = [play.at(ball, x).at(x) for x in t]
        roll = np.array([rolling_velocity(w, RADIUS) for _, _, w in parts]) * (1 + roll_error)
        return np.array([p for p, _, _ in parts]), np.array([v for _, v, _ in parts]), roll

    layout = SimpleNamespace(chain={"cue": [0, 1]}, leg={("cue", 0): 0})
    speed = np.hypot(*play.at("cue", events[0].t_s + 1e-6).velocity)
    return SimpleNamespace(events=events, layout=layout, states=states, covariance=np.eye(4) * (0.07 * speed) ** 2)


def _measured(play, *, marked=True, roll_error=0.0, rate=60.0, turning=True):
    until = play.events[1]["t"]
    pictures = _filmed(play, marked=marked, until_s=until, rate=rate, turning=turning)
    return side_spin(
        pictures,
        _motion(play, roll_error=roll_error),
        ball="cue",
        until=1,
        pose=CAMERA,
        radius_mm=RADIUS,
        shutter_s=0.004,
    )


@pytest.mark.parametrize(("side_rad_s", "roll", "roll_error"), [(40.0, 0.2, 0.0), (-25.0, 0.7, 0.15), (0.0, 0.9, -0.1)])
def test_spin_that_was_given_is_found(side_rad_s, roll, roll_error):
    play = bank_shot(TABLE, speed_mps=2.2, roll_ratio=roll, side_rad_s=side_rad_s, run_mm=500.0)
    found, why = _measured(play, roll_error=roll_error)
    assert why == ""
    true = play.events[1]["before"]["cue"]["omega"][2] / (2 * math.pi)
    assert found.u < 0.5
    assert found.value == pytest.approx(true, abs=3.5 * found.u)


def test_a_ball_read_later_than_its_frame_is_looked_at_where_it_was_then():
    """Low in the picture of a rolling shutter: read 8 ms after the frame's middle line, 18 mm on."""
    play = bank_shot(TABLE, speed_mps=2.2, roll_ratio=0.2, side_rad_s=40.0, run_mm=500.0)
    pictures, motion = _filmed(play, marked=True, until_s=play.events[1]["t"]), _motion(play)
    for event in motion.events:
        event.concerns = lambda ball: ball == "cue"
    keeper, places = PictureKeeper(), motion.states("cue", pictures.t_s)[0]
    for t, place, corner, luma in zip(pictures.t_s, places, pictures.corner_px, pictures.luma, strict=True):
        keeper.keep(t - 0.008, tuple(corner + 16), tuple(place), *corner, luma)
    windows = keeper.table.assign(**{READ_OFFSET: 0.008})
    spin = cue_side_spin(windows, motion, pose=CAMERA, radius_mm=RADIUS, shutter_s=0.004)
    true = play.events[1]["before"]["cue"]["omega"][2] / (2 * math.pi)
    assert spin.found.value == pytest.approx(true, abs=3.5 * spin.found.u)


def test_a_broad_top_that_moves_with_each_frame_left_out_is_told_as_broad():
    """Five frames; without the first the marks agree best at -6 rad/s, without the last at 6: a jackknife of those."""
    tops = np.array([-6.0, -3.0, 0.0, 3.0, 6.0])

    def mean(spins, _, pairs):
        left_out = int(np.flatnonzero(~pairs.any(axis=1))[0])
        return 0.75 - 1e-4 * (spins[:, 0] - tops[left_out]) ** 2

    fine = SimpleNamespace(
        skin=SimpleNamespace(frames=5), any=~np.eye(5, dtype=bool), agreement=lambda x: (x[:, :1], x[:, :1]), mean=mean
    )
    assert _scatter_of_tops(fine, np.zeros(3)) == pytest.approx(math.sqrt(0.8 * (tops**2).sum()), rel=1e-6)


def _agreeing(score, bend):
    """13 frames whose marks agree by ``score`` at no spin, and less by half of ``bend`` (3, 3) off it."""
    def agreement(spins):
        return spins, spins

    def mean(spins, _, __):
        return score - 0.5 * np.einsum("ni,ij,nj->n", spins, bend, spins)

    return SimpleNamespace(skin=SimpleNamespace(frames=13), any=~np.eye(13, dtype=bool), agreement=agreement, mean=mean,
                           frame_s=np.linspace(0.4, 0.6, 13))


def test_a_spin_that_trades_with_the_roll_is_as_unsure_as_that_leaves_it():
    """As of a band around the ball: turned about two axes at once it looks the same, in every frame."""
    stiff = np.diag([4e-3, 4e-3, 4e-3])
    free = stiff.copy()
    free[0, 1] = free[1, 0] = 3.9e-3
    for bend in (stiff, free):
        fine = _agreeing(0.9, bend)
        expected = math.sqrt(2 * 0.1 / (13 - 3) * np.linalg.inv(bend)[0, 0])
        assert _flatness(fine, _around(fine, np.zeros(3)), 0.9) == pytest.approx(expected, rel=1e-6)
    upwards = _agreeing(0.9, np.diag([4e-3, 4e-3, -1e-3]))
    assert _flatness(upwards, _around(upwards, np.zeros(3)), 0.9) is None


def test_a_plain_ball_shows_no_marks():
    play = bank_shot(TABLE, speed_mps=2.2, roll_ratio=0.5, side_rad_s=30.0)
    assert _measured(play, marked=False) == (None, "no marks seen on the cue ball")


@pytest.mark.parametrize("specks", [8, 160])
def test_a_few_dark_pixels_of_a_large_picture_are_no_marks(specks):
    """Left by coding on a plain ball at 4K, elsewhere in each frame; of the area of a mark they would be one."""
    camera = overhead_camera(TABLE, width_px=3840, height_px=2160)
    play, rng = bank_shot(TABLE, speed_mps=2.2, roll_ratio=0.5, run_mm=500.0), np.random.default_rng(4)
    motion = _motion(play)
    times = np.arange(0.42, play.events[1]["t"] - 0.005, 1 / 60)
    px = camera.to_image(np.column_stack([motion.states("cue", times)[0], np.full(len(times), RADIUS)]))
    corners, windows = np.round(px) - 50, []
    for _ in times:
        luma = 200 + rng.normal(0, 1.5, (101, 101))
        row, column = rng.integers(40, 50, 2)
        luma[row : row + 8, column : column + specks // 8] -= 30
        windows.append(luma.astype(np.uint8))
    pictures = BallPictures(times, corners, tuple(windows))
    found, why = side_spin(pictures, motion, ball="cue", until=1, pose=camera, radius_mm=RADIUS, shutter_s=0.004)
    assert found is None
    assert (why == "no marks seen on the cue ball") == (specks == 8)


def test_spots_that_stay_where_they_are_on_a_rolling_ball_are_no_marks():
    play = bank_shot(TABLE, speed_mps=1.2, roll_ratio=0.5, run_mm=500.0)
    found, why = _measured(play, turning=False)
    assert (found, why) == (None, "the marks on the cue ball don't turn as it rolls: they may be reflections")


def test_one_mark_seen_in_few_frames_says_so(monkeypatch):
    """Six frames, of which three show its bare side: almost any spin would fit."""
    monkeypatch.setattr(balls, "SPOTS", np.array([[1.0, 0.0, 0.0]]))
    lying = partial(turns, lying=Rotation.random(random_state=635545801))
    monkeypatch.setattr(f"{__name__}.turns", lying)
    play = bank_shot(TABLE, speed_mps=2.09, roll_ratio=0.81, side_rad_s=19.2, run_mm=525.0)
    found, why = _measured(play, rate=25.0)
    assert (found, why) == (None, "the marks on the cue ball were seen in only 3 frames before the contact")


def test_one_good_agreement_of_few_frames_does_not_end_the_search():
    """Only the third start leads to a spin that agrees as well: with many pairs of frames it is not looked for."""
    spins = [0.0, 3.0, 20.0]

    def search(pairs):
        ends = iter(spins)
        coarse = SimpleNamespace(reach_s=0.03, near=None, any=None, scores=lambda grid, _: np.zeros(len(grid)),
                                 climb=lambda start, *_: (start, 0.9))
        fine = SimpleNamespace(frame_s=np.array([0.0, 0.2]), any=None, thinned=lambda: coarse,
                               climb=lambda *_: (np.array([next(ends), 0.0, 0.0]), 0.95), turning=np.zeros((2, 2)),
                               overlapping=lambda _: pairs)
        return _find(fine, np.array([1.0, 0.0]), 25.0, 10.0)[1]

    assert search(SURE_PAIRS) == "the cue ball hardly turned before the contact: marks can't be told from shading"
    spins += [20.0] * 20
    assert search(SURE_PAIRS - 1) == "the marks on the cue ball fit more than one spin"


def test_too_few_frames_say_so():
    play = bank_shot(TABLE, speed_mps=5.0, run_mm=150.0)
    found, why = _measured(play)
    assert found is None
    assert "frames before the contact" in why


def test_windows_are_kept_and_found_again_by_place():
    keeper = PictureKeeper()
    for k in range(3):
        keeper.keep(0.1 * k, (12.0, 22.0), (100.0 * k, 50.0), 10 + k, 20, np.full((5, 7), 100 + k, np.uint8))
        keeper.keep(0.1 * k, (302.0, 22.0), (900.0, 50.0), 300, 20, np.zeros((5, 7), np.uint8))
    table = keeper.table
    along = np.column_stack([table["t_s"].to_numpy() * 1000, np.full(6, 52.0)])
    mine = pictures_along(table, table["t_s"].to_numpy(), along, 28.575)
    assert mine.t_s.tolist() == [0.0, 0.1, 0.2]
    assert [int(w[0, 0]) for w in mine.luma] == [100, 101, 102]
    assert mine.luma[0].shape == (5, 7)
