"""Which recordings a log tells of."""

from __future__ import annotations

import json

from pipeline.recordings import recordings_of


def test_a_log_cut_in_the_middle_of_a_letter_tells_of_the_other_clips(tmp_path):
    line = json.dumps({"clip": "zwölf.mp4", "sha256": "cd"}, ensure_ascii=False).encode()
    whole = json.dumps({"clip": "elf.mp4", "sha256": "ab"}).encode()
    (tmp_path / "log.jsonl").write_bytes(whole + b"\n" + line[: line.index("ö".encode()) + 1])
    assert recordings_of(tmp_path) == {"elf.mp4": "ab"}
