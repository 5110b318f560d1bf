"""Single pictures of tables: which are found, how far off the corners are, what is said of the refused ones."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import numpy as np


def _table(truth: dict[str, Any]) -> Any:
    from shared.equipment import standard_table

    sizes = truth["table"]
    return standard_table(
        "pool-9ft",
        length_mm=sizes["length_mm"],
        width_mm=sizes["width_mm"],
        nose_height_mm=sizes["nose_height_mm"],
        sight_offset_mm=sizes["sight_offset_mm"],
        ball_diameter_mm=sizes["ball_diameter_mm"],
    )


def _miss_px(found: Any, true: Any) -> Any:
    """(4,) distances of the corners. Which end is the head is declared, not seen: the nearer of the two ways counts."""
    ways = [np.linalg.norm(found - np.roll(true, turn, axis=0), axis=1) for turn in (0, 2)]
    return min(ways, key=lambda way: float(way.max()))


def score_pictures(folder: Path) -> str:
    """A line per picture and a summary. Corner error: rms and worst over the four corners, px."""
    import cv2

    from calibration.find import find_table
    from shared.errors import CalibrationError

    lines, rms, refused = [], [], 0
    for path in sorted(folder.glob("*.truth.json")):
        truth = json.loads(path.read_text())
        picture = cv2.imread(
            str(next(p for p in folder.glob(path.name.removesuffix(".truth.json") + ".*") if p != path))
        )
        start = time.perf_counter()
        try:
            found = find_table(picture, table=_table(truth), clip=path.stem)
        except CalibrationError as refusal:
            refused += 1
            lines.append(f"{truth['name']:<12} refused in {time.perf_counter() - start:4.1f} s: {refusal}")
            continue
        took = time.perf_counter() - start
        away = _miss_px(found.corners_px, np.asarray(truth["corners_px"]))
        rms.append(float(np.sqrt(np.mean(away**2))))
        warnings = "; ".join(found.warnings)
        lines.append(
            f"{truth['name']:<12} corners rms {rms[-1]:7.2f} px, worst {away.max():7.2f}, own rms {found.rms_px:5.2f}, "
            f"{took:4.1f} s  {warnings}"
        )
    values = np.array(rms)
    lines.append(
        f"\nfound {len(rms)}, refused {refused}; corners median {np.median(values) if rms else float('nan'):.2f} px; "
        f"within 2 px {int((values < 2).sum())}; accepted though over 8 px off {int((values > 8).sum())}"
    )
    return "\n".join(lines)
