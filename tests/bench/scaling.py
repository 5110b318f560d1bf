"""`python -m tests.bench.scaling [--full] [--only rows]`: time and memory against clips, workers and rows.

Clips: one small clip, many times under other names, measured by the public command with 1 and 2 workers; every copy is
measured anew, as the kept results go by name. Rows: simulated shots pooled and compared. Each line is a process of its
own. ``slope`` is the exponent: log of the ratio of times over log of the ratio of sizes to the line before (1: linear).
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.measure import ROOT

if TYPE_CHECKING:
    import pandas as pd

CLIP = ROOT / "fixtures" / "evenings" / "eveningA" / "eveningA_01.mp4"
ROWS_A_SESSION = 1000


@dataclass(frozen=True)
class Cost:
    """Of one process and its children. ``largest_mb``: the largest of them at its highest."""

    seconds: float
    largest_mb: float
    together_mb: float
    status: int


def cost_of(command: list[str]) -> Cost:
    """Run a command and watch the memory of it and its children (resident, ten times a second)."""
    import psutil  # type: ignore[import-untyped]

    start = time.perf_counter()
    child = subprocess.Popen(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL,
                             stderr=subprocess.DEVNULL)
    largest = together = 0.0
    done = threading.Event()
    root = psutil.Process(child.pid)

    def watch() -> None:
        nonlocal largest, together
        while not done.wait(0.1):
            sizes = []
            try:
                for process in (root, *root.children(recursive=True)):
                    sizes.append(process.memory_info().rss / 1e6)
            except psutil.NoSuchProcess:
                continue
            largest, together = max(largest, *sizes), max(together, sum(sizes))

    watcher = threading.Thread(target=watch)
    watcher.start()
    status = child.wait()
    seconds = time.perf_counter() - start
    done.set()
    watcher.join()
    return Cost(seconds, largest, together, status)


def small_clip(folder: Path) -> Path:
    """The fixture's first 2.6 s at 640 x 360: a table, a strike, a bank."""
    import av

    path = folder / "small.mp4"
    with av.open(str(CLIP)) as source, av.open(str(path), "w") as target:
        stream = target.add_stream("libx264", rate=60, options={"crf": "18"})
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        for frame in source.decode(video=0):
            if frame.time > 2.6:
                break
            target.mux(stream.encode(frame.reformat(640, 360, "yuv420p")))
        target.mux(stream.encode())
    return path


def clip_lines(scratch: Path, counts: list[int], workers: list[int]) -> None:
    """A line a number of clips and workers."""
    small = small_clip(scratch)
    print("| clips | workers | seconds | seconds a clip | slope | largest process MB | all together MB |")
    print("| --: | --: | --: | --: | --: | --: | --: |")
    for jobs in workers:
        last: tuple[int, float] | None = None
        for count in counts:
            folder = scratch / f"clips-{count}-{jobs}"
            folder.mkdir()
            for n in range(count):
                os.link(small, folder / f"c{n:05d}.mp4")
            cost = cost_of([sys.executable, "-m", "reboundry", "measure", str(folder), "--jobs", str(jobs),
                            "--no-diagrams"])
            shots = (folder / "measured" / "shots.csv").read_text().count("\n") - 1
            note = "" if cost.status == 0 and shots == count else f" (status {cost.status}, {shots} shots)"
            print(f"| {count} | {jobs} | {cost.seconds:.1f}{note} | {cost.seconds / count:.2f} | "
                  f"{_slope(last, (count, cost.seconds))} | {cost.largest_mb:.0f} | {cost.together_mb:.0f} |",
                  flush=True)
            last = (count, cost.seconds)
            shutil.rmtree(folder)


def row_lines(scratch: Path, counts: list[int]) -> None:
    """A line a number of rows, for pooling and for comparing what was pooled."""
    print("| rows | step | seconds | slope | largest process MB |")
    print("| --: | --- | --: | --: | --: |")
    last: dict[str, tuple[int, float]] = {}
    for count in counts:
        folder = scratch / f"rows-{count}"
        write_sessions(folder / "sessions", count)
        steps = {
            "pool": ["pool", *map(str, sorted((folder / "sessions").iterdir())), "--out", str(folder / "dataset")],
            "compare": ["compare", str(folder / "dataset"), "--out", str(folder / "comparison")],
        }
        for step, arguments in steps.items():
            cost = cost_of([sys.executable, "-m", "reboundry", *arguments])
            note = "" if cost.status in (0, 1) else f" (status {cost.status})"
            print(f"| {count} | {step} | {cost.seconds:.1f}{note} | {_slope(last.get(step), (count, cost.seconds))} | "
                  f"{cost.largest_mb:.0f} |", flush=True)
            last[step] = (count, cost.seconds)
        shutil.rmtree(folder)


def write_sessions(folder: Path, rows: int) -> None:
    """Simulated sessions with so many shots in all; beyond the first ten, each is a noisy copy of one of them."""
    import numpy as np

    from fixtures.simulated_sessions import Truth, contacts_of, simulate_session, tracks_of, write_session

    rng = np.random.default_rng(5)
    truth = Truth(session_sd=0.2, effects={"cloth": {"new": 1.0}})
    each = min(ROWS_A_SESSION, rows // 4)
    drawn = []
    for number in range(rows // each):
        cloth = ("worn", "new")[number % 2]
        if number < 10:
            shots = simulate_session("drawn", rng=rng, truth=truth, fixed={"cloth": cloth},
                                     varied={"balls": ["clean", "polished"]}, repeats=each // 2)
            contacts = contacts_of(shots)
            drawn.append((shots, contacts, tracks_of(shots, contacts)))
        name = f"evening-{number:04d}"
        shots, contacts, tracks = (_renamed(table, name) for table in drawn[number % 10])
        evening = rng.normal(0, 0.2)
        for angle in ("rebound_settled_angle_deg", "rebound_angle_deg"):  # in one alone, some copies would be alike
            shots[angle] += evening + rng.normal(0, 0.1, len(shots))
        write_session(folder / name, shots, contacts=contacts, tracks=tracks)


def _renamed(table: pd.DataFrame, name: str) -> pd.DataFrame:
    texts = [column for column in ("session", "clip", "shot_id") if column in table]
    return table.assign(**{c: table[c].astype("string").str.replace("drawn", name, regex=False) for c in texts})


def _slope(last: tuple[int, float] | None, now: tuple[int, float]) -> str:
    return f"{math.log(now[1] / last[1]) / math.log(now[0] / last[0]):.2f}" if last else ""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.scaling", description=__doc__)
    parser.add_argument("--full", action="store_true", help="1000 clips and 10^6 rows as well: a good hour")
    parser.add_argument("--quick", action="store_true", help="at most 10 clips and 10^3 rows")
    parser.add_argument("--only", choices=("clips", "rows"), help="only this half")
    args = parser.parse_args()
    most = 3 if args.full else 1 if args.quick else 2
    with tempfile.TemporaryDirectory(prefix="scaling-") as scratch:
        if args.only != "rows":
            clip_lines(Path(scratch), [10**n for n in range(most + 1)], [1, 2])
            print()
        if args.only != "clips":
            row_lines(Path(scratch), [1000, 10_000, 100_000, 1_000_000][: (1, 3, 4)[most - 1]])
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
