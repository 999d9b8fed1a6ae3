"""Why the verdict of a heading is not what it was: the input that explains it, or what was found.

What the runs were told otherwise of the pair itself (attitude, window, ...) comes first: it moves
all that is measured. The side that asks names its first cause. If what that cause demands exceeds
its own limit and would pass under a laxer limit or confidence of the other side, these explain the
change; so does a look-ahead that ends before it. A measured demand that keeps its own limit asks
because all demands are too likely together: no single limit explains that. Else something else was
found of the same pictures: the cause itself says what. The demands of a heading that is go are not
asked for: where a limit *and* the ground as it was mapped changed, the limit is named if it is
enough.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from scipy.special import ndtri

from hazcam.campaign.difference.inputs import Rows, Tables
from hazcam.verdict.record import LIMIT_OF, MEASURED

RIG, STEREO, ATTITUDE = "the rig check", "stereo", "the attitude"
TOGETHER = "all demands together"
_OF_THE_PAIR = {"rig not checked": RIG, "rig no longer matches its calibration": RIG,
                "no stereo": STEREO, "attitude unknown": ATTITUDE}
# Unseen runs are held against what the legs bridge; what may be hidden against what they clear.
_LIMITS = {"unseen run": ("gap",), "hidden obstacle": ("step", "belly"),
           **{name: (LIMIT_OF.get(name, name),) for name in MEASURED}}


@dataclass(frozen=True, kw_only=True)
class HeadingState:
    """The answer for one heading, as in the table ``headings``; NaN where there is no number."""

    verdict: str
    clear_m: float
    cause: str
    reason: str
    at_m: float
    demand: float
    sigma: float
    limit: float
    unit: str

    @property
    def first(self) -> str:
        """The first cause, and why ground was not seen."""
        return f"{self.cause} ({self.reason})" if self.reason else self.cause


@dataclass(frozen=True, kw_only=True)
class Judged:
    """With what a pair was judged: the limits by name, and the settings as in a record."""

    limits: Mapping[str, float]
    settings: Mapping[str, Any]

    def limit_of(self, cause: str) -> float:
        """The limit that a cause is held against."""
        return min(self.limits[name] for name in _LIMITS[cause])


def judged_by_pair(run: Tables) -> dict[str, Judged]:
    """With what each pair of a run was judged, by its id."""
    limits = {digest: {name: float(limit["value"])
                       for name, limit in json.loads(text)["limits"].items()}
              for digest, text in _texts(run.table("rovers"))}
    settings = {digest: json.loads(text) for digest, text in _texts(run.table("settings"))}
    assessments = run.table("assessments", columns=("pair", "rover", "settings"))
    made: dict[tuple[str, str], Judged] = {}
    found = {}
    for pair, rover, setting in zip(*(assessments[name].tolist() for name in
                                      ("pair", "rover", "settings")), strict=True):
        key = (rover, setting)
        if key not in made:
            made[key] = Judged(limits=limits[rover], settings=settings[setting])
        found[pair] = made[key]
    return found


def _texts(table: Rows) -> zip[tuple[str, str]]:
    return zip(table["digest"].tolist(), table["json"].tolist(), strict=True)


def why(
    asking: HeadingState, its: Judged, other: Judged, differing: Sequence[str] = ()
) -> str:
    """What explains that one side asks at a heading and the other does not, in a few words.

    Parameters
    ----------
    asking : HeadingState
        The side that asks, or the one whose cause comes first.
    its, other : Judged
        With what that side was judged, and the other.
    differing : sequence of str
        What the two runs were told otherwise of the pair.
    """
    by_settings = _by_settings(asking, its, other)
    if differing:
        told = " and ".join(differing)
        return f"{told}, or {by_settings}" if by_settings else told
    return by_settings or _found(asking, its)


def _by_settings(asking: HeadingState, its: Judged, other: Judged) -> str:
    """What of settings and limits is enough; empty if nothing is."""
    if asking.cause in _OF_THE_PAIR:
        return ""
    ahead = other.settings.get("look_ahead_m")
    if ahead is not None and asking.at_m > ahead:
        return "the look-ahead"
    passed = _passed(asking, its, other)
    if passed:
        return passed
    if asking.cause == "outside view" and _strip(its) != _strip(other):
        return "the near strip"
    return ""


def _found(asking: HeadingState, its: Judged) -> str:
    """What was found, where no setting explains it."""
    if asking.cause in _OF_THE_PAIR:
        return _OF_THE_PAIR[asking.cause]
    if asking.cause in MEASURED:
        return TOGETHER if _keeps_its_own(asking, its) else f"what was measured: {asking.cause}"
    return f"what was seen: {asking.first}"


def _passed(asking: HeadingState, its: Judged, other: Judged) -> str:
    """What of the other side is laxer and lets the demand pass; empty if nothing is."""
    new, old = other.settings.get("confidence"), its.settings.get("confidence")
    if (asking.cause not in _LIMITS or new is None or old is None
            or _keeps_its_own(asking, its)):
        return ""
    limit, old_limit = other.limit_of(asking.cause), its.limit_of(asking.cause)
    by_limit = f"the limit of {' and '.join(_LIMITS[asking.cause])}"
    if limit > old_limit and _passes(asking, limit, old):
        return by_limit
    if not new < old or not _passes(asking, limit, new):
        return ""
    return f"{by_limit} and the confidence" if limit > old_limit else "the confidence"


def _keeps_its_own(asking: HeadingState, its: Judged) -> bool:
    """The demand passes on the side that asks: its own limit is not why it asks."""
    confidence = its.settings.get("confidence")
    return confidence is not None and _passes(asking, asking.limit, confidence)


def _passes(asking: HeadingState, limit: float, confidence: float) -> bool:
    """Never, where a demand, or the sigma of a measured one, is no number."""
    sigma = asking.sigma
    if asking.cause not in MEASURED and math.isnan(sigma):
        sigma = 0.0
    return asking.demand + _sigmas(confidence) * sigma <= limit


@cache
def _sigmas(confidence: float) -> float:
    return float(ndtri(confidence))


def _strip(judged: Judged) -> tuple[Any, Any]:
    return judged.settings.get("near_strip"), judged.settings.get("near_strip_max_m")
