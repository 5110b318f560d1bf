"""A cluster of a scheduler and two workers, for the tests that leave it whole; an S3 server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("distributed")

from tests.cluster.machines import Machines, machines


@pytest.fixture(scope="package")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    with machines(tmp_path_factory.mktemp("cluster"), 2) as cluster:
        yield cluster


@pytest.fixture(scope="session")
def s3_server() -> Iterator[str]:
    """The address of an S3 server on this machine."""
    server = pytest.importorskip("moto.server")
    pytest.importorskip("s3fs")
    running = server.ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    running.start()
    host, port = running.get_host_and_port()
    yield f"http://{host}:{port}"
    running.stop()
