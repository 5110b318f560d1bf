"""Conditions as people read them."""

import numpy as np
import pandas as pd
import pytest

from pipeline.condition_words import condition_words, heading, level_words


@pytest.mark.parametrize(("name", "value", "words"), [
    ("temperature_c", 24.1, "temperature 24.1 °C"), ("temperature_c", -3.0, "temperature −3 °C"),
    ("humidity_pct", 45, "humidity 45 %"), ("humidity_pct", "about 40", "humidity about 40"),
    ("dew_point_c", 11.5884, "dew point 11.6 °C"), ("dew_point_c", 12.0, "dew point 12.0 °C"),
    ("absolute_humidity_gm3", 9.93188, "absolute humidity 9.93 g/m³"),
    ("ball_size_mm", 57.15, "ball size 57.15 mm"),  # declared: as declared
    ("batch", 20240312.0, "batch 20240312"), ("cloth", "worn", "worn cloth"),
])
def test_names_units_and_no_false_digits(name, value, words):
    assert condition_words({name: value}, [name]) == {name: words}


@pytest.mark.parametrize("empty", [None, np.nan, pd.NA, "", "  "])
def test_an_empty_condition_is_left_out(empty):
    row = {"cloth": "new", "remark": empty}
    assert condition_words(row, ["cloth", "remark", "never_given"]) == {"cloth": "new cloth"}


def test_heading_and_level():
    assert heading("absolute_humidity_gm3") == "absolute humidity, g/m³"
    assert heading("speed_class") == "speed class"
    assert level_words("humidity_pct", "60") == "humidity 60 %"
