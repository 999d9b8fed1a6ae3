"""One thread for all tests here: pictures are small, and test processes share the cores."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from hazcam.cli.threads import limited_threads


@pytest.fixture(scope="package", autouse=True)
def one_thread() -> Iterator[None]:
    """Tests of threads ask for more themselves."""
    with limited_threads(1):
        yield
