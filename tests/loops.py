"""Loops that numba has not compiled yet."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba


def uncompiled_loop(module: str = "hazcam.made.up") -> Callable[[Any], Any]:
    """A new one on each call; it passes for one of this module, and is kept in no cache."""

    def double(value: Any) -> Any:
        return value + value

    double.__module__ = module
    compiled: Callable[[Any], Any] = numba.njit(double)
    return compiled
