"""A bar with what is done, the rate and the time left, on standard error."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

T = TypeVar("T")


def with_progress(items: Iterable[T], total: int, what: str) -> Iterator[T]:
    """Yield the items while a bar counts them; where nobody watches, only the last line is left."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TextColumn("elapsed"),
               TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(what, total=total)
        for item in items:
            yield item
            bar.advance(task)
