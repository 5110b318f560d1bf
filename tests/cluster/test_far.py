"""Sessions at addresses: measured as the same files on disk are, nothing fetched twice, written whole or not at all.

The stages themselves are stand-ins; the stores are real ones: fsspec's in memory, a folder, and an S3 server (moto).
"""

from __future__ import annotations

import os
import shutil
import socket
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

pytest.importorskip("fsspec")

import fsspec

from calibration.lens import Lens, write_lens
from pipeline.ctrl_c import STOPPED
from pipeline.far import FarOptions, measure_far
from pipeline.run import RunOptions
from pipeline.storage import Place, StorageError
from shared.errors import CalibrationError, SettingsError
from tests.shell.clips import FakeStages, write_clip

ROOT = Path(__file__).parents[2]
RESULTS = ("shots.csv", "contacts.csv", "tracks.parquet", "calibration.json", "datapackage.json")


@pytest.fixture
def stages(monkeypatch):
    return FakeStages(monkeypatch)


def empty_place(kind: str, request: Any, tmp_path: Path, monkeypatch: Any) -> str:
    """The address of an empty folder in a store of a kind."""
    if kind == "memory":
        return f"memory://{tmp_path.name}"
    if kind == "file":
        return f"file://{tmp_path}/store"
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "a")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "b")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    monkeypatch.setenv("AWS_ENDPOINT_URL", request.getfixturevalue("s3_server"))
    bucket = f"b{abs(hash(tmp_path.name)) % 10**9}"
    fsspec.filesystem("s3", skip_instance_cache=True).mkdir(bucket)
    return f"s3://{bucket}/hall"


@pytest.fixture
def store(request, tmp_path, monkeypatch) -> str:
    """The one that costs nothing."""
    return empty_place("memory", request, tmp_path, monkeypatch)


@pytest.fixture(params=["memory", "file", "s3"])
def any_store(request, tmp_path, monkeypatch) -> str:
    """All of them."""
    return empty_place(request.param, request, tmp_path, monkeypatch)


@pytest.fixture
def folder(tmp_path):
    """A session on disk, to measure there and to put elsewhere."""
    place = tmp_path / "monday"
    (place / "clips").mkdir(parents=True)
    for n in (1, 2, 10):
        write_clip(place / "clips" / f"c{n}.mp4", seed=n)
    (place / "session.toml").write_text("[conditions]\nroom = 'hall'\n")
    (place / "takes.csv").write_text("clip,cloth\nc1.mp4,new\n")
    return place


class Quiet(SimpleHTTPRequestHandler):
    """Serves a folder and keeps no log."""

    def log_message(self, *_: Any) -> None: ...


def put(folder: Path, address: str) -> str:
    """Copy a session to a store; its address there."""
    session = Place(address) / folder.name
    for file in sorted(folder.rglob("*")):
        if file.is_file() and "measured" not in file.parts:
            (session / file.relative_to(folder).as_posix()).put(file)
    return session.address


def measure(address: str | list[str], *, out: str | None = None, **options: Any) -> int:
    run = RunOptions(jobs=1, **{"diagrams": False, **options})
    return measure_far([address] if isinstance(address, str) else address, FarOptions(out=out, run=run))


def read(address: str, to: Path) -> bytes:
    Place(address).fetch(to)
    content = to.read_bytes()
    to.unlink()
    return content


def test_results_are_the_same_as_from_a_disk(stages, any_store, folder, tmp_path, capsys):
    address = put(folder, any_store)
    assert measure(address) == 0
    assert f"Files: {address}/measured/" in capsys.readouterr().out
    from pipeline.sessions import find_sessions
    from pipeline.terminal import measure_each

    assert measure_each(find_sessions([folder]), RunOptions(jobs=1, diagrams=False)) == 0
    for name in RESULTS:
        assert read(f"{address}/measured/{name}", tmp_path / name) == (folder / "measured" / name).read_bytes(), name
    assert not [name for name in Place(address).files(9) if name.endswith(".part")]


def test_a_second_run_fetches_no_clip_and_measures_nothing(stages, any_store, folder, monkeypatch):
    address = put(folder, any_store)
    assert measure(address) == 0
    before = (len(stages.looked), len(stages.measured))
    fetched: list[str] = []
    fetch = Place.fetch
    monkeypatch.setattr(Place, "fetch", lambda self, to: (fetched.append(self.name), fetch(self, to)))
    assert measure(address) == 0
    assert (len(stages.looked), len(stages.measured)) == before
    assert not [name for name in fetched if name.endswith(".mp4")]


def test_only_what_changed_is_done_again(stages, store, folder):
    address = put(folder, store)
    assert measure(address) == 0
    stages.looked.clear()
    write_clip(folder / "clips" / "c2.mp4", seed=77)
    (Place(address) / "clips" / "c2.mp4").put(folder / "clips" / "c2.mp4")
    assert measure(address) == 0
    assert stages.looked == ["c2.mp4"]


def test_one_clip_measured_later_keeps_the_others(stages, store, folder, tmp_path):
    address = put(folder, store)
    assert measure(address) == 0
    stages.looked.clear()
    assert measure(f"{address}/clips/c10.mp4", again=True) == 0
    assert stages.looked == ["c10.mp4"]
    rows = read(f"{address}/measured/shots.csv", tmp_path / "shots.csv").decode().splitlines()
    assert [row.split(",")[0] for row in rows[1:]] == ["c1-01", "c2-01", "c10-01"]


@pytest.mark.parametrize(("kind", "pattern", "changed"), [
    ("memory", False, True), ("memory", True, False), ("s3", False, True),
])
def test_ctrl_c_while_measuring_again_keeps_the_rows_of_clips_not_yet_redone(
    stages, request, folder, tmp_path, monkeypatch, capsys, kind, pattern, changed,
):
    """Also where patterns gave the targets; and where one has changed since, all stays as it was."""
    if pattern:
        (folder / "patterns").mkdir()
        shutil.copy(ROOT / "pipeline" / "pattern_examples" / "cross-corner.toml", folder / "patterns")
        monkeypatch.setattr("pipeline.run.matched_targets", lambda *_: {1: "foot-right"})
    address = put(folder, empty_place(kind, request, tmp_path, monkeypatch))
    assert measure(address) == 0
    before = read(f"{address}/measured/shots.csv", tmp_path / "shots.csv").decode().splitlines()
    if changed:
        write_clip(folder / "clips" / "c10.mp4", seed=77)
        (Place(address) / "clips" / "c10.mp4").put(folder / "clips" / "c10.mp4")
    stages.fault["c2.mp4"] = KeyboardInterrupt()  # type: ignore[assignment]
    assert measure(address, again=True) == STOPPED
    assert read(f"{address}/measured/shots.csv", tmp_path / "shots.csv").decode().splitlines() == before
    assert ("still those of the run before" in capsys.readouterr().err) == changed
    del stages.fault["c2.mp4"]
    assert measure(address) == 0
    rows = read(f"{address}/measured/shots.csv", tmp_path / "shots.csv").decode().splitlines()
    assert [row.split(",")[0] for row in rows[1:]] == ["c1-01", "c2-01", "c10-01"]


def test_a_clip_that_fails_is_named_and_the_others_are_written(stages, store, folder, tmp_path, capsys):
    stages.fault["c2.mp4"] = CalibrationError("no table was found in the picture.")
    address = put(folder, store)
    assert measure(address) == 1
    assert "c2.mp4: no table was found in the picture." in capsys.readouterr().err
    assert read(f"{address}/measured/shots.csv", tmp_path / "shots.csv").count(b"\n") == 3


def test_diagrams_and_decisions_lie_with_the_results(stages, store, folder, tmp_path):
    address = put(folder, store)
    assert measure(address, diagrams=True) == 0
    decisions = tmp_path / "reviews.csv"
    from pipeline.review_file import Review, append_reviews, now

    append_reviews(tmp_path, Review(decided_at=now(), shot_id="c2-01", clip="c2.mp4", start_s=1.0, reviewer="kim",
                                   decision="reject"))
    (Place(address) / "measured" / "reviews.csv").put(decisions)
    assert measure(address, diagrams=True, again=True) == 0
    assert b"kim" in read(f"{address}/measured/shots.csv", tmp_path / "shots.csv")
    assert read(f"{address}/measured/reviews.csv", tmp_path / "r.csv") == decisions.read_bytes()
    assert read(f"{address}/measured/pictures/c1-01.png", tmp_path / "p.png").startswith(b"\x89PNG")


def test_a_diagram_drawn_anew_takes_the_place_of_the_old_one_and_one_of_no_shot_goes(stages, store, folder, tmp_path):
    address = put(folder, store)
    assert measure(address, diagrams=True) == 0
    pictures = Place(address) / "measured" / "pictures"
    stale = tmp_path / "stale.png"
    stale.write_bytes(b"of another run")
    for name in ("c1-01.png", "c1-02.png"):  # the second of a shot that is no more
        (pictures / name).put(stale)
    assert measure(address, diagrams=True, again=True) == 0
    assert read(f"{pictures.address}/c1-01.png", tmp_path / "p.png").startswith(b"\x89PNG")
    assert "c1-02.png" not in pictures.files()


def test_a_sessions_folder_of_clips_brings_its_settings_with_it(stages, store, folder, tmp_path):
    address = put(folder, store)
    assert (folder / "takes.csv").is_file()
    assert measure(f"{address}/clips") == 0
    assert (Place(address) / "measured" / "shots.csv").is_file()
    assert not (Place(address) / "clips" / "measured" / "shots.csv").is_file()


def test_results_of_clips_elsewhere_can_come_here_and_the_other_way_round(stages, store, folder, tmp_path):
    address = put(folder, store)
    assert measure(address, out=str(tmp_path / "here")) == 0
    assert (tmp_path / "here" / "shots.csv").is_file()
    assert not Place(f"{address}/measured").files()
    assert measure(str(folder), out=f"{store}/there") == 0
    assert not (folder / "measured").exists()
    there = read(f"{store}/there/shots.csv", tmp_path / "shots.csv")
    assert there == (tmp_path / "here" / "shots.csv").read_bytes()


def test_a_lens_file_comes_with_the_session(stages, store, folder, tmp_path):
    lens = Lens(1100.0, 640.0, 360.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.001, 0.001, 1280, 720, 0.2, 12)
    write_lens(folder / "lens.json", lens)
    (folder / "session.toml").write_text("[camera]\nlens = 'lens.json'\n")
    address = put(folder, store)
    assert measure(address) == 0
    stages.looked.clear()
    write_lens(folder / "lens.json", replace(lens, f=1200.0))
    (Place(address) / "lens.json").put(folder / "lens.json")
    assert measure(address) == 0
    assert len(stages.looked) == 3  # another lens: decoded again


def test_a_file_is_whole_or_not_there(any_store, tmp_path, monkeypatch):
    place = Place(any_store) / "shots.csv"
    old = tmp_path / "old"
    old.write_bytes(b"old")
    place.put(old)

    def breaks(source: Any, target: Any) -> None:
        target.write(b"ne")
        raise OSError("the line went dead")

    monkeypatch.setattr("pipeline.storage.shutil.copyfileobj", breaks)
    with pytest.raises(StorageError, match="the line went dead"):
        place.put(old)
    assert read(place.address, tmp_path / "read") == b"old"
    assert list(Place(any_store).files(5)) == ["shots.csv"]


def test_a_place_that_is_not_there_is_one_line(store):
    with pytest.raises(SettingsError, match="no such file or folder, or nothing in it"):
        measure(f"{store}/nothing")


def test_a_wrong_setting_is_told_with_the_address(stages, store, folder):
    (folder / "session.toml").write_text("[tabel]\n")
    address = put(folder, store)
    with pytest.raises(SettingsError) as told:
        measure(address)
    assert str(told.value).startswith(f"{address}/session.toml: ")


def test_clips_can_come_from_a_web_server(stages, folder, tmp_path):
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder.parent)))
    Thread(target=server.serve_forever, daemon=True).start()
    address = f"http://127.0.0.1:{server.server_address[1]}/{folder.name}"
    try:
        assert measure(address, out=str(tmp_path / "out")) == 0
        with pytest.raises(StorageError, match="can't be written"):
            measure(address)
    finally:
        server.shutdown()
        server.server_close()
    shots = (tmp_path / "out" / "shots.csv").read_text().splitlines()
    assert [row.split(",")[0] for row in shots[1:]] == ["c1-01", "c2-01", "c10-01"]


def test_a_server_that_does_not_answer_is_one_line():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(SettingsError, match="no such file or folder, or nothing in it; check the address"):
        measure(f"http://127.0.0.1:{port}/session/clip.mp4", out=os.devnull)


def test_an_unknown_protocol_is_refused():
    with pytest.raises(SettingsError, match="nowhere://x"):
        measure("nowhere://x/session")
