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


ENDING = """
import builtins, os, signal, sys
from pipeline import ctrl_c
class Late:  # goes when Python has taken its handlers away
    def __del__(self, kill=os.kill, me=os.getpid(), numbers=(int(signal.SIGINT), int(signal.SIGTERM))):
        for number in numbers:
            kill(me, number)
builtins.late = Late()
signal.signal(signal.SIGINT, signal.default_int_handler)
try:
    with ctrl_c.heeded_in_imports():
        try:
            signal.raise_signal(signal.SIGTERM)
        except KeyboardInterrupt:
            signal.raise_signal(signal.SIGINT)
            print("ended in peace")
            raise
except KeyboardInterrupt:
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGTERM)
    ctrl_c._SAME_S = 0.0
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt:
        print("not for ever")
    sys.exit(ctrl_c.STOPPED)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there SIGTERM is no signal")
def test_sigterm_is_taken_as_ctrl_c_and_further_ones_do_not_break_into_the_ending():
    ended = subprocess.run([sys.executable, "-c", f"import sys; sys.path[:0] = [{str(ROOT)!r}]\n" + ENDING],
                           capture_output=True, text=True, check=False)
    assert ended.stdout.splitlines() == ["ended in peace", "not for ever"], ended
    assert (ended.returncode, ended.stderr) == (STOPPED, "")


def test_elsewhere_it_is_raised_and_what_was_there_before_comes_back():
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    after = signal.getsignal(signal.SIGTERM)
    try:
        with heeded_in_imports():
            pass
        assert signal.getsignal(signal.SIGTERM) is after
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        with pytest.raises(KeyboardInterrupt), heeded_in_imports():
            signal.raise_signal(signal.SIGINT)
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        with heeded_in_imports():
            signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
        signal.signal(signal.SIGTERM, after)
