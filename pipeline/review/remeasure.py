"""Measure the session again in the background, as the command line would, and tell how far it is."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.ctrl_c import STOPPED
from pipeline.measured_session import read_shots
from pipeline.recordings import log_lines
from shared.columns import why_lost
from shared.errors import SchemaError

_CODE = "import sys; from pipeline.cli import main; main(sys.argv[1:])"
_NAMED = 8  # clips and shots named at most, of those that could not be measured


class Remeasuring:
    """At most one run at a time; ``when_done`` is called after it ended, however it did."""

    def __init__(self, session: Path, out: Path, when_done: Callable[[], None]) -> None:
        self._arguments = [sys.executable, "-c", _CODE, "measure", str(session.resolve()), "--out", str(out.resolve())]
        self._out = out
        self._when_done = when_done
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._words = ""
        self._runs = 0
        self.stopped = False  # whether a run was ended before it was done

    def start(self) -> bool:
        """Start a run; False if one is going on."""
        with self._lock:
            if self._process is not None:
                return False
            self._words = ""
            log = tempfile.TemporaryFile()  # noqa: SIM115  closed by the watcher
            root = Path(__file__).resolve().parents[2]
            self._process = subprocess.Popen(  # arguments are a list of our own, no shell
                self._arguments, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=root)
            threading.Thread(target=self._watch, args=(self._process, log), name="measure again", daemon=True).start()
            return True

    @property
    def running(self) -> bool:
        """Whether a run is going on."""
        return self._process is not None

    def state(self) -> dict[str, Any]:
        """For the page."""
        return {"running": self.running, "runs": self._runs, "words": self._words}

    def stop(self) -> None:
        """End the run that is going on, if any: what was finished is kept."""
        process = self._process
        if process is not None:
            self.stopped = True
            process.terminate()
            with suppress(subprocess.TimeoutExpired):  # still writing: it ends by itself
                process.wait(timeout=20)

    def _watch(self, process: subprocess.Popen[bytes], log: Any) -> None:
        status = process.wait()
        log.seek(0)
        lines = [line.strip() for line in log.read().decode(errors="replace").splitlines() if line.strip()]
        log.close()
        words = _measured_words(status, self._out)
        with self._lock:
            self._words = words or f"Measuring failed: {lines[-1] if lines else f'status {status}'}"
            self._process = None
            self.stopped = status == STOPPED or status < 0  # Ctrl-C in a terminal reaches it as well
        self._when_done()
        self._runs += 1


def _measured_words(status: int, out: Path) -> str:
    """What to say of a run that came to its end, with the clips and shots that could not be measured; else empty."""
    if status == 0:
        return "Measured again."
    if status != 1:
        return ""
    names = _not_measured(out)
    if not names:
        return "Measured again, but for parts of it; `reboundry measure` says what."
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"Measured again, but for {', '.join(names[:_NAMED])}{more}; report.html says why."


def _not_measured(out: Path) -> list[str]:
    clips = [str(line["clip"]) for line in log_lines(out) if line.get("problem")]
    try:
        shots = read_shots(out)
    except SchemaError:
        return clips
    return clips + [str(name) for name, notes in zip(shots["shot_id"], shots["notes"], strict=True) if why_lost(notes)]
