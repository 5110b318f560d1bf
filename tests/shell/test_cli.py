"""The command line starts fast and says what there is."""

from __future__ import annotations

import shlex
import subprocess
import sys
import time
from pathlib import Path

import pytest

import reboundry
from pipeline.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[2]


def call(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "reboundry", *arguments], cwd=ROOT, capture_output=True, text=True,
                          check=False)


def test_help_lists_every_command_and_comes_fast():
    code = ("import time; start = time.process_time(); from pipeline.cli import main\n"
            "try: main(['--help'])\nexcept SystemExit: pass\nprint('took', time.process_time() - start)")
    took = []
    for _ in range(3):
        ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
        took.append(float(ran.stdout.rsplit("took ", 1)[1]))
    for name in COMMANDS:
        assert f" {name} " in ran.stdout
    assert min(took) < 0.4  # processor time, so that a busy machine doesn't count


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name, capsys):
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    words = capsys.readouterr().out
    assert "Example:" in words
    assert f"reboundry {name}" in words


def test_python_m_works_and_knows_its_version():
    start = time.monotonic()
    ran = call("--version")
    assert ran.returncode == 0
    assert ran.stdout.startswith("reboundry 0.")
    assert time.monotonic() - start < 30


def test_no_command_shows_the_help():
    ran = call()
    assert ran.returncode == 2
    assert "measure" in ran.stdout + ran.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="a POSIX shell's way of closing them")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize(("arguments", "status"), [("plan --help", 0), ("pool nothing_here", 2)])
def test_closed_streams_change_nothing_else(arguments, status, closed):
    command = f"{shlex.quote(sys.executable)} -m reboundry {arguments} {closed}"
    ran = subprocess.run(["sh", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.returncode == status
    assert "Traceback" not in ran.stderr
    if "2>" not in closed:
        assert ("nothing_here: no such folder" in ran.stderr) == (status == 2)


@pytest.mark.skipif(sys.platform == "win32", reason="file numbers as POSIX gives them out")
def test_no_file_gets_the_number_of_a_closed_stream(tmp_path):
    """Else what a program that we start prints would go into it."""
    code = """
import os, subprocess, sys
os.close(1), os.close(2)
sys.stdout = sys.stderr = None
from pipeline.stdout import fill_closed
fill_closed()
with open(sys.argv[1], "w") as kept:
    subprocess.run([sys.executable, "-c", "import os; os.write(1, b'out'); os.write(2, b'err')"], check=True)
    print(kept.fileno() > 2, sys.stdout.isatty(), file=kept)
"""
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "kept")], cwd=ROOT, check=True)
    assert (tmp_path / "kept").read_text() == "True False\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("arguments", [["--version"], ["plan", "--help"]])
def test_output_that_cannot_be_written_is_one_line(arguments):
    with open("/dev/full", "w") as full:
        ran = subprocess.run([sys.executable, "-m", "reboundry", *arguments], cwd=ROOT, stdout=full,
                             stderr=subprocess.PIPE, text=True, check=False)
    assert ran.returncode == 1
    assert ran.stderr == "reboundry: the output: No space left on device; free some space there, then run it again.\n"


def test_a_tilde_is_the_home_folder_also_after_an_equals_sign(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(["plan", "--pattern=long:foot-right", "--repeats=1", "--out=~/sheets"])
    assert ended.value.code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["sheets"]


def test_a_tilde_is_the_home_folder_in_python_too(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    with pytest.raises(reboundry.SettingsError, match="no such folder") as refused:
        reboundry.load("~/none")
    assert str(tmp_path / "none") in str(refused.value)


@pytest.mark.parametrize("words", [["pool", "s3://b/x", "--out", "ds"], ["pool", "x", "--out=s3://b/ds"],
                                   ["review", "memory://x"], ["demo", "--out", "s3://b/x"]])
def test_an_address_where_only_files_of_this_machine_will_do_is_refused(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert "only `reboundry measure` takes addresses" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_address_is_refused_in_python_and_one_session_can_be_pooled_alone(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(reboundry.SettingsError, match="takes addresses"):
        reboundry.demo_sessions("s3://bucket/x")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(reboundry.SettingsError, match="monday"):  # which isn't there, and no session m
        reboundry.pool("monday", "dataset")
