"""A hit judged: clean, mishit or unusable. Blind to the outcome: nothing after the first cushion is an argument.

Beyond a tolerance with confidence is a mishit, within all of them with confidence is clean. In between the best
estimate decides and the reason starts with "uncertain:". A measure that is less certain than its tolerance is wide
would make mis-hits by chance: it decides nothing and is named in the same way; where it is the roll, that bank is
unusable. Reasons are plain words with numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.hit import Hit, TrackQuality
from pipeline.hit_checks import Check, Intention, check_hit, cut_not_judged
from pipeline.tolerances import Tolerances


@dataclass(frozen=True)
class Verdict:
    """``reasons``: empty for a hit that is clean beyond doubt."""

    verdict: Literal["clean", "mishit", "unusable"]
    reasons: tuple[str, ...]
    checks: tuple[Check, ...] = ()


def judge(
    hit: Hit, tracking: TrackQuality, *, intended: Intention, tolerances: Tolerances, radius_mm: float = 28.575
) -> Verdict:
    """Clean, mishit or unusable, with reasons. No rebound among the arguments: blind by signature."""
    checks = check_hit(hit, intended=intended, tolerances=tolerances, radius_mm=radius_mm)
    faults = _quality_faults(tracking, tolerances)
    # of a shot that could not be followed nothing is known, so what it lacks is no reason of its own
    faults += (f"the shot could not be followed: {tracking.lost}",) if tracking.lost else _missing(hit, checks)
    off = tuple(check.words for check in checks if check.state == "beyond")
    off += tuple(f"uncertain: {check.words}" for check in checks if check.state == "uncertain-beyond")
    if faults:
        return Verdict("unusable", faults + off, checks)
    if off:
        return Verdict("mishit", off, checks)
    doubtful = [check for check in checks if check.state in ("uncertain-within", "cannot-tell")]
    doubts = tuple(check.doubt for check in doubtful) + _unseen(hit, checks)
    return Verdict("clean", tuple(f"uncertain: {doubt}" for doubt in doubts), checks)


def _quality_faults(tracking: TrackQuality, tolerances: Tolerances) -> tuple[str, ...]:
    out = []
    if tracking.frames_seen is not None and tracking.frames_seen < tolerances.min_frames_seen:
        out.append(f"balls seen in {100 * tracking.frames_seen:.0f} % of the frames, "
                   f"needs {100 * tolerances.min_frames_seen:.0f} %")
    if tracking.residual_mm is not None and tracking.residual_mm > tolerances.max_residual_mm:
        out.append(f"paths fit to {tracking.residual_mm:.1f} mm only, needs {tolerances.max_residual_mm:.1f} mm")
    rms = tracking.calibration_rms_px
    if rms is not None and rms > tolerances.max_calibration_rms_px:
        out.append(f"calibration fits to {rms:.1f} px only, needs {tolerances.max_calibration_rms_px:.1f} px: "
                   "correct the corners and measure again")
    return tuple(out)


def _unseen(hit: Hit, checks: tuple[Check, ...]) -> tuple[str, ...]:
    """What no measure of this hit would have shown."""
    names = {check.name for check in checks}
    if hit.kind == "kick":
        return ("follow, draw or side on a kick's plain cue ball does not show",) if "side" not in names else ()
    unseen: tuple[str, ...] = () if "cut" in names else (cut_not_judged(hit),)
    if not names & {"side", "throw"}:
        unseen += ("side would not show: neither throw nor marks on the ball were measured",)
    return unseen


def _missing(hit: Hit, checks: tuple[Check, ...]) -> tuple[str, ...]:
    """Without these nobody can say whether the hit was clean."""
    if hit.kind == "kick":
        return () if hit.cue_speed_mps else ("the cue ball's speed could not be measured",)
    if hit.kind != "bank":
        return ("neither a bank nor a kick: no first cushion to compare",)
    out = []
    if hit.object_speed_mps is None:
        out.append("the object ball's launch could not be measured")
    spin = [check for check in checks if check.name in ("roll", "drift")]
    if not spin:
        out.append("the cue ball's spin could not be measured, so follow or draw would not show")
    elif spin[0].state == "cannot-tell":
        out.append(f"the cue ball's spin is too uncertain: {spin[0].doubt}")
    return tuple(out)
