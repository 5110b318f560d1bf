"""The review page as a user runs it, a process of its own, its address read from what it prints; or in this process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from pipeline.measured_session import read_measured
from pipeline.review.server import ReviewServer

ROOT = Path(__file__).parents[2]
#: heeds the closing of a terminal also where the tests themselves run without one (nohup), which is inherited
CODE = ("import signal, sys; hasattr(signal, 'SIGHUP') and signal.signal(signal.SIGHUP, signal.SIG_DFL); "
        "from pipeline.cli import main; main(sys.argv[1:])")


@dataclass
class Hosted:
    """A running page. ``address`` ends with the token and a slash."""

    address: str

    @property
    def base(self) -> str:
        """Scheme, host and port."""
        return self.address.rsplit("/", 2)[0]


@dataclass
class Serving(Hosted):
    """A running page that has a process of its own."""

    process: subprocess.Popen[str]

    def kill(self) -> None:
        """As the power going off: no chance to tidy up."""
        self.process.kill()
        self.process.wait()


@contextmanager
def serving(session: Path, *options: str, before: str = "") -> Iterator[Serving]:
    """Run `reboundry review` on a session until the block ends. ``before``: code that runs first."""
    process = subprocess.Popen(
        [sys.executable, "-c", before + CODE, "review", str(session), "--no-browser", *options], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env={**os.environ, "OMP_NUM_THREADS": "1"})
    assert process.stdout is not None
    try:
        said = process.stdout.readline()
        assert "http://127.0.0.1:" in said, said + process.stdout.read()
        yield Serving(said.split("Review page: ")[1].strip(), process)
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(timeout=15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        process.stdout.close()


@contextmanager
def hosting(session: Path) -> Iterator[Hosted]:
    """The same page from a thread of this process, there at once: for tests that look at the page, not the command."""
    page = ReviewServer(read_measured(session))
    server = uvicorn.Server(uvicorn.Config(page.app(), log_level="warning", lifespan="off", ws="none",
                                           timeout_graceful_shutdown=2))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [page.socket]}, daemon=True)
    thread.start()
    try:
        yield Hosted(page.address)  # it listens already: what is asked before it has started waits
    finally:
        server.should_exit = True
        thread.join(timeout=15)
        page.close()


def ask(url: str, *, body: object = None, headers: dict[str, str] | None = None) -> tuple[int, bytes]:
    """Status and content, whatever the status."""
    data = None if body is None else json.dumps(body).encode()
    sent = {"content-type": "application/json"} if data else {}
    request = urllib.request.Request(url, data=data, headers={**sent, **(headers or {})})
    try:
        with urllib.request.urlopen(request, timeout=30) as reply:
            return reply.status, reply.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


def picture(url: str) -> tuple[int, bytes]:
    """As `ask`, until the frame isn't on its way any more."""
    while (answer := ask(url))[0] == 503:
        pass  # each answer takes its time
    return answer
