"""The demo, whole: measured, judged, compared, and against the truth that comes with its footage."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from pipeline.demo import copy_evenings

ROOT = Path(__file__).resolve().parents[2]
EVENINGS = ROOT / "fixtures" / "evenings"


pytestmark = pytest.mark.xdist_group("demo")  # one run of the demo for all of them, not one a worker


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> tuple[subprocess.CompletedProcess[str], Path]:
    folder = tmp_path_factory.mktemp("demo")
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from pipeline.cli import main; main(['demo'])"
    ran = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=False)
    return ran, folder / "reboundry-demo"


def test_one_worker_does_them_all(request):
    """A newer pytest might not tell its workers of groups any more, and each would run the demo."""
    config = request.config
    assert not hasattr(config, "workerinput") or not config.option.loadgroup or "@demo" in request.node.nodeid


def test_it_ends_well_and_says_where_to_look(demo):
    ran, out = demo
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "rendered, not filmed" in ran.stdout
    last = ran.stdout.rsplit("Where to look:", 1)[1]
    for page in (out / "comparison" / "comparison.html", out / "eveningA" / "measured" / "report.html"):
        assert page.name in last
        assert page.is_file()


@pytest.mark.parametrize("evening", ["eveningA", "eveningB"])
def test_every_shot_is_found_and_the_bad_hits_are_flagged(demo, evening):
    shots = pd.read_csv(demo[1] / evening / "measured" / "shots.csv")
    hits = json.loads((EVENINGS / evening / "truth_hits.json").read_text())
    bad = {clip for clip, hit in hits.items() if hit != "ok"}
    assert len(shots) == 6
    assert bad <= set(shots.loc[shots["verdict"] == "mishit", "clip"])
    assert (shots["verdict"] == "clean").sum() >= 4


@pytest.mark.parametrize("evening", ["eveningA", "eveningB"])
def test_angles_and_speeds_are_those_of_the_simulation(demo, evening):
    """Bounds of the issue that asked for this: median 0.3 deg and 1 %, no angle off by more than 1.5 deg."""
    shots = pd.read_csv(demo[1] / evening / "measured" / "shots.csv").set_index("clip")
    errors = []
    for path in sorted((EVENINGS / evening).glob("*.truth.json")):
        truth = json.loads(path.read_text())["shots"][0]["first_cushion"]
        row = shots.loc[path.name.replace(".truth.json", ".mp4")]
        errors.append({
            "incoming": abs(row["incoming_angle_deg"] - truth["incoming_deg"]),
            "rebound": abs(row["rebound_angle_deg"] - truth["rebound_deg"]),
            "speed": abs(row["speed_at_impact_mps"] / truth["speed_before_ms"] - 1),
        })
    found = pd.DataFrame(errors)
    assert found["incoming"].median() < 0.3
    assert found["rebound"].median() < 0.3
    assert found[["incoming", "rebound"]].to_numpy().max() < 1.5
    assert found["speed"].median() < 0.01


def test_the_log_has_a_line_for_every_clip(demo):
    _, out = demo
    log = [json.loads(line) for line in (out / "eveningA" / "measured" / "log.jsonl").read_text().splitlines()]
    assert [line["status"] for line in log] == ["measured"] * 6
    assert all(line["frames"] > 100 and line["seconds"]["detect"] > 0 for line in log)


def test_what_was_written_in_is_left_and_a_clip_cut_short_is_copied_again(tmp_path):
    evening = copy_evenings(tmp_path)[0]
    assert "readout_s = 0.0" in (evening / "session.toml").read_text()  # rendered: nothing need be said of it
    (evening / "takes.csv").write_text("clip,cloth\n")
    (evening / "session.toml").write_text("")
    clip = evening / "eveningA_01.mp4"
    whole = clip.stat().st_size
    clip.write_bytes(b"cut short")
    copy_evenings(tmp_path)
    assert (evening / "takes.csv").read_text() == "clip,cloth\n"
    assert (evening / "session.toml").read_text() == ""
    assert clip.stat().st_size == whole
