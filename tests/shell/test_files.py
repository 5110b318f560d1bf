"""Files are whole or not there; hashes are those of everybody else."""

from __future__ import annotations

import errno
import stat

import pytest

from shared.files import file_sha256, text_sha256, write_json, write_text, write_with


def test_a_file_is_replaced_in_one_step_and_a_failure_leaves_the_old_one(tmp_path):
    path = tmp_path / "deep" / "a.csv"
    write_text(path, "old\n")

    def fail(file):
        file.write(b"half of the n")
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        write_with(path, fail)
    assert path.read_text() == "old\n"
    assert [file.name for file in path.parent.iterdir()] == ["a.csv"]


def test_what_cannot_be_written_is_named_by_its_own_name(tmp_path):
    def fail(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space left") as full:
        write_with(tmp_path / "a.csv", fail)
    assert full.value.filename == str(tmp_path / "a.csv")
    (tmp_path / "b.csv").mkdir()
    with pytest.raises(OSError, match=r"b\.csv") as there:
        write_text(tmp_path / "b.csv", "x")
    assert (there.value.filename, there.value.filename2) == (str(tmp_path / "b.csv"), None)
    assert [file.name for file in tmp_path.iterdir()] == ["b.csv"]


def test_others_may_read_a_result(tmp_path):
    write_text(tmp_path / "a", "x")
    (tmp_path / "plain").touch()
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == stat.S_IMODE((tmp_path / "plain").stat().st_mode)


def test_a_number_that_is_none_is_not_written_as_json(tmp_path):
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "a.json", {"x": float("nan")})
    assert not (tmp_path / "a.json").exists()


def test_hashes_agree_with_the_published_example(tmp_path):
    # FIPS 180-4, SHA-256 of "abc"
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "abc").write_bytes(b"abc")
    assert file_sha256(tmp_path / "abc") == text_sha256("abc") == wanted
