"""Ctrl-C while modules load: heeded even where Python throws the exception away; elsewhere a KeyboardInterrupt."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.ctrl_c import SAID, STOPPED, heeded_in_imports

ROOT = Path(__file__).resolve().parents[2]
CALLBACK = """
import os, signal, weakref
class Lock: ...
lock = Lock()
forgotten = weakref.ref(lock, lambda _: os.kill(os.getpid(), signal.SIGINT))
del lock
print("went on")
"""
PROGRAM = """
import sys
from pipeline.ctrl_c import do_last, heeded_in_imports
do_last(lambda: print("done last", flush=True))
if "heeded" in sys.argv:
    with heeded_in_imports():
        import callback
else:
    import callback
"""


def ran(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    (tmp_path / "callback.py").write_text(CALLBACK)
    begin = (f"import signal, sys; sys.path[:0] = [{str(ROOT)!r}, {str(tmp_path)!r}]\n"
             "signal.signal(signal.SIGINT, signal.default_int_handler)\n")
    return subprocess.run([sys.executable, "-c", begin + PROGRAM, *words], capture_output=True, text=True, check=False)


@pytest.mark.skipif(sys.platform == "win32", reason="there a process cannot send itself a Ctrl-C")
def test_what_python_throws_away_is_heeded(tmp_path):
    plain = ran(tmp_path)
    assert (plain.returncode, plain.stdout) == (0, "went on\n")  # what is guarded against
    heeded = ran(tmp_path, "heeded")
    assert (heeded.returncode, heeded.stdout) == (STOPPED, "done last\n")
    assert heeded.stderr.strip() == SAID


def test_elsewhere_it_is_raised_and_what_was_there_before_comes_back():
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), heeded_in_imports():
            signal.raise_signal(signal.SIGINT)
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        with heeded_in_imports():
            signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
