"""A camera that is moved in mid-clip, from pixels to the clip's record and the shot's numbers."""

from __future__ import annotations

from tests.pipeline.altered import assert_alike, measured, shifted, write

FAR_PX = 45.0  # further than the rails are looked for


def test_a_shot_from_before_the_camera_was_turned_away_is_measured(tmp_path):
    _, still = measured(write(tmp_path / "still.mp4", lambda _, planes: [planes]), tmp_path / "work")
    away = write(tmp_path / "away.mp4", lambda t_s, planes: [shifted(planes, FAR_PX) if t_s > 2.9 else planes])
    record, before = measured(away, tmp_path / "work")
    assert any("nothing after that is measured" in line for line in record.warnings)
    assert_alike(still, before)
