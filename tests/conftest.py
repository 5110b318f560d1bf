"""For all tests: small matrices take one thread; what is compiled is compiled once, before any worker needs it."""

from __future__ import annotations

import os
import subprocess
import sys

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before NumPy is loaded: with more, two workers wait for one another

from pipeline import compiled_place


def pytest_sessionstart(session):
    if not hasattr(session.config, "workerinput") and compiled_place.is_missing():
        subprocess.run([sys.executable, "-m", "pipeline.compiled_ready"], check=True)
