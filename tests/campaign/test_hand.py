from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hazcam.campaign.work.hand import Hand, HandDiedError, HandFaultError, LetGoError, OverdueError
from tests.campaign import tasks

LONG_S = 60.0


@pytest.fixture(scope="module")
def hand() -> Iterator[Hand]:
    hand = Hand()
    yield hand
    hand.close()


def is_running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def wait_until_gone(pid: int) -> None:
    until = time.monotonic() + 20
    while is_running(pid):
        assert time.monotonic() < until, "the process is still there"
        time.sleep(0.05)


def test_one_process_does_task_after_task(hand: Hand) -> None:
    assert [hand.do(tasks.square, n, LONG_S) for n in (2, 3)] == [4, 9]
    first = hand.do(tasks.pid, None, LONG_S)
    assert first == hand.do(tasks.pid, None, LONG_S) == hand.pid != os.getpid()


def test_what_a_library_prints_does_not_disturb_the_answer(hand: Hand) -> None:
    assert hand.do(tasks.printing, None, LONG_S) == "said"
    assert hand.do(tasks.square, 5, LONG_S) == 25


def test_a_hand_uses_one_thread(hand: Hand) -> None:
    assert hand.do(tasks.threads, None, LONG_S) == (1, 1, "1")


def test_what_the_function_raises_comes_back_in_words_and_the_hand_lives_on(hand: Hand) -> None:
    with pytest.raises(HandFaultError, match="ZeroDivisionError: by hand"):
        hand.do(tasks.raising, None, LONG_S)
    assert hand.do(tasks.square, 6, LONG_S) == 36


def test_a_task_that_takes_too_long_is_ended_and_the_next_one_done(hand: Hand) -> None:
    pid = hand.do(tasks.pid, None, LONG_S)
    with pytest.raises(OverdueError, match=r"longer than 0\.3 s"):
        hand.do(tasks.sleeping, 600.0, 0.3)
    wait_until_gone(pid)
    assert hand.do(tasks.square, 7, LONG_S) == 49


def test_a_killed_process_is_noticed_with_its_signal(hand: Hand) -> None:
    with pytest.raises(HandDiedError, match="signal SIGKILL"):
        hand.do(tasks.killed, None, LONG_S)
    assert hand.do(tasks.square, 8, LONG_S) == 64


def test_last_words_of_a_process_that_ends_are_told(hand: Hand) -> None:
    with pytest.raises(HandDiedError, match=r"exit status 3\): out of something"):
        hand.do(tasks.leaving, "first\nout of something\n", LONG_S)


def test_a_signal_without_a_name_is_told_by_its_number(hand: Hand) -> None:
    with pytest.raises(HandDiedError, match="signal 40"):
        hand.do(tasks.signalled, 40, LONG_S)


def test_a_process_short_of_memory_counts_as_ended(hand: Hand) -> None:
    with pytest.raises(HandDiedError, match="out of memory"):
        hand.do(tasks.short_of_memory, None, LONG_S)


def test_a_hand_killed_between_two_tasks_is_noticed_by_the_next(hand: Hand) -> None:
    pid = hand.do(tasks.pid, None, LONG_S)
    os.kill(pid, signal.SIGKILL)
    wait_until_gone(pid)
    with pytest.raises(HandDiedError):
        hand.do(tasks.square, 2, LONG_S)
    assert hand.do(tasks.square, 9, LONG_S) == 81


def test_a_hand_given_up_from_another_thread_says_so() -> None:
    hand = Hand()
    pid = hand.do(tasks.pid, None, LONG_S)
    threading.Timer(0.3, hand.give_up).start()
    with pytest.raises(LetGoError):
        hand.do(tasks.sleeping, 600.0, LONG_S)
    wait_until_gone(pid)


@pytest.mark.parametrize("task", [
    "hand.do(tasks.sleeping, 600.0, 600)",
    "hand.do(tasks.holding_the_interpreter, None, 1.5)",
])
def test_a_hand_ends_when_its_holder_is_killed(task: str) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c",
         "from hazcam.campaign.work import hand as module; from tests.campaign import tasks\n"
         "hand = module.Hand(); print(hand.do(tasks.pid, None, 60), flush=True)\n" + task],
        stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    pid = int(holder.stdout.readline())
    assert is_running(pid)
    holder.kill()
    holder.wait()
    holder.stdout.close()
    wait_until_gone(pid)  # though its task would take ten minutes
