"""The table's fingerprint finds the frictions and restitutions that made the contacts."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic.physics import Surface, meet_ball, meet_cushion, rolling_velocity
from pipeline.ball_contact import friction_between
from pipeline.compare.table_parameters import parameter_names
from pipeline.fingerprint import fingerprint, join, slope_per_mps
from pipeline.knowledge import CueMass, Shown
from pipeline.learning import ClothAndBalls
from pipeline.physics import Friction
from shared.columns import CONTACTS, FINGERPRINT, SHOTS
from shared.equipment import standard_table
from shared.settings import FrictionSettings


def _session(surface, *, shots=24, noise=0.004, seed=0, roll=0.0):
    """CONTACTS and SHOTS rows of hits by a cue ball that rolls so much, and of cushion contacts, with noise."""
    rng = np.random.default_rng(seed)
    table = standard_table()
    contacts, rows = [], []
    for n in range(shots):
        shot_id, speed = f"a-{n:02d}", rng.uniform(600, 2300)
        cut = math.radians(rng.uniform(15, 40))
        line = 57.15 * np.array([math.cos(cut), math.sin(cut)])
        spin = np.array([0.0, roll * speed / 28.575, 0.0])
        _, w1, v2, _ = meet_ball(
            (np.zeros(2), np.array([speed, 0.0]), spin), (line, np.zeros(2), np.zeros(3)), 28.575, surface
        )
        carried = rolling_velocity(w1, 28.575) / speed
        throw = math.atan2(v2[1], v2[0]) - cut
        u_deg = math.degrees(noise)
        rows.append(
            {
                "shot_id": shot_id,
                "shot": n + 1,
                "balls": "clean" if n % 2 else "polished",
                "cue_impact_speed_mps": speed / 1000 * (1 + rng.normal(0, noise)),
                "cue_impact_speed_mps_u": speed / 1000 * noise,
                "object_speed_mps": np.linalg.norm(v2) / 1000 * (1 + rng.normal(0, noise)),
                "object_speed_mps_u": np.linalg.norm(v2) / 1000 * noise,
                "cut_angle_deg": math.degrees(cut) + rng.normal(0, u_deg),
                "cut_angle_deg_u": u_deg,
                "throw_deg": math.degrees(throw) + rng.normal(0, u_deg),
                "throw_deg_u": u_deg,
                "cue_roll_ratio": carried[0] + rng.normal(0, 5 * noise),
                "cue_roll_ratio_u": 5 * noise,
                "cue_cross_ratio": carried[1] + rng.normal(0, noise),
                "cue_cross_ratio_u": noise,
            }
        )
        a = math.radians(rng.uniform(15, 65))
        before = speed * np.array([math.sin(a), math.cos(a)])
        after, _ = meet_cushion("left", before, np.zeros(3), table=table, surface=surface)
        out = np.linalg.norm(after)
        contacts.append(
            {
                "shot_id": shot_id,
                "n": 1,
                "t_s": 1.5,
                "kind": "cushion",
                "ball": "object",
                "other": "left",
                "speed_in_mps": speed / 1000 * (1 + rng.normal(0, noise)),
                "speed_in_mps_u": speed / 1000 * noise,
                "speed_out_mps": out / 1000 * (1 + rng.normal(0, noise)),
                "speed_out_mps_u": out / 1000 * noise,
                "angle_in_deg": math.degrees(a) + rng.normal(0, u_deg),
                "angle_in_deg_u": u_deg,
                "angle_out_deg": math.degrees(math.atan2(after[0], -after[1])) + rng.normal(0, u_deg),
                "angle_out_deg_u": u_deg,
            }
        )
    return CONTACTS.conform(pd.DataFrame(contacts)), SHOTS.conform(pd.DataFrame(rows), extra=("balls",))


def _row(rows, quantity, **where):
    whole = {"condition": where.get("condition"), "cushion": where.get("cushion")}
    part = rows[rows["quantity"] == quantity]
    for name, value in whole.items():
        part = part[part[name].isna()] if value is None else part[part[name] == value]
    return part[part["speed_from_mps"].isna() & part["angle_from_deg"].isna()].iloc[0]


SURFACE = Surface(
    ball_restitution=0.95,
    ball_friction=0.06,
    cushion_restitution=0.80,
    cushion_slope_per_mps=0.03,
    cushion_friction=0.2,
)


ANY_CLOTH = Friction()


def _all_told(shots, friction=ANY_CLOTH, cue_mass=None, restitution=None):
    """Every shot says the same of cloth and balls, but for how these rubbed."""
    return {str(row["shot_id"]): ClothAndBalls(friction, cue_mass, restitution, _rubbed(row))
            for _, row in shots.iterrows()}


def _rubbed(row):
    names = ("throw_deg", "cut_angle_deg", "cue_roll_ratio", "cue_cross_ratio")

    def friction(throw_deg, cut_deg, roll, cross):
        return float(friction_between(np.tan(np.radians(throw_deg)), np.radians(cut_deg), roll, cross))

    at, u = (np.array([row[name + of] for name in names], dtype=float) for of in ("", "_u"))
    slopes = [(friction(*(at + step)) - friction(*(at - step))) / 2 for step in np.diag(u)]
    return Shown(friction(*at), float(np.linalg.norm(slopes)))


def test_what_made_the_contacts_is_found_again():
    contacts, shots = _session(SURFACE)
    rows = fingerprint(contacts, shots, told=_all_told(shots, Friction(0.21, 0.0102, 0.003, 0.0002)), by=("balls",))
    assert list(rows.columns) == FINGERPRINT.names
    for quantity, value in (("ball_friction", 0.06), ("sliding_friction", 0.21)):
        row = _row(rows, quantity)
        assert row["value"] == pytest.approx(value, abs=3 * row["value_u"])
    slope = _row(rows, "cushion_restitution_per_mps")
    assert slope["value"] == pytest.approx(-0.03, abs=3 * slope["value_u"])
    assert _row(rows, "ball_friction")["contacts"] == 24
    assert _row(rows, "cushion_restitution", cushion="left")["contacts"] == 24


@pytest.mark.parametrize("roll", [-0.5, 1.0])
def test_friction_between_balls_is_the_same_however_the_cue_ball_rolls(roll):
    """Of a rolling ball's friction a third and more goes up or down, and does not throw the object ball."""
    contacts, shots = _session(SURFACE, roll=roll)
    row = _row(fingerprint(contacts, shots, told=_all_told(shots)), "ball_friction")
    assert row["value_u"] < 0.004
    assert row["value"] == pytest.approx(0.06, abs=3 * row["value_u"])


def test_a_hit_whose_roll_is_not_known_says_nothing_of_friction():
    contacts, shots = _session(SURFACE)
    told = _all_told(shots)
    shots.loc[:4, ["cue_roll_ratio", "cue_roll_ratio_u"]] = math.nan
    assert _row(fingerprint(contacts, shots, told=told), "ball_friction")["contacts"] == 19


def test_what_the_shots_do_not_tell_is_left_empty():
    """Not the published value as if it had been measured; and shots that say nothing are not counted."""
    contacts, shots = _session(SURFACE)
    told = _all_told(shots, Friction(rolling_u=0.0002), CueMass())
    rows = fingerprint(contacts, shots, told=told)
    for quantity, many in (("sliding_friction", 24), ("cue_ball_mass", 0)):
        row = _row(rows, quantity)
        assert pd.isna(row[["value", "value_u"]]).all()
        assert row["contacts"] == many
        assert row["note"].startswith("not told by these")
    assert _row(rows, "rolling_resistance")["value"] == pytest.approx(Friction().rolling)
    assert "sliding_friction" not in parameter_names(rows.assign(session="a"))
    told["a-03"] = ClothAndBalls(Friction(), CueMass(1.01, 0.003))
    row = _row(fingerprint(contacts, shots, told=told), "cue_ball_mass")
    assert row["contacts"] == 1
    assert row["value"] == pytest.approx(1.01, abs=0.001)


@pytest.mark.parametrize("contacts", [2, 3, 4])
@pytest.mark.parametrize("scatter", [0.0, 3.0])
def test_a_few_contacts_mean_lies_within_its_uncertainty_as_often_as_it_should(contacts, scatter):
    rng = np.random.default_rng(1)
    u = rng.uniform(0.7, 1.5, (2000, contacts))
    off = u * rng.standard_normal(u.shape) + scatter * rng.standard_normal(u.shape)
    joined = [join(*one) for one in zip(off, u, strict=True)]
    assert 0.65 < np.mean([abs(one.value) < one.u for one in joined]) < 0.82


@pytest.mark.parametrize("contacts", [4, 6])
@pytest.mark.parametrize("scatter", [0.0, 3.0])
@pytest.mark.parametrize("per_mps", [0.0, -0.05])
def test_a_few_contacts_slope_lies_within_its_uncertainty_as_often_as_it_should(contacts, scatter, per_mps):
    rng = np.random.default_rng(1)
    within = []
    for _ in range(1500):
        speed, u = rng.uniform(0.5, 2.5, contacts), 0.01 * rng.uniform(0.7, 1.5, contacts)
        off = u * rng.standard_normal(contacts) + 0.01 * scatter * rng.standard_normal(contacts)
        rows = pd.DataFrame({"normal_mps": speed, "restitution": 0.85 + per_mps * speed + off, "restitution_u": u})
        found = slope_per_mps(rows, "restitution")
        within.append(abs(found.value - per_mps) < found.u)
    assert 0.64 < np.mean(within) < 0.8


def test_conditions_get_their_own_rows():
    contacts, shots = _session(SURFACE)
    rows = fingerprint(contacts, shots, told=_all_told(shots), by=("balls",))
    assert _row(rows, "ball_friction", condition="balls = clean")["contacts"] == 12


QUANTITIES = {"rolling_resistance", "sliding_friction", "cue_ball_mass", "ball_restitution", "ball_friction",
              "cushion_restitution", "cushion_restitution_per_mps", "cushion_tangential_ratio",
              "cushion_tangential_ratio_per_mps"}


def _why(rows, quantity, **where):
    row = _row(rows, quantity, **where)
    assert pd.isna(row[["value", "value_u", "flag"]]).all()
    assert row["contacts"] == 0
    return row["note"]


def test_every_quantity_has_a_row_if_need_be_with_the_reason_why_it_is_empty():
    contacts, shots = _session(SURFACE, shots=6)
    told = _all_told(shots, restitution=Shown(0.95, 0.3))
    shots["cut_angle_deg"] = [2.0, -3.0, 4.0, 5.0, 20.0, 20.0]
    told |= {f"a-{n:02d}": ClothAndBalls(ANY_CLOTH, restitution=Shown(0.95, 0.3)) for n in range(5)}
    shots.loc[5, "cue_roll_ratio"] = math.nan
    contacts["angle_in_deg"] = 3.0
    rows = fingerprint(contacts.iloc[:3], shots, told=told)
    assert set(rows["quantity"]) == QUANTITIES
    assert _why(rows, "ball_friction") == (
        "not told by these shots: hits of the cue ball on a ball: 4 too full to rub (cut below 10°), "
        "1 that show less of it than is published, 1 of unknown roll")
    assert _why(rows, "ball_restitution").endswith("ball: 6 uncertain by 0.2 or more")
    assert _why(rows, "cushion_tangential_ratio").endswith("contacts with cushions: 3 within 8° of the normal")
    assert "usable contacts: 3 of 4 needed" in _why(rows, "cushion_restitution_per_mps")
    assert "in none was the cue ball seen to drive another ball" in _why(rows, "cue_ball_mass")
    assert _row(rows, "cushion_restitution")["contacts"] == 3
    assert "ball_friction" not in parameter_names(rows.assign(session="a"))


def test_shots_that_could_not_be_followed_say_so_for_every_quantity():
    rows = fingerprint(CONTACTS.empty(), SHOTS.conform(pd.DataFrame({"shot_id": ["a-01"]})))
    assert sorted(rows["quantity"]) == sorted(QUANTITIES)
    assert rows["value"].isna().all()
    assert "no shot could be followed" in _why(rows, "rolling_resistance")
    assert _why(rows, "cushion_restitution") == "not told by these shots: no contacts with cushions were measured"


def test_slow_contacts_and_those_of_unknown_speed_are_told_apart():
    contacts, shots = _session(SURFACE, shots=4)
    contacts["speed_in_mps"] = [0.1, 0.1, 0.1, math.nan]
    shots["cue_impact_speed_mps"] = 0.1
    rows = fingerprint(contacts, shots, told=_all_told(shots, restitution=Shown(0.95, 0.01)))
    assert _why(rows, "cushion_restitution").endswith("3 slower than 0.15 m/s, 1 of unknown speed")
    for quantity in ("ball_restitution", "ball_friction"):
        assert _why(rows, quantity).endswith("4 slower than 0.15 m/s")


def test_a_straight_line_against_speed_needs_a_range_of_speeds():
    contacts, shots = _session(SURFACE)
    contacts[["speed_in_mps", "angle_in_deg"]] = 1.5, 30.0
    why = _why(fingerprint(contacts, shots), "cushion_restitution_per_mps")
    assert "normal speeds within 0.4 m/s of each other" in why


def test_a_level_says_why_it_lacks_what_the_session_tells_and_nothing_more():
    contacts, shots = _session(SURFACE)
    polished = shots["balls"] == "polished"
    told = _all_told(shots)
    shots.loc[polished, "cut_angle_deg"] = 2.0
    told |= {shot: ClothAndBalls(ANY_CLOTH) for shot in shots.loc[polished, "shot_id"]}
    rows = fingerprint(contacts, shots, told=told, by=("balls",))
    assert _row(rows, "ball_friction", condition="balls = clean")["contacts"] == 12
    assert "12 too full to rub" in _why(rows, "ball_friction", condition="balls = polished")
    assert set(rows.loc[rows["value"].isna(), "quantity"]) > {"cue_ball_mass", "ball_restitution"}
    of_levels = rows[rows["condition"].notna() & rows["value"].isna()]
    assert of_levels["quantity"].tolist() == ["ball_friction"]



def test_a_value_outside_the_published_band_is_flagged_and_kept():
    contacts, shots = _session(
        Surface(ball_restitution=0.95, ball_friction=0.15, cushion_restitution=0.5, cushion_slope_per_mps=0.0)
    )
    told = _all_told(shots, Friction(0.5, 0.02, 0.01, 0.001), restitution=Shown(0.95, 0.01))
    rows = fingerprint(contacts, shots, told=told)
    for quantity in ("cushion_restitution", "sliding_friction", "rolling_resistance"):
        assert _row(rows, quantity)["flag"] == "outside the published band"
    assert pd.isna(_row(rows, "ball_restitution")["flag"])


def test_friction_that_was_fixed_stands_as_given_and_is_not_called_fitted():
    contacts, shots = _session(SURFACE)
    near = Friction(sliding=0.5000001, rolling=0.012, sliding_u=5e-5, rolling_u=1e-3)
    rows = fingerprint(contacts, shots, told=_all_told(shots, near), by=("balls",),
                       prior=replace(near, rolling_u=2e-3), fixed=FrictionSettings(sliding=0.5))
    for _, row in rows[rows["quantity"] == "sliding_friction"].iterrows():
        assert row["value"] == 0.5
        assert pd.isna(row["value_u"])
        assert row["note"].startswith("fixed in session.toml, not fitted")
        assert row["flag"] == "outside the published band"
    rolling = _row(rows, "rolling_resistance")
    assert 0 < rolling["value_u"] < 1e-3
    assert rolling["note"].startswith("fitted to all paths")


def test_fast_contacts_say_that_cushions_no_longer_act_rigid():
    """Mathavan, Jackson & Parkin (2010): the rigid-cushion assumption holds up to 2.5 m/s of normal speed."""
    contacts, shots = _session(SURFACE)
    contacts.loc[contacts["kind"] == "cushion", ["speed_in_mps", "speed_out_mps"]] *= 4
    rows = fingerprint(contacts, shots)
    fast = rows[(rows["quantity"] == "cushion_restitution") & (rows["speed_from_mps"] >= 2.5)]
    assert len(fast)
    assert fast["note"].str.contains("rigid").all()


def test_a_rebound_that_its_shot_says_nothing_of_does_not_count():
    contacts, shots = _session(SURFACE, shots=6)
    shots = shots.assign(rail_s=1.5, restitution=[0.8] * 5 + [math.nan], restitution_u=[0.01] * 5 + [math.nan])
    rows = fingerprint(contacts, shots)
    assert _row(rows, "cushion_restitution")["contacts"] == 5


def test_no_shots_give_no_rows():
    rows = fingerprint(CONTACTS.empty(), SHOTS.empty())
    assert list(rows.columns) == FINGERPRINT.names
    assert rows.empty


def test_values_that_scatter_more_than_they_say_get_a_larger_uncertainty():
    calm = join(np.array([0.80, 0.81, 0.80, 0.79]), np.full(4, 0.01))
    wild = join(np.array([0.70, 0.90, 0.85, 0.75]), np.full(4, 0.01))
    assert calm.scatter == 0.0
    assert calm.u == pytest.approx(0.005)
    assert wild.u == pytest.approx(0.0457 * 1.197, rel=0.01)  # Student's t of three degrees of freedom
    assert wild.scatter == pytest.approx(0.091, abs=0.005)


def test_shots_of_one_clip_under_different_conditions_each_count_for_their_own():
    contacts, shots = _session(SURFACE)
    shots = shots.assign(clip="evening.mp4")
    slick = set(shots.loc[shots["balls"] == "clean", "shot_id"])
    told = {shot: ClothAndBalls(Friction(0.19 if shot in slick else 0.23, 0.01, 0.004, 0.0002))
            for shot in map(str, shots["shot_id"])}
    rows = fingerprint(contacts, shots, told=told, by=("balls",))
    found = {row["condition"]: row["value"] for _, row in rows[rows["quantity"] == "sliding_friction"].iterrows()}
    assert found["balls = clean"] == pytest.approx(0.19, abs=0.002)
    assert found["balls = polished"] == pytest.approx(0.23, abs=0.002)


def test_a_cue_ball_unlike_any_of_a_set_is_flagged():
    """Two pool balls of 156 to 170 g (WPA equipment specifications) are at most 9 % apart."""
    contacts, shots = _session(SURFACE)
    for ratio, flag in ((1.02, None), (1.20, "outside the published band")):
        rows = fingerprint(contacts, shots, told=_all_told(shots, Friction(), CueMass(ratio, 0.003)))
        row = _row(rows, "cue_ball_mass")
        assert (row["contacts"], row["flag"] if pd.notna(row["flag"]) else None) == (24, flag)
        assert row["value"] == pytest.approx(ratio, abs=0.01)
