"""What went wrong, in words on standard error: no traceback for what a user can mend."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

import click

from hazcam.errors import HazcamError

INTERRUPTED = 130  # as a shell reports a program that Ctrl-C ended: 128 + SIGINT
TERMINATED = 143  # 128 + SIGTERM, by which a batch system ends a job


class TerminatedError(KeyboardInterrupt):
    """The system asked the program to end: to be treated like Ctrl-C."""


@contextmanager
def termination_like_ctrl_c() -> Iterator[None]:
    """Let SIGTERM raise TerminatedError, so that what is open is closed."""
    def end(_signal: int, _frame: object) -> None:
        raise TerminatedError

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def status_of(error: KeyboardInterrupt) -> int:
    """The exit status of a program that was ended so."""
    return TERMINATED if isinstance(error, TerminatedError) else INTERRUPTED


@contextmanager
def user_errors() -> Iterator[None]:
    """Turn a HazcamError into a message and exit status 1; Ctrl-C into exit status 130."""
    try:
        yield
    except KeyboardInterrupt as error:
        click.echo("interrupted", err=True)
        raise click.exceptions.Exit(status_of(error)) from error
    except HazcamError as error:
        raise click.ClickException(str(error)) from error


@contextmanager
def opencv_guard() -> Iterator[None]:
    """Say in one line what to install where OpenCV cannot be loaded; exit status 1."""
    try:
        yield
    except ImportError as error:
        text = str(error)
        if "cannot open shared object file" in text:
            raise click.ClickException(
                f"OpenCV lacks a system library ({text.split(':')[0]}): on Debian or Ubuntu run "
                "`apt-get install libgl1 libglib2.0-0`, or in the virtual environment "
                "`pip install opencv-python-headless`, which gives the same module"
            ) from error
        if error.name == "cv2":
            raise click.ClickException(
                "OpenCV is not installed: run `pip install opencv-python`"
            ) from error
        raise


@contextmanager
def cache_guard() -> Iterator[None]:
    """Say what to set where numba finds no folder for what it compiles; exit status 1."""
    try:
        yield
    except RuntimeError as error:
        if "no locator available" not in str(error):
            raise
        raise click.ClickException(
            "compiled loops cannot be kept: neither the folder of hazcam nor the user's cache can "
            "be written to\n  remedy: set NUMBA_CACHE_DIR to a folder that can be written to"
        ) from error
