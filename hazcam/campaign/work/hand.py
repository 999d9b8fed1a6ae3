"""A hand: one process beside this one that does one task after the other, and may die of one.

Whoever holds it waits in a thread. A task that takes too long is ended with its process; one that
takes its process down is noticed at once; neither costs the holder anything, so that the same holds
in the local pool and in a worker of a cluster, whose own process must not die. The hand uses one
thread for compiled loops, OpenCV and linear algebra. It ends by itself when its holder is gone.

Run as a program, this file is the hand: it reads pickled tasks from standard input and writes
pickled answers to what was standard output; what a library prints goes to standard error.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import IO, Any, TypeVar

T = TypeVar("T")
A = TypeVar("A")

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS",
               "VECLIB_MAXIMUM_THREADS")
# Workers of Dask give freed memory back at once, which makes work on large arrays half as fast.
_NOT_FOR_HANDS = frozenset({"MALLOC_TRIM_THRESHOLD_"})
_LENGTH_BYTES = 8
_CLOSING_S = 5.0
# A slow disk and a busy machine may need long to load the code.
_START_S = 120.0
# After this long over its limit a task ends itself, if nobody is there to end it.
_GRACE_S = 5.0
_NO_MEMORY = 12  # exit status, as the system's number for it
_LAST_WORDS_BYTES = 2000


class HandDiedError(Exception):
    """The process ended before it answered; the text says how."""


class OverdueError(Exception):
    """The task took longer than it may, and was ended."""


class LetGoError(Exception):
    """The holder gave the hand up while it was at work."""


class HandFaultError(Exception):
    """The function raised something; the text says what."""


class Hand:
    """A process that does tasks; started with the first one."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._errors: IO[bytes] | None = None
        self._given_up = False

    @property
    def pid(self) -> int | None:
        """Of the process; None where none runs."""
        return None if self._process is None else self._process.pid

    def do(self, function: Callable[[A], T], argument: A, limit_s: float) -> T:
        """Let the process call ``function(argument)`` and return what it returned.

        Parameters
        ----------
        function : callable
            Of a module, which is imported there.
        argument
            What can be pickled.
        limit_s : float
            How long it may take. [s]

        Raises
        ------
        OverdueError
            It took longer; the process is gone, the next task gets a new one.
        HandDiedError
            The process ended by itself, or was killed.
        LetGoError
            ``give_up`` was called.
        HandFaultError
            The function raised something there.
        """
        if self._process is None:
            self._process = self._start()
            # The task's clock starts when its code has been loaded.
            self._exchange(_be_ready, function, max(limit_s, _START_S))
        answer: T = self._exchange(function, argument, limit_s)  # what the function returned
        return answer

    def _exchange(self, function: Callable[[Any], Any], argument: object, limit_s: float) -> Any:
        """Hand a task over and wait for its answer."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        overdue = threading.Event()
        watch = threading.Timer(limit_s, _end, (process, overdue))
        watch.daemon = True
        watch.start()
        try:
            _send(process.stdin, (function, argument, limit_s))
            good, answer = _receive(process.stdout)
        except (EOFError, OSError) as error:
            words = self._last_words(process)
            self.close()
            if self._given_up:
                raise LetGoError from error
            if overdue.is_set():
                raise OverdueError(f"took longer than {limit_s:g} s") from error
            raise HandDiedError(words) from error
        finally:
            watch.cancel()
        if not good:
            raise HandFaultError(answer)
        return answer

    def give_up(self) -> None:
        """End the process at once; from any thread, also while another one waits for it."""
        self._given_up = True
        process = self._process
        if process is not None:
            process.kill()

    def close(self) -> None:
        """End the process, if there is one; not while another thread waits for it."""
        process, self._process = self._process, None
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            with suppress(OSError):
                assert pipe is not None
                pipe.close()
        try:
            process.wait(_CLOSING_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if self._errors is not None:
            self._errors.close()

    def _start(self) -> subprocess.Popen[bytes]:
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115  # open as long as the process
        return subprocess.Popen(
            [sys.executable, "-m", "hazcam.campaign.work.hand"], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=self._errors,
            # what can be imported here can be imported there
            env={**{k: v for k, v in os.environ.items() if k not in _NOT_FOR_HANDS},
                 **dict.fromkeys(_ONE_THREAD, "1"),
                 "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)})

    def _last_words(self, process: subprocess.Popen[bytes]) -> str:
        """How the process ended, and the last line that it wrote."""
        try:
            code = process.wait(_CLOSING_S)
        except subprocess.TimeoutExpired:
            return "its process no longer answered"
        how = f"exit status {code}" if code >= 0 else f"signal {_name_of(-code)}"
        how = "out of memory" if code == _NO_MEMORY else how
        assert self._errors is not None
        self._errors.seek(max(self._errors.seek(0, os.SEEK_END) - _LAST_WORDS_BYTES, 0))
        lines = self._errors.read().decode(errors="replace").strip().splitlines()
        return f"its process ended ({how})" + (f": {lines[-1].strip()}" if lines else "")


def _name_of(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:  # a real-time signal has none
        return str(number)


def _end(process: subprocess.Popen[bytes], overdue: threading.Event) -> None:
    overdue.set()
    process.kill()


# --- both ends ------------------------------------------------------------------------------------


def _send(pipe: IO[bytes], message: Any) -> None:
    data = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.write(len(data).to_bytes(_LENGTH_BYTES, "little"))
    pipe.write(data)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> Any:
    head = pipe.read(_LENGTH_BYTES)
    if len(head) < _LENGTH_BYTES:
        raise EOFError
    size = int.from_bytes(head, "little")
    data = pipe.read(size)
    if len(data) < size:
        raise EOFError
    return pickle.loads(data)  # from the process that this one started, or that started this one


def _be_ready(function: Callable[[Any], Any]) -> None:
    """Do nothing: that the function came along has loaded its code."""


# --- the process itself ---------------------------------------------------------------------------


def _main() -> None:
    # Ctrl-C goes to all processes of a terminal: the holder decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    tasks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(tasks,), daemon=True).start()
    _use_one_thread()
    while True:
        _send(answers, _done(tasks.get()))


def _alarm(seconds: float) -> None:
    """Let the system end this process after so long; 0: not at all.

    The holder ends what is overdue. Where it is gone, the thread that listens notices at once; but
    not while a compiled loop or a search in a text keeps the interpreter to itself.
    """
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)


def _listen(tasks: queue.SimpleQueue[bytes]) -> None:
    """Take tasks in; when the holder is gone, end, whatever is being done."""
    with suppress(EOFError, OSError):
        while True:
            head = sys.stdin.buffer.read(_LENGTH_BYTES)
            if len(head) < _LENGTH_BYTES:
                break
            tasks.put(sys.stdin.buffer.read(int.from_bytes(head, "little")))
    os._exit(0)


def _done(task: bytes) -> tuple[bool, Any]:
    """The answer, or what was raised, in words: an exception may not survive the way."""
    try:
        function, argument, limit_s = pickle.loads(task)
        _alarm(limit_s + _GRACE_S)
        return True, function(argument)
    except MemoryError:
        # As if the system had ended it: what another process holds may be free the next time.
        os._exit(_NO_MEMORY)
    except Exception as error:
        return False, f"{type(error).__name__}: {error}"
    finally:
        _alarm(0)


def _use_one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


if __name__ == "__main__":
    _main()
