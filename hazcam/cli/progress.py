"""What is going on, on standard error: a bar while many are done, a line before a wait."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import click
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

from hazcam.warm import on_compiling

T = TypeVar("T")

_COMPILING = ("compiling the loops of matcher and terrain, once on this machine (about half a "
              "minute) ...")


def with_progress(items: Iterable[T], total: int, what: str) -> Iterator[T]:
    """Yield the items while a bar counts them; where nobody watches, only the last line is left."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TextColumn("elapsed"),
               TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(what, total=total)
        for item in items:
            yield item
            bar.advance(task)


class Count:
    """A bar with rate, time left and failures so far; counts what is done.

    Attributes
    ----------
    done, failed : int
        So far.
    """

    def __init__(self, bar: Progress, total: int, what: str, failed: int) -> None:
        self.done = 0
        self.failed = failed
        self._bar = bar
        self._task = bar.add_task(what, total=total, rate="", failed=failed)

    def add(self, *, failed: bool) -> None:
        """One more is done."""
        self.done += 1
        self.failed += failed
        speed = self._bar.tasks[self._task].speed
        self._bar.update(self._task, advance=1, failed=self.failed,
                         rate="" if speed is None else f"{speed:.2g} pairs/s")


@contextmanager
def counting(total: int, what: str, failed: int) -> Iterator[Count]:
    """Show a bar while pairs are done, some of which may fail; ``failed`` did so before."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(),
               TextColumn("{task.fields[rate]}"), TextColumn("left"), TimeRemainingColumn(),
               TextColumn("{task.fields[failed]} failed"))
    with Progress(*columns, console=Console(stderr=True)) as bar:
        yield Count(bar, total, what, failed)


@contextmanager
def saying_what_is_compiled() -> Iterator[None]:
    """Say once why it takes so long where loops are compiled; nothing where all are cached.

    Raises
    ------
    CacheError
        What was compiled cannot be kept.
    """
    said = False

    def say(loop: str) -> None:
        nonlocal said
        if not said:
            click.echo(_COMPILING, err=True)
        said = True

    with on_compiling(say):
        yield
