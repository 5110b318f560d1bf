"""Drawn clips in which everything differs at once: table, cloth, balls, lamps, camera, film, surface and shot."""

from __future__ import annotations

import colorsys
import math
from pathlib import Path
from typing import Any

import numpy as np

from fixtures.synthetic import Filming, Lens, Look, Scene, Surface, bank_shot, film, overhead_camera
from fixtures.synthetic.physics import Play
from fixtures.synthetic.shots import kick_shot
from pipeline.pockets import in_jaws
from shared.equipment import Table, standard_table

Colour = tuple[float, float, float]

SIZES = ((1280, 720), (1280, 720), (1920, 1080))
STANDARDS = ("pool-9ft", "pool-9ft", "pool-8ft", "pool-7ft", "snooker-12ft", "carom-284")
RATES = (25.0, 30.0, 50.0, 60.0, 60.0, 120.0)


def draw_random(folder: Path, count: int, seed: int, *, plain: bool = True) -> None:
    """Film ``count`` clips, each from a seed of its own, with their truth.

    plain : balls of one colour; else the same balls with stripes and numbers
    """
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        path = folder / f"random_{seed}_{number:03d}.mp4"
        if not path.exists():
            draw_one(path, np.random.default_rng([seed, number]), plain=plain)


def draw_one(path: Path, rng: np.random.Generator, *, plain: bool = True) -> None:
    """Film one clip in which everything is drawn by lot."""
    standard = str(rng.choice(STANDARDS))
    table = standard_table(standard)
    width, height = SIZES[int(rng.integers(len(SIZES)))]
    camera = overhead_camera(
        table, width_px=width, height_px=height, height_mm=float(table.length_mm * rng.uniform(0.8, 1.7)),
        tilt_deg=float(abs(rng.normal(0, 6))), roll_deg=float(rng.normal(0, 2)),
        tilt_towards_deg=float(rng.uniform(0, 360)), fill=float(rng.uniform(0.78, 0.93)),
        lens=Lens(k1=float(rng.uniform(-0.12, 0.03)), k2=float(rng.uniform(0, 0.02))),
    )
    rate = float(rng.choice(RATES))
    shutter = float(rng.uniform(0.05, 0.95)) / rate  # a dim hall leaves it open nearly all the time
    play = play_by_lot(table, rng)
    scene = Scene(table=table, camera=camera, look=_look(table, rng), seed=int(rng.integers(1 << 30)))
    crf, paint = int(rng.integers(14, 27)), {"cue": "dots"} if rng.random() < 0.25 else {}
    seed = int(rng.integers(1 << 30))
    if not plain:
        paint |= {ball: str(rng.choice(["stripe", "stripe", "number"])) for ball in play.stretches if ball != "cue"}
    film(
        scene, play, path,
        Filming(frame_rate=rate, seconds=2.6, shutter_s=shutter, instants=max(5, min(11, round(shutter * 900))),
                crf=crf, paint=paint, seed=seed),
        about=f"drawn by lot, {standard}", target="foot-right" if table.pockets else None,
    )


def play_anywhere(table: Table, rng: np.random.Generator) -> Play:
    """Any shot from anywhere to anywhere: balls close to cushions and to one another, thick and thin, slow and hard."""
    size = np.array([table.length_mm, table.width_mm])
    diameter = table.ball.diameter_mm
    while True:
        surface = Surface(
            sliding=float(rng.uniform(0.15, 0.35)), rolling=float(rng.uniform(0.005, 0.014)),
            ball_restitution=float(rng.uniform(0.9, 0.97)), ball_friction=float(rng.uniform(0.03, 0.1)),
            cushion_restitution=float(rng.uniform(0.7, 0.92)), cushion_friction=float(rng.uniform(0.1, 0.2)),
        )  # fmt: skip
        common: dict[str, Any] = {
            "surface": surface, "speed_mps": float(np.exp(rng.uniform(math.log(0.6), math.log(7)))),
            "roll_ratio": float(rng.uniform(-0.8, 1.0)), "strike_s": float(rng.uniform(0.25, 0.5)), "until_s": 3.7,
        }
        if rng.random() < 0.2:
            play = kick_shot(
                table, direction_deg=float(rng.uniform(-180, 180)),
                place_share=(float(rng.uniform(0.03, 0.97)), float(rng.uniform(0.05, 0.95))), **common,
            )  # fmt: skip
        else:
            low = 0.52 * diameter
            lying = rng.uniform(low, size - low, (int(rng.integers(0, 7)), 2))
            place = rng.uniform(low, size - low)
            if rng.random() < 0.35:  # close to a cushion
                axis, gap = int(rng.integers(2)), float(rng.exponential(25))
                place[axis] = low + gap if rng.random() < 0.5 else size[axis] - low - gap
            play = bank_shot(
                table, side_rad_s=float(rng.normal(0, 25)), cut_deg=float(rng.normal(0, 18)),
                direction_deg=float(rng.uniform(-180, 180)),
                run_mm=float(np.exp(rng.uniform(math.log(65), math.log(1800)))),
                object_share=(place[0] / size[0], place[1] / size[1]),
                others={str(n): (float(x), float(y)) for n, (x, y) in enumerate(lying, start=2)}, **common,
            )  # fmt: skip
        lies = [play.at(ball, 0.0).position[:2] for ball in play.stretches]
        inside = all((p > 0.505 * diameter).all() and (size - p > 0.505 * diameter).all() for p in lies)
        apart = all(np.hypot(*(p - q)) > 1.02 * diameter for i, p in enumerate(lies) for q in lies[:i])
        meets = any(event["kind"] in ("ball", "cushion") for event in play.events)
        if inside and apart and meets and _on_noses(table, play):
            return play


def play_by_lot(table: Table, rng: np.random.Generator) -> Play:
    surface = Surface(
        sliding=float(rng.uniform(0.15, 0.35)), rolling=float(rng.uniform(0.005, 0.014)),
        ball_restitution=float(rng.uniform(0.90, 0.97)), ball_friction=float(rng.uniform(0.03, 0.10)),
        cushion_restitution=float(rng.uniform(0.7, 0.92)), cushion_friction=float(rng.uniform(0.1, 0.2)),
    )
    common: dict[str, Any] = {
        "surface": surface, "speed_mps": float(np.exp(rng.uniform(math.log(1.2), math.log(5.5)))),
        "roll_ratio": float(rng.uniform(-0.8, 1.0)), "strike_s": float(rng.uniform(0.25, 0.5)), "until_s": 2.7,
    }
    kick = rng.random() < 0.25
    while kick:
        play = kick_shot(table, direction_deg=float(rng.uniform(25, 75)), **common)
        if _on_noses(table, play):
            return play
    while True:
        play = bank_shot(
            table, side_rad_s=float(rng.normal(0, 15)), cut_deg=float(rng.normal(0, 6)),
            direction_deg=float(rng.uniform(45, 80)), run_mm=float(rng.uniform(250, 600)),
            object_share=(float(rng.uniform(0.38, 0.6)), float(rng.uniform(0.4, 0.6))),
            others=_others(table, rng), **common,
        )
        places = {ball: play.at(ball, 0.0).position[:2] for ball in play.stretches}
        x, y = places.pop("cue")
        reach = table.ball.diameter_mm
        free = min(x, y, table.length_mm - x, table.width_mm - y) > reach  # a place for a cue ball
        cue, *rest = [np.array([x, y]), *places.values()]
        if not _on_noses(table, play):
            continue
        if free and all(np.hypot(*(p - q)) > 1.2 * reach for i, p in enumerate([cue, *rest]) for q in rest[i:]):
            return play


def _on_noses(table: Table, play: Play) -> bool:
    """Whether all cushions were met outside the pockets' mouths: the simulated table has noses there, and no jaws."""
    return not any(
        in_jaws(table, event["cushion"], np.array(place[:2]))
        for event in play.events if event["kind"] == "cushion"
        for place in event["pos_mm"].values()
    )


def _others(table: Table, rng: np.random.Generator) -> dict[str, tuple[float, float]]:
    """Up to three more balls, which lie somewhere; the shot may meet them."""
    away = 2 * table.ball.diameter_mm
    places = rng.uniform((away, away), (table.length_mm - away, table.width_mm - away), (int(rng.integers(0, 4)), 2))
    return {str(n): (float(x), float(y)) for n, (x, y) in enumerate(places, start=2)}


def _look(table: Table, rng: np.random.Generator) -> Look:
    hue = float(rng.choice([0.33, 0.38, 0.5, 0.58, 0.62, 0.0, 0.11, 0.75])) + float(rng.normal(0, 0.02))
    cloth = _bgr(hue % 1, float(rng.uniform(0.35, 0.95)), float(rng.uniform(0.10, 0.5)))
    wood = _bgr(float(rng.uniform(0.04, 0.11)), float(rng.uniform(0.2, 0.85)), float(rng.uniform(0.03, 0.35)))
    lamps = int(rng.integers(1, 4))
    high = float(rng.uniform(1200, 2600))
    places = tuple((table.length_mm * (i + 0.5) / lamps, table.width_mm / 2 + float(rng.normal(0, 150)), high)
                   for i in range(lamps))
    white = float(rng.uniform(0.6, 0.9))
    return Look(
        cloth=cloth, wood=wood, floor=(float(rng.uniform(0.02, 0.3)),) * 3, weave=float(rng.uniform(0.01, 0.08)),
        brightness=float(rng.uniform(0.5, 1.1)), lamps_mm=places, noise=float(rng.uniform(0.002, 0.015)),
        balls={"cue": (0.9 * white, 0.97 * white, white),
               **{str(n): _bgr(float(rng.uniform(0, 1)), float(rng.uniform(0.5, 0.95)), float(rng.uniform(0.25, 0.85)))
                  for n in (1, 2, 3, 4)}},
    )  # fmt: skip


def _bgr(hue: float, saturation: float, value: float) -> Colour:
    red, green, blue = colorsys.hsv_to_rgb(hue, saturation, value)
    return blue, green, red
