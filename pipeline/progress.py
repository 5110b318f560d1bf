"""How far a run is, on stderr: a bar with the time left in a terminal, plain lines elsewhere."""

from __future__ import annotations

from types import TracebackType

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn


class TerminalProgress:
    """Use as a context manager around a run."""

    def __init__(self) -> None:
        self.console = Console(stderr=True, highlight=False, soft_wrap=True)
        self._bar = Progress(
            TextColumn("{task.description}"), BarColumn(bar_width=30), TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn(),
            TextColumn("{task.fields[last]}", markup=False),
            console=self.console, transient=True, disable=not self.console.is_terminal,
        )
        self._task = self._bar.add_task("", total=None, last="", visible=False)

    def __enter__(self) -> TerminalProgress:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def start(self, words: str, weight: float) -> None:
        """A stage begins."""
        self._bar.reset(self._task, description=words, total=max(weight, 1e-9), visible=weight > 0, last="")

    def reach(self, words: str, weight: float) -> None:
        """So much of it is done."""
        if words:
            self._bar.update(self._task, completed=weight, last=words)
        else:
            self._bar.update(self._task, completed=weight)

    def say(self, line: str) -> None:
        """One line, above the bar."""
        self._bar.console.print(line, markup=False)
