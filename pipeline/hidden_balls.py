"""Where balls were lost to sight for a while though nothing took them: a shadow, a change of the light, a person."""

from __future__ import annotations

import numpy as np
import pandas as pd

LEAST_SHARE = 0.1  # of a clip's frames; fewer say nothing of a whole clip
AROUND_S, AROUND_FEWEST, OFTEN = 1.0, 10, 0.2  # so many balls lie there if they are found so often around a frame:
# strays are rarer, and lamps that flicker leave more


def hidden_words(detections: pd.DataFrame, looked_at: pd.DataFrame) -> str:
    """What to tell the user of a clip without a shot; empty where its balls were in sight all along.

    A ball that falls is gone for good. In a frame with fewer balls than some frame before it and some frame after it
    had for a while, one lay there that wasn't found: a stray find doesn't count.

    detections : DETECTIONS; looked_at : frame, t_s of all frames in which balls were looked for, in order
    """
    found = detections["frame"].value_counts().reindex(looked_at["frame"], fill_value=0).to_numpy()
    if not found.any():
        return ""
    t_s = looked_at["t_s"].to_numpy(float)
    pace_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    around = max(AROUND_FEWEST, round(AROUND_S / pace_s)) if pace_s > 0 else AROUND_FEWEST
    lie = pd.Series(found).rolling(around, center=True, min_periods=AROUND_FEWEST // 2).quantile(
        1 - OFTEN, interpolation="lower").fillna(0.0).to_numpy()
    before, after = np.maximum.accumulate(lie), np.maximum.accumulate(lie[::-1])[::-1]
    lacking = found < np.minimum(before, after)
    if lacking.sum() < LEAST_SHARE * len(found):
        return ""
    t_s = t_s[lacking]
    return (f"in {lacking.sum()} of {len(found)} frames, between {t_s[0]:.2f} and {t_s[-1]:.2f} s, fewer balls were "
            "found than before and after: look whether a shadow falls on the table there, the light changes, or someone"
            " covers it; film in steady light, with nobody between lamps, camera and cloth")
