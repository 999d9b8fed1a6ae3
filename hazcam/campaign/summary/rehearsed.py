"""Conditions of a campaign outside those rehearsed: those that differ by a number only are one."""

from __future__ import annotations

import re
from dataclasses import dataclass

from hazcam.campaign.summary.against import Rows

# The first number of a condition is what was found, those behind it are what was rehearsed.
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")


@dataclass(frozen=True, kw_only=True)
class NotRehearsed:
    """A condition outside those rehearsed.

    Attributes
    ----------
    condition : str
        In words, with all that was found of it: ``rover tilted by 9.1 to 12.0° (rehearsed: ...)``.
    pairs : tuple of str
        Ids of the pairs that have it.
    """

    condition: str
    pairs: tuple[str, ...]


def not_rehearsed(assessments: Rows) -> tuple[NotRehearsed, ...]:
    """The conditions outside those rehearsed, those of the most pairs first.

    Parameters
    ----------
    assessments : structured array
        The table of this name.
    """
    kinds: dict[str, list[tuple[str, str]]] = {}
    for pair, text in zip(assessments["pair"].tolist(),
                          assessments["outside_rehearsed"].tolist(), strict=True):
        for condition in text.split("; ") if text else ():
            number = _NUMBER.search(condition)
            kinds.setdefault(_NUMBER.sub("\0", condition, count=1), []).append(
                (pair, number.group() if number else ""))
    found = (NotRehearsed(condition=kind.replace("\0", _span([number for _, number in having])),
                          pairs=tuple(pair for pair, _ in having))
             for kind, having in kinds.items())
    return tuple(sorted(found, key=lambda c: (-len(c.pairs), c.condition)))


def _span(numbers: list[str]) -> str:
    """The least and the greatest, as they were written."""
    if not numbers[0]:
        return ""
    low, high = min(numbers, key=float), max(numbers, key=float)
    return low if low == high else f"{low} to {high}"
