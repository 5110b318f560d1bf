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

_CODE = "import sys; from pipeline.cli import main; main(sys.argv[1:])"


class Remeasuring:
    """At most one run at a time; ``when_done`` is called after it ended, however it did."""

    def __init__(self, session: Path, out: Path, when_done: Callable[[], None]) -> None:
        self._arguments = [sys.executable, "-c", _CODE, "measure", str(session.resolve()), "--out", str(out.resolve())]
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
        words = {0: "Measured again.", 1: "Measured again; some clips or shots could not be."}
        with self._lock:
            self._words = words.get(status, f"Measuring failed: {lines[-1] if lines else f'status {status}'}")
            self._process = None
            self.stopped = status == STOPPED or status < 0  # Ctrl-C in a terminal reaches it as well
        self._when_done()
        self._runs += 1
