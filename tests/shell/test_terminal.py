"""The table of shots that `measure` shows."""

from __future__ import annotations

import pandas as pd

from pipeline.run import SessionResult
from pipeline.terminal import show
from shared.columns import SHOTS


def test_a_long_clip_name_never_hides_the_numbers(tmp_path, capsys):
    rows = [{"shot_id": "x" * 200 + "-01", "incoming_angle_deg": 31.27, "incoming_angle_deg_u": 0.12,
             "cue_cross_ratio": -0.123, "cue_cross_ratio_u": 0.004, "verdict": "unusable"}]
    show(SessionResult(session="s", folder=tmp_path, shots=SHOTS.conform(pd.DataFrame(rows))))
    out = capsys.readouterr().out
    assert "31.27 ± 0.12" in out
    assert "-0.123 ± 0.004" in out
    assert "unusable" in out
    assert out.count("x") >= 200
