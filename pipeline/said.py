"""What a run says of its clips and shots: kept until its end, then said in the clips' order, failures first.

What several of them share is said once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

MOST_NAMES = 4  # of clips that share a line: the others' stand in log.jsonl


@dataclass(frozen=True)
class _Line:
    """``of``: the clip, "" for the session; ``name``: what the line begins with where it names a clip or shot."""

    text: str
    of: str
    name: str
    kind: str

    @property
    def words(self) -> str:
        """Without the name in front."""
        return self.text.removeprefix(f"{self.name}: ") if self.name else self.text

    @property
    def shared(self) -> tuple[str, str]:
        """Equal for lines that say the same of several."""
        return (self.kind, self.words) if self.words != self.text else ("", self.text)


class Said:
    """Lines of a run, each kept once."""

    def __init__(self) -> None:
        self._problems: list[_Line] = []
        self._warnings: list[_Line] = []

    def problem(self, line: str, clip: str = "", *, shot: str = "") -> None:
        """Something could not be measured: of a clip, of one of its shots, or of the session."""
        _add(self._problems, _Line(line, clip, shot or clip, "shot" if shot else "clip"))

    def warning(self, line: str, clip: str) -> None:
        """Something that a clip's user should know; its name is put in front where the line lacks it."""
        _add(self._warnings, _Line(named(line, clip), clip, clip, "clip"))

    def problems(self, clips: Sequence[str]) -> tuple[str, ...]:
        """A line for each, in the order of the ``clips``; those of the whole session behind."""
        return tuple(line.text for line in _sorted(self._problems, clips))

    def lines(self, clips: Sequence[str]) -> list[str]:
        """For the terminal: problems, then warnings, without those that a problem of their clip repeats."""
        repeated: dict[str, list[str]] = {}
        for line in self._problems:
            repeated.setdefault(line.of, []).append(line.text)
        left = [line for line in self._warnings
                if not any(line.words in problem for problem in repeated.get(line.of, []))]
        return [*_shared(_sorted(self._problems, clips)), *_shared(_sorted(left, clips))]


def named(line: str, clip: str) -> str:
    """The line, with the clip's name in front where it lacks it."""
    return line if clip in line else f"{clip}: {line}"


def _add(lines: list[_Line], line: _Line) -> None:
    if line not in lines:
        lines.append(line)


def _sorted(lines: list[_Line], clips: Sequence[str]) -> list[_Line]:
    place: Mapping[str, int] = {clip: n for n, clip in enumerate(clips)}
    return sorted(lines, key=lambda line: place.get(line.of, len(place)))


def _shared(lines: list[_Line]) -> list[str]:
    """In order; what several say alike at the place of the first, with their names behind."""
    together: dict[tuple[str, str], list[_Line]] = {}
    for line in lines:
        together.setdefault(line.shared, []).append(line)
    return [alike[0].text if len(alike) == 1 else f"{alike[0].words} ({_names(alike)})" for alike in together.values()]


def _names(alike: list[_Line]) -> str:
    names = [line.name for line in alike]
    shown = names if len(names) <= MOST_NAMES else [*names[: MOST_NAMES - 1], "..."]
    return f"{len(names)} {alike[0].kind}s: {', '.join(shown)}"
