"""For all tests: what is compiled is compiled once, before any worker needs it."""

from __future__ import annotations

import subprocess
import sys

from pipeline import compiled_place


def pytest_sessionstart(session):
    if not hasattr(session.config, "workerinput") and compiled_place.is_missing():
        subprocess.run([sys.executable, "-m", "pipeline.compiled_ready"], check=True)
