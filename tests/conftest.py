"""For all tests: small matrices take one thread; what is compiled is compiled once, before any worker needs it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before NumPy is loaded: with more, two workers wait for one another

from pipeline import compiled_place


def pytest_sessionstart(session):
    if not hasattr(session.config, "workerinput") and compiled_place.is_missing():
        subprocess.run([sys.executable, "-m", "pipeline.compiled_ready"], check=True)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """Of `-n auto`: half as many again as cores, for a third of the time is waiting: for servers, browsers, workers."""
    return (3 * len(os.sched_getaffinity(0)) + 1) // 2 if hasattr(os, "sched_getaffinity") else None
