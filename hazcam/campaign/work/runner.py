"""The campaign at work: pairs are handed out, answers come back, each is recorded once.

Only as many pairs are held as are being worked on, however many there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import islice
from typing import Protocol, TypeVar

from hazcam.campaign.record import FailureKind, PairEntry, PairFailure, Row
from hazcam.campaign.store.insert import UnfitRowError
from hazcam.campaign.store.writer import Store
from hazcam.campaign.work.executors import (
    MOST_TRIES,
    ClusterError,
    Handed,
    Task,
    Workforce,
    by_hand,
)
from hazcam.campaign.work.hand import HandFaultError

# So many tasks wait for each that is being done: the next one is there before the answer is read.
_WAITING_PER_SLOT = 1

Answer = PairEntry | PairFailure


class NamedWork(Protocol):
    """What a task is made from; only its id is looked at here."""

    @property
    def id(self) -> str:
        """Of the pair."""


W = TypeVar("W", bound=NamedWork)


@dataclass(frozen=True, kw_only=True, eq=False)
class Answered:
    """An answer, with the row of the table ``timings`` that belongs to it."""

    answer: Answer
    timings: Row


def work_off(
    store: Store, found: Iterable[Answered], tell: Callable[[Answer], None]
) -> None:
    """Record every answer as soon as it is there, then tell of it.

    Raises
    ------
    OutputError
        No space left, or the run cannot be written: what was recorded before is kept.
    ClusterError
        The cluster was lost.
    """
    for answered in found:
        answer = answered.answer
        if isinstance(answer, PairEntry):
            try:
                store.add(answer)
            except UnfitRowError as error:
                answer = _failure(answer.id, "fault", str(error))
        if isinstance(answer, PairFailure):
            store.fail(answer, answered.timings)
        tell(answer)


def answers(
    work: Iterable[W], function: Callable[[W], Answer], force: Workforce, limit_s: float
) -> Iterator[Answered]:
    """Do all work; yield each answer as soon as it is there.

    Parameters
    ----------
    work : iterable of W
        Taken from as there is room, never all at once.
    function : callable
        Of a module; runs in other processes. It answers with a failure where its input is at
        fault; what it raises is a fault of the program.
    force : Workforce
        From ``local_pool`` or ``dask_cluster``.
    limit_s : float
        How long one pair may take. [s]

    Raises
    ------
    ClusterError
        The cluster was lost.
    """
    waiting: dict[Future[Handed[Answer]], W] = {}
    left = iter(work)
    room = force.slots * (1 + _WAITING_PER_SLOT)
    while True:
        for one in islice(left, room - len(waiting)):
            task: Task[W, Answer] = Task(function=function, argument=one, limit_s=limit_s)
            waiting[force.executor.submit(by_hand, task)] = one
        if not waiting:
            return
        done, _ = wait(waiting, return_when=FIRST_COMPLETED)
        for future in done:
            yield _answered(future, waiting.pop(future).id, force)


def _answered(future: Future[Handed[Answer]], id_: str, force: Workforce) -> Answered:
    """The answer of a future; what kept it from coming is an answer too."""
    try:
        handed = future.result()
    except HandFaultError as error:
        handed = Handed(answer=_failure(id_, "fault", str(error)))
    except (CancelledError, OSError) as error:
        raise _lost(force, error) from error
    except Exception as error:
        # What the cluster itself makes of a worker that died again and again.
        if type(error).__name__ != "KilledWorker":
            raise _lost(force, error) from error
        handed = Handed(answer=None, trouble="worker died", tries=MOST_TRIES,
                        text="the workers of the cluster that it was given to died")
    answer = handed.answer or _no_answer(id_, handed)
    timings = dict(answer.timings) if isinstance(answer, PairEntry) else {}
    timings |= {"pair": id_, "finished_at": datetime.now(UTC).isoformat(timespec="milliseconds"),
                "tries": handed.tries, "handed_s": handed.handed_s}
    if isinstance(answer, PairEntry):
        answer = replace(answer, timings=timings)
    return Answered(answer=answer, timings=timings)


def _lost(force: Workforce, error: BaseException) -> ClusterError:
    words = (str(error) or type(error).__name__).splitlines()[0]
    return ClusterError(force.name, f"was lost: {words}", "workers that go on working",
                        "what was recorded is kept; give the same command again, and it goes on")


def _no_answer(id_: str, handed: Handed[Answer]) -> PairFailure:
    if handed.trouble == "time limit":
        return _failure(id_, "time limit", handed.text)
    return _failure(id_, "worker died", f"{handed.text}, {handed.tries} times in a row")


_EXPECTED: dict[FailureKind, tuple[str, str]] = {
    "time limit": ("an assessment within the time limit",
                   "look at the pair by `hazcam assess`, or give a longer --time-limit-s with "
                   "--retry-failed"),
    "worker died": ("an assessment",
                    "see whether memory was short (fewer --workers), then give --retry-failed"),
    "fault": ("an assessment or a clear error", "a fault in hazcam: please report it"),
}


def _failure(id_: str, kind: FailureKind, found: str) -> PairFailure:
    expected, remedy = _EXPECTED[kind]
    return PairFailure(id=id_, kind=kind, where=id_, found=found, expected=expected, remedy=remedy)
