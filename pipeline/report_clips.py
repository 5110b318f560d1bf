"""What report.html says of single clips: which could not be measured, and what there is to know of the others."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any

from pipeline.measured_session import MeasuredSession
from pipeline.recordings import log_lines


def clips_told(session: MeasuredSession) -> list[str]:
    """HTML lists of the clips that could not be measured and of every clip's warnings, equal words once; else none.

    From log.jsonl, and the calibrations' own warnings where there is no log.
    """
    log = log_lines(session.out)
    failed = [(str(line["clip"]), str(line["problem"])) for line in log if line.get("problem")]
    known = [(clip, words) for clip, calibration in session.calibrations.items() for words in calibration.warnings]
    known += [(str(line["clip"]), words) for line in log for words in _texts(line.get("warnings"))
              if words != line.get("problem")]
    return [*_list("Not measured:", failed), *_list("What there is to know of the clips:", known)]


def _list(title: str, told: Iterable[tuple[str, str]]) -> list[str]:
    clips: dict[str, dict[str, None]] = {}  # by what is said of them; each once, in order
    for clip, words in told:
        clips.setdefault(words.removeprefix(f"{clip}: "), {})[clip] = None
    if not clips:
        return []
    items = "\n".join(f"<li><b>{escape(', '.join(names))}</b>: {escape(words)}</li>" for words, names in clips.items())
    return [f"<p>{title}</p>\n<ul>\n{items}\n</ul>"]


def _texts(value: Any) -> list[str]:
    return [words for words in value if isinstance(words, str)] if isinstance(value, list) else []
