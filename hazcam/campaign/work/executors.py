"""Who does the tasks of a campaign: a pool on this machine, or a running Dask cluster.

Both are used through the interface of ``concurrent.futures``, by the same code. Each of their
threads holds a hand (``campaign/work/hand.py``), the process that does the work.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from hazcam.campaign.work.hand import Hand, HandDiedError, OverdueError
from hazcam.errors import HazcamError
from hazcam.versions import versions

A = TypeVar("A")
T = TypeVar("T")

# A process that was killed from outside (an operator, the system short of memory) says nothing
# about the task: it is begun anew. What takes three processes down takes down the fourth.
MOST_TRIES = 3
# An address that nobody answers at.
_CONNECT_S = 10.0


class ClusterError(HazcamError):
    """A cluster that cannot be used."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Workforce:
    """Who does the tasks.

    Attributes
    ----------
    executor : Executor
        Of ``concurrent.futures``.
    slots : int
        How many tasks are done at a time.
    name : str
        In words.
    """

    executor: Executor
    slots: int
    name: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Handed(Generic[T]):
    """What came of a task.

    Attributes
    ----------
    answer : object or None
        What the function returned; None where it came to none.
    trouble : str
        Why there is no answer: ``time limit`` or ``worker died``; empty where there is one.
    text : str
        The same in words.
    tries : int
        How often it was begun.
    handed_s : float
        From the first beginning to the end, at the worker. [s]
    """

    answer: T | None
    trouble: str = ""
    text: str = ""
    tries: int = 1
    handed_s: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Task(Generic[A, T]):
    """A call to be made in a hand: ``function(argument)``, within ``limit_s``."""

    function: Callable[[A], T]
    argument: A
    limit_s: float


_MINE = threading.local()
_HANDS: set[Hand] = set()
_HANDS_LOCK = threading.Lock()


def by_hand(task: Task[A, T]) -> Handed[T]:
    """Do a task in the hand of this thread; begun anew where the hand dies of something else.

    Raises
    ------
    HandFaultError
        The function raised something.
    LetGoError
        The pool was closed meanwhile.
    """
    begun = time.perf_counter()
    text = ""
    for tries in range(1, MOST_TRIES + 1):
        try:
            answer = _my_hand().do(task.function, task.argument, task.limit_s)
        except OverdueError as error:
            return Handed(answer=None, trouble="time limit", text=str(error), tries=tries,
                          handed_s=time.perf_counter() - begun)
        except HandDiedError as error:
            text = str(error)
        else:
            return Handed(answer=answer, tries=tries, handed_s=time.perf_counter() - begun)
    return Handed(answer=None, trouble="worker died", text=text, tries=MOST_TRIES,
                  handed_s=time.perf_counter() - begun)


def _my_hand() -> Hand:
    hand: Hand | None = getattr(_MINE, "hand", None)
    with _HANDS_LOCK:
        if hand is None or hand not in _HANDS:
            hand = _MINE.hand = Hand()
            _HANDS.add(hand)
    return hand


def let_go() -> None:
    """End all hands of this process, also those at work."""
    _give_up_all()


def _give_up_all() -> list[Hand]:
    with _HANDS_LOCK:
        hands = list(_HANDS)
        _HANDS.clear()
    for hand in hands:
        hand.give_up()
    return hands


@contextmanager
def local_pool(workers: int) -> Iterator[Workforce]:
    """So many processes on this machine, each of one thread."""
    executor = ThreadPoolExecutor(workers, thread_name_prefix="hand")
    try:
        yield Workforce(executor=executor, slots=workers,
                        name=f"{workers} process{'' if workers == 1 else 'es'}")
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        hands = _give_up_all()
        executor.shutdown(wait=True)
        for hand in hands:
            hand.close()


@contextmanager
def dask_cluster(address: str, folder: Path) -> Iterator[Workforce]:
    """The workers of a running Dask scheduler.

    Parameters
    ----------
    address : str
        As ``tcp://host:8786``.
    folder : Path
        That every worker must see under the same path: where the pictures are.

    Raises
    ------
    ClusterError
        Dask is not installed, nobody answers, there is no worker, or a worker has another hazcam or
        does not see the folder.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError("--cluster", "Dask is not installed", "the package dask[distributed]",
                           "pip install 'hazcam[cluster]'") from error
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ClusterError(address, f"no scheduler answers: {_first_line(error)}",
                           "the address of a running Dask scheduler, as tcp://host:8786",
                           "start one with `dask scheduler`, or leave --cluster out") from error
    try:
        slots = sum(client.nthreads().values())
        if not slots:
            raise ClusterError(address, "the scheduler has no worker", "one at least",
                               f"start one with `dask worker {address}`")
        _check_workers(client.run(_what_it_has, str(folder)), address, folder)
        client.run(let_go)  # of a run that was killed
        yield Workforce(executor=client.get_executor(pure=False), slots=slots,
                        name=f"{slots} thread{'' if slots == 1 else 's'} of the cluster {address}")
    finally:
        with suppress(OSError, RuntimeError):  # a cluster that is gone has no hands either
            client.run(let_go)
        client.close()


def _what_it_has(folder: str) -> tuple[dict[str, str], bool]:
    """Runs at a worker: what its numbers depend on, and whether it sees a folder."""
    return versions(), Path(folder).is_dir()


def _check_workers(
    found: dict[str, tuple[dict[str, str], bool]], address: str, folder: Path
) -> None:
    """Refuse workers that would give other records, or none."""
    here = versions()
    for worker, (there, sees) in found.items():
        other = [f"{name} {there.get(name)} instead of {version}"
                 for name, version in here.items() if there.get(name) != version]
        if other:
            raise ClusterError(f"worker {worker}", f"has {', '.join(other)}",
                               "what this machine has: records of two kinds must not mix",
                               "install the same versions there")
        if not sees:
            raise ClusterError(f"worker {worker}", f"does not see {folder}",
                               "the folder of the manifest, under the same path, on every machine",
                               f"mount it there, or leave --cluster {address} out")


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
