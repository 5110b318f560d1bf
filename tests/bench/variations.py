"""Drawn clips that differ in one thing at a time: tilt, height, lens, blur, noise, rolling shutter, times, marks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fixtures.synthetic import Filming, Lens, Look, Scene, Surface, bank_shot, film, overhead_camera, rolling_hit
from shared.equipment import standard_table


@dataclass(frozen=True, kw_only=True)
class Variation:
    """What is changed from a plain clip: a 9-ft table at 720p, 60 frames/s, 4 ms shutter, a bank with a little cut."""

    name: str
    standard: str = "pool-9ft"
    camera: dict[str, Any] = field(default_factory=dict)
    look: dict[str, Any] = field(default_factory=dict)
    filming: dict[str, Any] = field(default_factory=dict)
    shot: dict[str, Any] = field(default_factory=dict)


FULL_HD = {"width_px": 1920, "height_px": 1080}
VARIATIONS = (
    Variation(name="plain"),
    Variation(name="straight_down", camera={"tilt_deg": 0.0, "roll_deg": 0.0}),
    Variation(name="tilt_12", camera={"tilt_deg": 12.0}),
    Variation(name="low_wide_lens", camera={"height_mm": 1900.0, "lens": Lens(k1=-0.16, k2=0.03)}),
    Variation(name="high_long_lens", camera={"height_mm": 4200.0}),
    Variation(name="full_hd", camera=FULL_HD),
    Variation(name="long_exposure", filming={"shutter_s": 0.014, "instants": 11}),
    Variation(name="noisy", look={"noise": 0.03}),
    Variation(name="lossless", filming={"crf": 0}),
    Variation(name="lossless_noisy", filming={"crf": 0}, look={"noise": 0.03}),
    Variation(name="dim", look={"brightness": 0.35, "noise": 0.012}),
    Variation(name="rolling_shutter", filming={"readout_s": 0.012}),
    Variation(name="uneven_times", filming={"jitter": 0.2}),
    Variation(name="thirty_frames", filming={"frame_rate": 30.0}),
    Variation(name="marked_side", filming={"paint": {"cue": "dots"}}, shot={"side_rad_s": 35.0, "roll_ratio": 0.2}),
    Variation(name="thick_draw", shot={"cut_deg": -14.0, "roll_ratio": -0.8}),
    Variation(name="slow", shot={"speed_mps": 1.3}),
    Variation(name="hard", shot={"speed_mps": 5.0}),
    Variation(name="steep_bank", shot={"direction_deg": 80.0}),
    Variation(name="flat_bank", shot={"direction_deg": 30.0}),
    Variation(name="snooker", standard="snooker-12ft", camera={**FULL_HD, "height_mm": 3200.0}),
)
#: hits whose deflection is known in closed form, and how much of the object ball they cover
ROLLING_HITS = {"quarter_ball": 0.25, "half_ball": 0.5, "three_quarter_ball": 0.75}


def draw(variation: Variation, folder: Path) -> Path:
    """Film one variation into ``folder``, with its truth; returns the clip."""
    table = standard_table(variation.standard)
    camera = overhead_camera(table, **variation.camera)
    scene = Scene(table=table, camera=camera, look=replace(Look(), **variation.look))
    shot = {"cut_deg": 4.0, "surface": Surface(), "until_s": 2.6, **variation.shot}
    path = folder / f"{variation.name}.mp4"
    film(
        scene,
        bank_shot(table, **shot),
        path,
        Filming(**{"seconds": 2.5, **variation.filming}),
        about=variation.name,
        target="foot-right",
    )
    return path


def draw_all(folder: Path, only: str = "") -> None:
    """Film every variation and every hit by a rolling ball whose name holds a part of ``only`` (commas between)."""
    folder.mkdir(parents=True, exist_ok=True)
    for variation in VARIATIONS:
        if any(part in variation.name for part in only.split(",")):
            draw(variation, folder)
    for name, fraction in ROLLING_HITS.items():
        if any(part in name for part in only.split(",")):
            table = standard_table()
            film(
                Scene(table=table, camera=overhead_camera(table)),
                rolling_hit(table, fraction=fraction),
                folder / f"{name}.mp4",
                Filming(seconds=1.35),
                about=f"hit by a rolling ball, {fraction:g} of the object ball covered: closed form",
            )
