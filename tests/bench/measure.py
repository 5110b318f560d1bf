"""Runs the public command on clips with truth, and decodes the same clips alone for comparison."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
import zlib
from dataclasses import dataclass
from pathlib import Path

from tests.bench.truth import ClipTruth

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Run:
    """One call of the command. ``frames``, ``decode_s``: the same clips decoded alone, in the same run."""

    clips: tuple[ClipTruth, ...]
    measured: Path
    status: int
    output: str
    wall_s: float
    frames: int
    decode_s: float


def sessions(truths: list[ClipTruth]) -> list[list[ClipTruth]]:
    """Clips that belong to one session: those of a folder with takes.csv and of one table size; others stand alone."""
    groups: dict[tuple[str, ...], list[ClipTruth]] = {}
    for truth in truths:
        folder = truth.clip.parent
        together = (folder / "takes.csv").exists()
        key = (str(folder), str(sorted(truth.table.items()))[:400]) if together else (str(truth.clip),)
        groups.setdefault(key, []).append(truth)
    return list(groups.values())


TAPE_MM = 1.0  # a tape between the noses is read so well, either way


@dataclass(frozen=True)
class Given:
    """What session.toml says. ``tape``: length and width as a tape may read them, and not exactly; ``shutter``: its
    time, which many don't know.
    """

    tape: bool = False
    shutter: bool = True


def session_text(truth: ClipTruth, given: Given = Given()) -> str:
    """What the person filming knows: the sizes of table and balls, the shutter and the read-out."""
    table, camera = truth.table, truth.record["camera"]
    lot = random.Random(zlib.crc32(truth.clip.name.encode()))
    off = [lot.uniform(-TAPE_MM, TAPE_MM) if given.tape else 0.0 for _ in range(2)]
    lines = [
        "[table]",
        f"length_mm = {float(table['length_mm']) + off[0]}",
        f"width_mm = {float(table['width_mm']) + off[1]}",
        f"nose_height_mm = {float(table['nose_height_mm'])}",
        f"sight_offset_mm = {float(table['sight_offset_mm'])}",
        "[ball]",
        f"diameter_mm = {float(table['ball_diameter_mm'])}",
    ]
    lines += ["[camera]", f"readout_s = {float(camera.get('readout_s') or 0.0)}"]
    if given.shutter and camera.get("shutter_s"):
        lines.append(f"shutter_s = {float(camera['shutter_s'])}")
    return "\n".join(lines) + "\n"


def prepare(group: list[ClipTruth], folder: Path, given: Given = Given()) -> None:
    """A session folder with links to the clips, the sizes and the target pockets."""
    folder.mkdir(parents=True, exist_ok=True)
    for truth in group:
        (folder / truth.clip.name).symlink_to(truth.clip.resolve())
    (folder / "session.toml").write_text(session_text(group[0], given))
    takes = group[0].clip.parent / "takes.csv"
    if takes.exists():
        wanted = {truth.clip.name for truth in group}
        header, *rows = takes.read_text().splitlines()
        (folder / "takes.csv").write_text("\n".join([header, *(r for r in rows if r.split(",")[0] in wanted)]) + "\n")
        return
    rows = ["clip,shot,target"]
    for truth in group:
        for number, shot in enumerate(truth.record["shots"], start=1):
            target = shot.get("intended", {}).get("pocket")
            if target:
                rows.append(f"{truth.clip.name},{number},{target}")
    if len(rows) > 1:
        (folder / "takes.csv").write_text("\n".join(rows) + "\n")


def measure(group: list[ClipTruth], folder: Path, given: Given = Given()) -> Run:
    """Measure a group of clips with the public command into ``folder/measured``."""
    shutil.rmtree(folder, ignore_errors=True)
    prepare(group, folder, given)
    out = folder / "measured"
    frames, decode_s = decode_alone(group)
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "reboundry", "measure", str(folder), "--out", str(out)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    wall = time.perf_counter() - start
    return Run(tuple(group), out, done.returncode, done.stdout + done.stderr, wall, frames, decode_s)


def decode_alone(group: list[ClipTruth]) -> tuple[int, float]:
    """(frames, seconds) to decode the clips and do nothing else."""
    import av

    frames, start = 0, time.perf_counter()
    for truth in group:
        with av.open(str(truth.clip)) as container:
            container.streams.video[0].thread_type = "AUTO"
            for _ in container.decode(video=0):
                frames += 1
    return frames, time.perf_counter() - start
