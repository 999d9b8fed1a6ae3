"""``hazcam warm-up``: compile every loop that an assessment runs, before it is needed."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from hazcam.cli.errors import user_errors
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.warm import CacheError, WarmUp
from hazcam.warm import warm_up as compile_loops


@click.command()
def warm_up() -> None:
    r"""Compile what an assessment runs, so that the first one need not wait.

    Loops of matcher and terrain are compiled for this kind of processor on first use, and kept in
    the first folder that may be written to: NUMBA_CACHE_DIR if that is set, else beside the code,
    else the user's own cache. Later runs load them from there.

    Such a folder must be one that hazcam may write to when it runs, too: one that it may only read
    is passed over. In an image, run it as the user who will run hazcam. On a
    cluster, run it once for each kind of processor, with a folder that all nodes see; look at the
    folder that it prints:

    \b
      NUMBA_CACHE_DIR=$HOME/hazcam-loops hazcam warm-up

    Exit status: 0 all compiled, now or before; 1 the folder cannot be written; 130 interrupted.
    """
    with user_errors():
        begun = time.perf_counter()
        with saying_what_is_compiled():
            done = compile_loops()
        _check_place(done)
        seconds = time.perf_counter() - begun
    if done.compiled:
        click.echo(f"compiled {done.compiled} loops for {done.processor} in {seconds:.0f} s; "
                   "they are kept in")
    else:
        click.echo(f"nothing to compile for {done.processor}: all loops are kept in")
    for folder in done.folders:
        click.echo(f"  {folder}")


def _check_place(done: WarmUp) -> None:
    """Raise CacheError where the folder that was asked for was passed over."""
    wanted = os.environ.get("NUMBA_CACHE_DIR")
    if not wanted:
        return
    asked = Path(wanted).resolve()
    other = [folder for folder in done.folders if not folder.resolve().is_relative_to(asked)]
    if other:
        raise CacheError(
            f"NUMBA_CACHE_DIR={wanted}", f"was passed over: the loops are kept in {other[0]}",
            "a folder that can be made and written to",
            "correct the name or its permissions, then run `hazcam warm-up` again",
        )
