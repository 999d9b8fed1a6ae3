from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hazcam.campaign.record import PairEntry, PairFailure
from hazcam.campaign.work import executors
from hazcam.campaign.work.executors import (
    ClusterError,
    Task,
    Workforce,
    by_hand,
    dask_cluster,
    local_pool,
)
from hazcam.campaign.work.runner import answers
from hazcam.versions import versions
from tests.campaign import tasks
from tests.campaign.driver import prepare, record
from tests.campaign.tasks import Errand
from tests.campaign.test_kills import rows

LONG_S = 60.0


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0",
                      host="127.0.0.1", silence_logs=50) as cluster:
        yield cluster


@pytest.fixture(scope="module")
def force(cluster: Any) -> Iterator[Workforce]:
    with dask_cluster(cluster.scheduler_address, Path.cwd()) as force:
        yield force


def test_pairs_are_done_by_the_cluster_like_by_the_local_pool(force: Workforce) -> None:
    hows = ["well", "badly", "raises", "killed", "hangs", *["well"] * 10]
    work = [Errand(f"{how}-{n}", how) for n, how in enumerate(hows)]
    found = {a.answer.id: a for a in answers(work, tasks.errand, force, 4.0)}
    assert len(found) == len(work)
    kinds = {id_: a.answer.kind for id_, a in found.items() if isinstance(a.answer, PairFailure)}
    assert kinds == {"badly-1": "failed", "raises-2": "fault", "killed-3": "worker died",
                     "hangs-4": "time limit"}
    assert sum(isinstance(a.answer, PairEntry) for a in found.values()) == 11


def test_the_same_pair_twice_is_done_twice(force: Workforce, tmp_path: Path) -> None:
    for _ in range(2):
        assert len(list(answers([Errand("a", where=str(tmp_path))], tasks.errand, force,
                                LONG_S))) == 1
    assert len(list(tmp_path.iterdir())) == 2


def test_a_worker_of_the_cluster_that_is_killed_costs_no_pair(
    cluster: Any, force: Workforce
) -> None:
    work = [Errand(f"pair-{n}") for n in range(12)]
    found = []
    for count, answered in enumerate(answers(iter(work), tasks.errand, force, LONG_S)):
        if count == 2:
            os.kill(cluster.workers[0].pid, signal.SIGKILL)
        found.append(answered.answer)
    assert sorted(a.id for a in found) == sorted(w.id for w in work)
    assert all(isinstance(a, PairEntry) for a in found)


def test_a_run_of_the_cluster_has_the_rows_of_one_of_the_local_pool(
    force: Workforce, tmp_path: Path
) -> None:
    prepare(tmp_path, pairs=30)
    with local_pool(2) as pool:
        for name, workers in (("local", pool), ("cluster", force)):
            record(tmp_path / name, workers)
    assert rows(tmp_path / "local") == rows(tmp_path / "cluster")


def test_hands_of_the_cluster_use_one_thread(force: Workforce) -> None:
    task: Task[None, tuple[int, int, str]] = Task(function=tasks.threads, argument=None,
                                                  limit_s=LONG_S)
    assert force.executor.submit(by_hand, task).result().answer == (1, 1, "1")


def test_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(executors, "_CONNECT_S", 0.3)
    with (pytest.raises(ClusterError, match=r"tcp://127\.0\.0\.1:1: no scheduler answers"),
          dask_cluster("tcp://127.0.0.1:1", Path.cwd())):
        pass


def test_an_address_that_is_none() -> None:
    with (pytest.raises(ClusterError, match=r"tcp://host:8786"),
          dask_cluster("nonsense://", Path.cwd())):
        pass


def test_workers_that_do_not_see_the_pictures(cluster: Any) -> None:
    with (pytest.raises(ClusterError, match="does not see /nowhere"),
          dask_cluster(cluster.scheduler_address, Path("/nowhere"))):
        pass


def test_workers_with_other_versions(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    here = {**versions(), "numpy": "0.1"}
    monkeypatch.setattr(executors, "versions", lambda: here)
    with (pytest.raises(ClusterError, match=r"has numpy \S+ instead of 0\.1"),
          dask_cluster(cluster.scheduler_address, Path.cwd())):
        pass


def test_a_scheduler_without_workers(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import Client

    monkeypatch.setattr(Client, "nthreads", lambda self: {})
    with (pytest.raises(ClusterError, match="the scheduler has no worker"),
          dask_cluster(cluster.scheduler_address, Path.cwd())):
        pass


def test_dask_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with (pytest.raises(ClusterError, match=r"pip install 'hazcam\[cluster\]'"),
          dask_cluster("tcp://127.0.0.1:1", Path.cwd())):
        pass
