"""session.toml: what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import SettingsError
from shared.session_file import read_session


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "session.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_no_file_gives_a_nine_foot_pool_table(tmp_path):
    settings = read_session(tmp_path / "session.toml", name="monday")
    assert settings.name == "monday"
    assert settings.table.name == "pool-9ft"
    assert settings.conditions == {}


@pytest.mark.parametrize(("text", "pockets"), [
    ("[ball]\ndiameter_mm = 61.5", False),  # UMB: 61.0 to 61.5 mm
    ("[table]\nlength_mm = 2300\nwidth_mm = 1150\n[ball]\ndiameter_mm = 61.0", False),  # a small carom table
    ("[table]\nlength_mm = 2842\nwidth_mm = 1419", False),  # UMB 11(4): 2840 x 1420 mm
    ("[table]\nlength_mm = 2840\nwidth_mm = 1420\n[ball]\ndiameter_mm = 57.15", True),
    ('[table]\nstandard = "pool-9ft"\n[ball]\ndiameter_mm = 61.5', True),
    ("[table]\nlength_mm = 3545\nwidth_mm = 1775\n[ball]\ndiameter_mm = 68", True),  # pyramid (from memory)
    ("[table]\nlength_mm = 2540\nwidth_mm = 1270", True),
])
def test_a_table_with_a_carom_sets_balls_has_no_pockets(tmp_path, text, pockets):
    """A cushion met half way along a pool table would be a side pocket's jaws, and no cushion to measure."""
    settings = read_session(write(tmp_path, text))
    assert settings.table.pockets == pockets
    assert ["pockets" in line and "standard" in line for line in settings.remarks] == [True] * (not pockets)


def test_everything_that_may_be_set_is_read(tmp_path):
    (tmp_path / "lens.json").write_text("{}")
    settings = read_session(write(tmp_path, """
[table]
standard = "pool-8ft"
length_mm = 2337
width_mm = 1168.0
nose_height_mm = 36.0
sight_offset_mm = 93.0
head = "picture-right"
[ball]
diameter_mm = 57.1
[camera]
corners_px = [[72, 6], [2, 8], [1, 40], [70.5, 42]]
lens = "lens.json"
shutter_s = 0.004
readout_s = 0.015
[conditions]
temperature_c = 24
cloth = "worn"
heated = true
filmed = 2026-03-01
[tolerances]
aim_deg = 0.5
[friction]
sliding = 0.21
"""))
    assert (settings.table.length_mm, settings.table.width_mm) == (2337.0, 1168.0)
    assert settings.table.ball.diameter_mm == 57.1
    assert settings.head == "picture-right"
    assert settings.camera.corners_px == ((72.0, 6.0), (2.0, 8.0), (1.0, 40.0), (70.5, 42.0))
    assert settings.camera.lens == tmp_path / "lens.json"
    assert settings.conditions == {"temperature_c": 24.0, "cloth": "worn", "heated": "yes", "filmed": "2026-03-01"}
    assert settings.tolerances == {"aim_deg": 0.5}
    assert (settings.friction.sliding, settings.friction.rolling) == (0.21, None)


@pytest.mark.parametrize("head", ["picture-left", "picture-bottom"])
def test_a_head_that_the_corners_allow_is_no_contradiction(tmp_path, head):
    """Turned by 45 degrees, either may be meant."""
    corners = "[[40, 100], [100, 40], [70, 10], [10, 70]]"
    settings = read_session(write(tmp_path, f"[table]\nhead = '{head}'\n[camera]\ncorners_px = {corners}\n"))
    assert settings.head == head


def test_a_file_saved_with_a_byte_order_mark_and_crlf_is_read(tmp_path):
    settings = read_session(write(tmp_path, b"\xef\xbb\xbf[ball]\r\ndiameter_mm = 52.5\r\n"))
    assert settings.table.ball.diameter_mm == 52.5


def test_temperature_and_humidity_are_known_in_any_spelling(tmp_path):
    settings = read_session(write(tmp_path, "[conditions]\nTemperature_C = 24\n'Humidity pct' = 40\nCloth = 'new'\n"))
    assert settings.conditions == {"temperature_c": 24.0, "humidity_pct": 40.0, "Cloth": "new"}


@pytest.mark.parametrize(("text", "words"), [
    ("[table]\nlenght_mm = 2540.0\n", ["[table] has no key 'lenght_mm'", "did you mean 'length_mm'?"]),
    ("[tabel]\nlength_mm = 2540.0\n", ["no section 'tabel'", "did you mean 'table'?"]),
    ("length_mm = 2540.0\n", ["no key 'length_mm'", "table, ball"]),
    ("[table]\nlength_mm = '2540'\n", ["length_mm = '2540'", "in quotes", "mm, 800 to 4500"]),
    ("[table]\nlength_mm = 2.54\n", ["length_mm = 2.54", "mm, 800 to 4500"]),
    ("[table]\nlength_mm = 2540mm\n", ["not valid TOML", "line 2"]),
    ("[table]\nlength_mm = true\n", ["length_mm = True", "mm"]),
    ("[table]\nlength_mm = 2000.0\n", ["2000 x 1270", "width_mm"]),
    ("[table]\nlength_mm = 1270.0\nwidth_mm = 2400.0\n", ["the long way"]),
    ("[table]\nstandard = 'pool-9'\n", ["'pool-9' is not known", "'pool-9ft'"]),
    ("[table]\nhead = 'left'\n", ["head = 'left'", "picture-left"]),
    ("table = 3\n", ["[table] must be a section"]),
    ("[ball]\ndiameter_mm = nan\n", ["diameter_mm = nan", "mm, 25 to 90"]),
    ("[ball]\ndiameter_mm = 30.0\n[table]\nnose_height_mm = 36.0\n", ["nose_height_mm = 36", "30 mm"]),
    ("[camera]\ncorners_px = [[1, 2]]\n", ["corners_px", "[[x, y], [x, y], [x, y], [x, y]]"]),
    ("[camera]\ncorners_px = [[0, 0], [9, 9], [20, 20], [0, 20]]\n", ["corners lie on one line", "head-right, foot"]),
    ("[camera]\ncorners_px = [[0, 0], [90, 0], [90, 50], [0, 50]]\n", ["anticlockwise", "head-right, foot-right"]),
    ("[table]\nhead = 'picture-right'\n[camera]\ncorners_px = [[0, 50], [90, 50], [90, 0], [0, 0]]\n",
     ["corners_px put the head at picture-left, head says picture-right; correct one"]),
    ("[table]\nhead = 'picture-top'\n[camera]\ncorners_px = [[0, 50], [90, 50], [90, 0], [0, 0]]\n",
     ["corners_px put the head at picture-left, head says picture-top; correct one"]),
    ("[camera]\nlens = 'gone.json'\n", ["lens = 'gone.json' is not there", "calibrate --lens"]),
    ("[camera]\nshutter_s = 250\n", ["shutter_s = 250", "1/250"]),
    ("[friction]\nsliding = 2.0\n", ["sliding = 2.0", "0.02 to 1"]),
    ("[conditions]\nlamps = [1, 2]\n", ["lamps must be a number or a text"]),
    ("[conditions]\nTemperature_C = 20\ntemperature_c = 30\n", ["'Temperature_C' and 'temperature_c' both say"]),
    ("[conditions]\ncloth = 'a'\nCloth = 'b'\n", ["'cloth' and 'Cloth' both say"]),
    ("[conditions]\n'Ball set' = 'a'\nball_set = 'b'\n", ["'Ball set' and 'ball_set' both say"]),
    ("[conditions]\nrail = 'new'\n", ["'rail'", "writes itself"]),
    ("[conditions]\nVerdict = 'new'\n", ["'Verdict'", "writes itself"]),
    ("[conditions]\ntable = 'back room'\n", ["'table'", "writes itself", "rename it"]),
    ("[conditions]\ntarget = 'foot'\n", ["target = 'foot' is no pocket", "foot-right"]),
    ("[conditions]\ndew_point_c = 3\n", ["'dew_point_c'", "writes itself"]),
    (b"[conditions]\ncloth = 'neu\xfc'\n", ["UTF-8"]),
])
def test_what_cannot_be_used_is_refused_in_one_line_that_names_file_and_key(tmp_path, text, words):
    path = write(tmp_path, text)
    with pytest.raises(SettingsError) as refusal:
        read_session(path)
    line = str(refusal.value)
    assert line.startswith(str(path))
    assert "\n" not in line
    for word in words:
        assert word in line
