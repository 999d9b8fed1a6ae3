"""The worst cases of a rehearsal, to be looked at one by one. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from hazcam.frames import heading_text
from hazcam.scene.rehearsal.record import HeadingRow, SceneScore

MOST_CASES = 12

Mistake = Literal["false-go", "needless ask"]


@dataclass(frozen=True, kw_only=True)
class Case:
    """One heading that was judged wrongly by the matched sensor.

    Attributes
    ----------
    pair, mixture : str
        The scene.
    sun_elevation_deg : float or None
        None where no sun shines. [deg]
    mistake : str
        ``false-go`` or ``needless ask``.
    strip, heading_deg, limit_m, look_ahead_m, clear_m, true_clear_m, assumed_m, observable
        As in ``HeadingRow``.
    ratio : float
        Largest true demand over its limit.
    ideal_verdict : str
        What the ideal sensor says of the same heading; empty if it was not asked.
    reason : str
        What happened, in words.
    """

    pair: str
    mixture: str
    sun_elevation_deg: float | None
    mistake: Mistake
    strip: str
    heading_deg: float
    limit_m: float
    look_ahead_m: float
    clear_m: float
    true_clear_m: float
    assumed_m: float
    observable: bool
    ratio: float
    ideal_verdict: str
    reason: str


def false_go_cases(scores: Sequence[SceneScore]) -> tuple[Case, ...]:
    """False-gos: the largest ratio first, but one of each scene before a second of any."""
    found = ((-_or(row.ratio, 0.0), score, row) for score in scores for row in score.rows
             if row.sensor == "matched" and row.is_false_go)
    return tuple(_case(score, row, "false-go") for score, row in _picked(found))


def needless_cases(scores: Sequence[SceneScore]) -> tuple[Case, ...]:
    """Needless asks with the smallest true ratio; if there are, only those both cameras see.

    With each heading's own strip: what lies out of view by the default strip alone needs no
    picture. One of each scene before a second of any.
    """
    found = [(_or(row.ratio, math.inf), score, row) for score in scores for row in score.rows
             if row.sensor == "matched" and row.strip == "own" and row.is_needless_ask]
    found = [item for item in found if item[2].observable] or found
    return tuple(_case(score, row, "needless ask") for score, row in _picked(found))


def _or(value: float, instead: float) -> float:
    return instead if math.isnan(value) else value


def _picked(
    found: Iterable[tuple[float, SceneScore, HeadingRow]]
) -> list[tuple[SceneScore, HeadingRow]]:
    """Each heading of a scene once, in order; the first of each scene, then the second, ..."""
    ranked = sorted(found, key=lambda item: (item[0], item[1].pair, _place(item[2])))
    seen: set[tuple[str, float]] = set()
    turns: dict[str, int] = {}
    order: list[tuple[int, int, SceneScore, HeadingRow]] = []
    for _, score, row in ranked:
        if (score.pair, row.heading_deg) in seen:
            continue
        seen.add((score.pair, row.heading_deg))
        turn = turns.get(score.pair, 0)
        turns[score.pair] = turn + 1
        order.append((turn, len(order), score, row))
    order.sort(key=lambda item: item[:2])
    return [(score, row) for _, _, score, row in order[:MOST_CASES]]


def _place(row: HeadingRow) -> tuple[float, float, float, str]:
    return abs(row.heading_deg), row.limit_m, row.look_ahead_m, row.strip


def _case(score: SceneScore, row: HeadingRow, mistake: Mistake) -> Case:
    ideal = [other.verdict for other in score.rows if other.sensor == "ideal"
             and other.strip == row.strip and other.limit_m == row.limit_m
             and other.look_ahead_m == row.look_ahead_m and other.heading_deg == row.heading_deg]
    return Case(
        pair=score.pair, mixture=score.mixture, sun_elevation_deg=score.sun_elevation_deg,
        mistake=mistake, strip=row.strip, heading_deg=row.heading_deg, limit_m=row.limit_m,
        look_ahead_m=row.look_ahead_m, clear_m=row.clear_m, true_clear_m=row.true_clear_m,
        assumed_m=row.assumed_m, observable=row.observable, ratio=row.ratio,
        ideal_verdict=ideal[0] if ideal else "",
        reason=_went(row) if mistake == "false-go" else _asked(row, score.failure),
    )


def _went(row: HeadingRow) -> str:
    size = "" if math.isnan(row.ratio) or row.blocking_kind == "slope" else (
        f" of {row.ratio:.2f} times the limit of {100 * row.limit_m:g} cm")
    return (f"Went {heading_text(row.heading_deg)}, clear for {row.clear_m:.2f} m by its verdict; "
            f"in truth a {row.blocking_kind or 'hazard'}{size} begins {row.true_clear_m:.2f} m "
            "from the nose.")


def _asked(row: HeadingRow, failure: str) -> str:
    truth = ("the largest true demand is not known" if math.isnan(row.ratio) else
             f"the largest true demand is {row.ratio:.2f} of its limit")
    why = f"could not be assessed: {failure}" if failure else f"{row.cause or 'no cause said'}"
    seen = "both cameras see its way" if row.observable else "part of its way is out of view"
    return (f"Asked {heading_text(row.heading_deg)} ({why}) after {row.clear_m:.2f} m; in truth "
            f"{truth} at {100 * row.limit_m:g} cm over {row.look_ahead_m:g} m, and {seen}.")
