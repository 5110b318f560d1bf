"""`python -m tests.bench [FOLDER...]`: measure every clip with truth in the folders (fixtures) and score it."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.bench import measure, report
from tests.bench.bound import Bound, VelocityBound, bound_lines, clip_bound, velocity_bounds, velocity_lines
from tests.bench.score import ClipScore, score_clip
from tests.bench.truth import find_truths


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path, help="folders of clips with NAME.truth.json beside them")
    parser.add_argument("--measured", type=Path, help="score this output folder instead of measuring")
    parser.add_argument("--truth", nargs="+", type=Path, help="folders of truth for --measured")
    parser.add_argument("--only", default="", help="clips whose name holds one of these, with commas between")
    parser.add_argument("--keep", type=Path, help="keep the sessions and their output here")
    parser.add_argument(
        "--tape", action="store_true", help="give the table's sizes as a tape reads them, up to a millimetre off"
    )
    parser.add_argument("--no-shutter", action="store_true", help="don't give the shutter time, which many don't know")
    parser.add_argument("--tables", type=Path, help="single pictures with truth: find the table in each")
    parser.add_argument(
        "--variations", type=Path, help="draw clips that vary tilt, lens, blur ... here and measure them"
    )
    parser.add_argument("--random", type=Path, help="draw clips in which everything differs here and measure them")
    parser.add_argument("--painted", action="store_true", help="with stripes and numbers on the balls of --random")
    parser.add_argument("--count", type=int, default=12, help="so many with --random")
    parser.add_argument("--seed", type=int, default=1, help="of the lots drawn with --random")
    parser.add_argument("--simulated", type=int, default=0, help="so many random shots without pictures, known noise")
    parser.add_argument("--csv", type=Path, help="write every error to this file")
    parser.add_argument("--positions", type=Path, help="write the position errors of every ball and frame to this file")
    args = parser.parse_args()
    if args.tables:
        from tests.bench.tables import score_pictures

        print(score_pictures(args.tables))
        return 0
    if args.simulated:
        from tests.bench.simulated import score_simulated

        simulated = score_simulated(args.simulated)
        print(report.measure_lines(simulated) + "\n\n" + report.position_lines(simulated))
        print(report.fault_lines(simulated))
        return 0
    if args.variations:
        from tests.bench.variations import draw_all

        draw_all(args.variations, args.only)
        args.folders = [*args.folders, args.variations]
    if args.random:
        from tests.bench.random_clips import draw_random

        draw_random(args.random, args.count, args.seed, plain=not args.painted)
        args.folders = [*args.folders, args.random]
    folders = args.truth or args.folders or [measure.ROOT / "fixtures"]
    truths = [
        t
        for folder in folders
        for t in find_truths(folder)
        if any(part in t.clip.name for part in args.only.split(","))
    ]
    if not truths:
        print("no clip with a truth file beside it in " + ", ".join(map(str, folders)), file=sys.stderr)
        return 2
    scores: list[ClipScore] = []
    runs: list[measure.Run] = []
    bounds: dict[str, Bound] = {}
    velocities: list[VelocityBound] = []
    if args.measured:
        scores = [score_clip(truth, args.measured) for truth in truths]
    else:
        given = measure.Given(tape=args.tape, shutter=not args.no_shutter)
        with tempfile.TemporaryDirectory(prefix="bench-") as scratch:
            base = args.keep or Path(scratch)
            for number, group in enumerate(measure.sessions(truths)):
                name = group[0].clip.stem if len(group) == 1 else group[0].clip.parent.name
                run = measure.measure(group, base / f"{number:02d}-{name}", given)
                runs.append(run)
                scores += [score_clip(truth, run.measured) for truth in group]
                for truth, score in zip(group, scores[-len(group) :], strict=True):
                    found = clip_bound(truth, run.measured)
                    if found is not None:
                        bounds[truth.clip.name] = found
                        velocities += velocity_bounds(truth, score, found)
                print(report.speed_lines([run]), flush=True)
                if run.status:
                    print("    " + "\n    ".join(run.output.strip().splitlines()[-4:]), flush=True)
    print("\nLargest error of each clip\n" + report.clip_lines(scores))
    print("\nAll clips\n" + report.measure_lines(scores))
    print("\n" + report.position_lines(scores))
    if bounds:
        print("\nNoise of ball centres across their motion against the Cramer-Rao bound\n" + bound_lines(bounds))
        print(velocity_lines(velocities))
    faults = report.fault_lines(scores)
    print("\nMissed, invented, left empty\n" + (faults or "  none"))
    if args.csv:
        import pandas as pd

        args.csv.parent.mkdir(parents=True, exist_ok=True)
        pd.concat([s.errors.assign(clip=s.name) for s in scores]).to_csv(args.csv, index=False)
    if args.positions:
        import pandas as pd

        args.positions.parent.mkdir(parents=True, exist_ok=True)
        pd.concat([s.positions.assign(clip=s.name) for s in scores]).to_parquet(args.positions)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
