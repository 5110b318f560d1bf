"""One cluster of a scheduler and two workers for the tests that leave it whole."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("distributed")

from tests.cluster.machines import Machines, machines


@pytest.fixture(scope="session")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    with machines(tmp_path_factory.mktemp("cluster"), 2) as cluster:
        yield cluster
