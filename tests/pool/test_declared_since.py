"""session.toml or takes.csv changed after measuring: told by pool and by compare, and never taken for what was used."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.as_declared import KEPT_AS, declared_hashes
from pipeline.pool import pool_sessions
from pipeline.pool_dataset import changed_sessions
from shared.files import file_sha256, tool_version

TOLD = "evening: {} changed after measuring; measure again, then pool."


@pytest.fixture
def evening(tmp_path):
    """Measured with a take sheet and settings, its clip beside them."""
    place = tmp_path / "evening"
    place.mkdir()
    (place / "takes.csv").write_text("clip,cloth\nevening.mp4,worn\n")
    (place / "session.toml").write_text("[conditions]\nroom = 'hall'\n")
    (place / "evening.mp4").write_bytes(b"")
    shots = simulate_session("evening", rng=np.random.default_rng(1), truth=Truth(), fixed={"cloth": "worn"}, varied={},
                             repeats=3)
    write_session(place, shots, version=tool_version())
    package = place / "measured" / "datapackage.json"
    package.write_text(json.dumps({**json.loads(package.read_text()), KEPT_AS: declared_hashes(place)}))
    return place


def _settings_sha256(out):
    return pd.read_csv(out / "sessions.csv")["settings_sha256"][0]


@pytest.mark.parametrize(("change", "words"), [
    ({"takes.csv": "clip,cloth\nevening.mp4,new\n"}, "takes.csv was"),
    ({"takes.csv": None}, "takes.csv was"),
    ({"takes.csv": "clip\n", "session.toml": "[table]\nstandard = 'pool-8ft'\n"}, "session.toml and takes.csv were"),
])
def test_a_file_changed_after_measuring_is_told_by_pool_and_compare(evening, tmp_path, change, words):
    out = tmp_path / "d"
    used = file_sha256(evening / "session.toml")
    assert pool_sessions([evening], out).lines == ()
    assert changed_sessions(out) == []
    for name, text in change.items():
        (evening / name).unlink()
        if text:
            (evening / name).write_text(text)
    report = pool_sessions([evening], out)
    assert (report.unchanged, report.lines) == (("evening",), (TOLD.format(words),))
    assert changed_sessions(out) == [TOLD.format(words)]
    assert pool_sessions([evening], tmp_path / "anew").lines == (TOLD.format(words),)
    assert _settings_sha256(out) == _settings_sha256(tmp_path / "anew") == used


def test_results_that_lie_without_their_session_tell_of_no_change(evening, tmp_path):
    used = file_sha256(evening / "session.toml")
    shutil.copytree(evening / "measured", tmp_path / "sent" / "evening" / "measured")
    assert pool_sessions([tmp_path / "sent" / "evening"], tmp_path / "d").lines == ()
    assert _settings_sha256(tmp_path / "d") == used


def test_results_of_a_version_that_kept_no_hashes_go_on_as_before(evening, tmp_path):
    package = evening / "measured" / "datapackage.json"
    package.write_text(json.dumps({k: v for k, v in json.loads(package.read_text()).items() if k != KEPT_AS}))
    (evening / "session.toml").write_text("[conditions]\nroom = 'cellar'\n")
    assert pool_sessions([evening], tmp_path / "d").lines == ()
    assert _settings_sha256(tmp_path / "d") == file_sha256(evening / "session.toml")
