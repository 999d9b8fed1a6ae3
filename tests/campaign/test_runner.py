from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from hazcam.campaign.record import PairEntry, PairFailure
from hazcam.campaign.work.executors import (
    MOST_TRIES,
    ClusterError,
    Task,
    Workforce,
    by_hand,
    local_pool,
)
from hazcam.campaign.work.runner import Answered, answers
from tests.campaign import tasks
from tests.campaign.tasks import Errand

LONG_S = 60.0


@pytest.fixture(scope="module")
def force() -> Iterator[Workforce]:
    with local_pool(2) as force:
        yield force


def done(work: list[Errand], force: Workforce, limit_s: float = LONG_S) -> dict[str, Answered]:
    found: dict[str, Answered] = {}
    for answered in answers(iter(work), tasks.errand, force, limit_s):
        assert answered.answer.id not in found
        found[answered.answer.id] = answered
    return found


def test_every_pair_is_answered_once_with_its_timings(force: Workforce) -> None:
    found = done([Errand(f"pair-{n}") for n in range(25)], force)
    assert len(found) == 25
    for id_, answered in found.items():
        assert isinstance(answered.answer, PairEntry)
        assert answered.answer.timings == answered.timings
        assert answered.timings["pair"] == id_
        assert answered.timings["tries"] == 1
        assert answered.timings["assess_s"] == 0.5


def test_pairs_that_fail_raise_hang_or_kill_cost_only_themselves(force: Workforce) -> None:
    hows = ["well", "badly", "raises", "killed", "hangs", "well", "well"]
    found = done([Errand(f"{how}-{n}", how) for n, how in enumerate(hows)], force, limit_s=4.0)
    kinds = {id_: a.answer.kind for id_, a in found.items() if isinstance(a.answer, PairFailure)}
    assert kinds == {"badly-1": "failed", "raises-2": "fault", "killed-3": "worker died",
                     "hangs-4": "time limit"}
    texts = {id_: a.answer.text for id_, a in found.items() if isinstance(a.answer, PairFailure)}
    assert "RuntimeError: not foreseen" in texts["raises-2"]
    assert f"signal SIGKILL), {MOST_TRIES} times in a row" in texts["killed-3"]
    assert "longer than 4 s" in texts["hangs-4"]
    assert "--retry-failed" in texts["hangs-4"]
    assert found["killed-3"].timings["tries"] == MOST_TRIES


def test_a_task_whose_process_is_killed_from_outside_is_begun_anew(
    tmp_path: Path, force: Workforce
) -> None:
    task: Task[str, int] = Task(function=tasks.killed_until, argument=str(tmp_path),
                                limit_s=LONG_S)
    handed = force.executor.submit(by_hand, task).result()
    assert (handed.answer, handed.tries, handed.trouble) == (3, 3, "")


def test_no_more_is_taken_than_is_worked_on(force: Workforce) -> None:
    taken = 0

    def work() -> Iterator[Errand]:
        nonlocal taken
        for n in range(40):
            taken += 1
            yield Errand(f"pair-{n}")

    for count, _ in enumerate(answers(work(), tasks.errand, force, LONG_S), start=1):
        assert taken <= count + 2 * force.slots


def test_closing_the_pool_ends_tasks_at_work() -> None:
    with local_pool(1) as force:
        future = force.executor.submit(by_hand, Task(function=tasks.pid, argument=None,
                                                     limit_s=LONG_S))
        future.result()
        slow = force.executor.submit(by_hand, Task(function=tasks.sleeping, argument=600.0,
                                                   limit_s=600.0))
    assert slow.done()
    assert slow.cancelled() or slow.exception() is not None


class _Broken(ThreadPoolExecutor):
    """An executor whose futures end with some error."""

    def __init__(self, error: BaseException) -> None:
        super().__init__(1)
        self._error = error

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_exception(self._error)
        return future


class KilledWorker(Exception):  # noqa: N818  # as the cluster names it
    pass


def test_a_lost_cluster_stops_and_says_that_the_command_goes_on() -> None:
    force = Workforce(executor=_Broken(ConnectionError("closed")), slots=2, name="the cluster x")
    with pytest.raises(ClusterError, match=r"the cluster x: was lost: closed(.|\n)*goes on"):
        done([Errand("a")], force)


def test_a_pair_that_kills_workers_of_a_cluster_is_recorded() -> None:
    force = Workforce(executor=_Broken(KilledWorker("worker")), slots=2, name="the cluster x")
    answer = done([Errand("a")], force)["a"].answer
    assert isinstance(answer, PairFailure)
    assert answer.kind == "worker died"
