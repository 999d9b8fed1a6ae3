"""Our verdicts against others: the rover's own algorithm, and what came of walking."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.verdict.record import MEASURED

Rows = NDArray[Any]
"""A table of a run as a structured array."""
DisagreementKind = Literal["over", "may exceed", "not known", "needless"]
KNOWN_WORDS = ("go", "ask-ground")
Causes = Sequence[Mapping[str, Any]]
"""All causes of a heading, nearest first, as a record has them."""


@dataclass(frozen=True, kw_only=True)
class Ahead:
    """What an assessment says of heading 0: all causes, and the confidence it was judged at."""

    causes: Causes
    confidence: float


@dataclass(frozen=True, kw_only=True)
class Disagreement:
    """A pair of which the rover's own algorithm says otherwise than we do straight ahead.

    Attributes
    ----------
    pair, taken_at, rover : str
        Which; the last two as stated.
    kind : str
        Dangerous: ``over``, it says go, we ask and something measured within the look-ahead is
        over its limit; ``may exceed``, it says go, and something measured is a cause although its
        value keeps the limit (or has no bound), or the tilt that is possible where the attitude is
        not known takes it over its limit, or the chance that any demand exceeds its limit is above
        what the confidence allows. Else ``not known``: it says go, we ask only because the ground,
        or the rig, is not known; ``needless``: it asks, we go.
    onboard_value_m : float
        What it reported. [m] NaN: nothing.
    cause, cause_reason : str
        Of all measured ones the cause that is farthest over its limit, or comes nearest to it;
        else our first; and why ground was not seen. Empty for go.
    at_m, demand, sigma, limit, unit
        Of that cause.
    over_sigmas : float
        How far a measured demand is over its limit, in its standard deviations, below 0 within it;
        NaN where nothing measured is a cause.
    probability : float
        That any demand within the look-ahead exceeds its limit.
    bounded : bool
        Else at least that.
    clear_m : float
        From the nose. [m]
    """

    pair: str
    taken_at: str
    rover: str
    kind: DisagreementKind
    onboard_value_m: float
    cause: str
    cause_reason: str
    at_m: float
    demand: float
    sigma: float
    limit: float
    unit: str
    over_sigmas: float
    probability: float
    bounded: bool
    clear_m: float


@dataclass(frozen=True, kw_only=True)
class Onboard:
    """The rover's own verdicts against ours straight ahead.

    Attributes
    ----------
    both_go, both_ask : int
        Pairs of which both say the same.
    disagreements : tuple of Disagreement
        The dangerous ones first, the farthest over its limit first.
    other_words : tuple of (str, int)
        Verdicts in words that are neither ``go`` nor ``ask-ground``, with how many pairs.
    not_compared : int
        Pairs with such a verdict that have no assessment, or whose heading 0 was not judged.
    """

    both_go: int
    both_ask: int
    disagreements: tuple[Disagreement, ...]
    other_words: tuple[tuple[str, int], ...]
    not_compared: int

    @property
    def compared(self) -> int:
        """How many pairs have both verdicts."""
        return self.both_go + self.both_ask + len(self.disagreements)

    def of_kind(self, kind: DisagreementKind) -> tuple[Disagreement, ...]:
        """Those of one kind, in order."""
        return tuple(d for d in self.disagreements if d.kind == kind)


def onboard_against_ours(
    pairs: Rows, ahead: Rows, ahead_of: Callable[[str], Ahead]
) -> Onboard:
    """Compare the verdicts of the rover's own algorithm with ours.

    Parameters
    ----------
    pairs, ahead : structured array
        Tables ``pairs``, and ``headings`` with heading 0 only.
    ahead_of : callable
        From the id of a pair to what its record says of heading 0. Asked only where the rover says
        go and we ask.
    """
    said = pairs[pairs["onboard_verdict"] != ""]
    words = np.array([word.strip().casefold() for word in said["onboard_verdict"].tolist()],
                     dtype=np.str_)
    known = np.isin(words, KNOWN_WORDS)
    other = Counter(said["onboard_verdict"][~known].tolist())
    place = {id_: i for i, id_ in enumerate(ahead["pair"].tolist())}
    both: Counter[tuple[str, str]] = Counter()
    found = []
    for row, word in zip(said[known], words[known].tolist(), strict=True):
        i = place.get(str(row["pair"]))
        if i is None:
            continue
        ours = str(ahead["verdict"][i])
        both[word, ours] += 1
        if word != ours:
            found.append(_disagreement(row, ahead[i], ahead_of))
    return Onboard(
        both_go=both["go", "go"], both_ask=both["ask-ground", "ask-ground"],
        disagreements=tuple(sorted(found, key=_danger)), other_words=tuple(sorted(other.items())),
        not_compared=int(known.sum()) - sum(both.values()))


def _disagreement(
    pair: Any, heading: Any, ahead_of: Callable[[str], Ahead]
) -> Disagreement:
    id_ = str(pair["pair"])
    cause: Mapping[str, Any] = {}
    kind: DisagreementKind = "needless"
    over = float("nan")
    if heading["verdict"] != "go":
        said = ahead_of(id_)
        measured = [c for c in said.causes if c["kind"] in MEASURED]
        # A bound of the tilt is no measured angle, but says more than ground that was not seen.
        tilts = [c for c in said.causes if c["kind"] == "attitude unknown"]
        cause = max(measured, key=_over, default=[*tilts, *said.causes][0])
        over = _over(cause) if measured else over
        kind = _kind(measured, tilts, float(heading["probability"]), said.confidence)
    return Disagreement(
        pair=id_, taken_at=str(pair["taken_at"]), rover=str(pair["rover"]), kind=kind,
        onboard_value_m=float(pair["onboard_value_m"]), cause=cause.get("kind", ""),
        cause_reason=cause.get("reason", ""), at_m=_number(cause, "at_m"),
        demand=_number(cause, "demand"), sigma=_number(cause, "sigma"),
        limit=_number(cause, "limit"), unit=cause.get("unit", ""), over_sigmas=over,
        probability=float(heading["probability"]), bounded=bool(heading["bounded"]),
        clear_m=float(heading["clear_m"]))


def _kind(
    measured: Causes, tilts: Causes, probability: float, confidence: float
) -> DisagreementKind:
    """Of a pair of which the rover says go and we ask."""
    if any(_number(cause, "demand") > _number(cause, "limit") for cause in measured):
        return "over"
    # With room for rounding: what the verdict allows is no reason to call a pair dangerous.
    if measured or tilts or probability > 1 - confidence + 1e-9:
        return "may exceed"
    return "not known"


def _number(cause: Mapping[str, Any], key: str) -> float:
    value = cause.get(key)
    return float("nan") if value is None else float(value)


def _over(cause: Mapping[str, Any]) -> float:
    """In sigmas; a measured demand without a bound, or over without sigma, is farthest over."""
    demand, sigma = _number(cause, "demand"), _number(cause, "sigma")
    beyond = demand - float(cause["limit"])
    if sigma > 0 and np.isfinite(beyond):
        return beyond / sigma
    return float("-inf") if beyond <= 0 else float("inf")


_KINDS: tuple[DisagreementKind, ...] = ("over", "may exceed", "not known", "needless")


def _danger(d: Disagreement) -> tuple[int, float, float, str]:
    """Least first: by kind, then how far over the limit, then how likely over one at all."""
    over = 0.0 if d.kind == "needless" or np.isnan(d.over_sigmas) else d.over_sigmas
    probability = 1.0 if np.isnan(d.probability) else d.probability
    return _KINDS.index(d.kind), -over, -probability, d.pair


@dataclass(frozen=True, kw_only=True)
class Walk:
    """A pair of which someone let the rover walk.

    Attributes
    ----------
    pair, outcome : str
        Which, and what came of it.
    heading_deg : float
        That was walked. [deg]
    verdict : str
        Ours of that heading; empty where that very heading was not judged.
    clear_m : float
        From the nose, as we said. [m]
    cause, cause_reason : str
        Our first cause.
    why_not_judged : str
        Why there is no verdict: what was found when the pair failed, or
        that it, or this heading, was not judged.
    """

    pair: str
    outcome: str
    heading_deg: float
    verdict: str
    clear_m: float
    cause: str
    cause_reason: str
    why_not_judged: str

    @property
    def climbed(self) -> bool:
        """It went well."""
        return self.outcome == "climbed"


def walks_of(pairs: Rows, headings: Rows, failures: Rows) -> tuple[Walk, ...]:
    """What came of walking, each beside our verdict; those that were go and went wrong first.

    Parameters
    ----------
    pairs, headings, failures : structured array
        The tables of these names.
    """
    walked = pairs[(pairs["walked_outcome"] != "") & np.isfinite(pairs["walked_heading_deg"])]
    if not len(walked):
        return ()
    near = headings[np.isin(headings["pair"], walked["pair"])]
    place = {(id_, round(deg, 6)): i for i, (id_, deg) in
             enumerate(zip(near["pair"].tolist(), near["heading_deg"].tolist(), strict=True))}
    failed = {str(f["pair"]): str(f["found"]) for f in failures}
    assessed = set(near["pair"].tolist())
    found = []
    for row in walked:
        heading = float(row["walked_heading_deg"])
        i = place.get((str(row["pair"]), round(heading, 6)))
        ours = None if i is None else near[i]
        found.append(Walk(
            pair=str(row["pair"]), outcome=str(row["walked_outcome"]), heading_deg=heading,
            verdict="" if ours is None else str(ours["verdict"]),
            clear_m=float("nan") if ours is None else float(ours["clear_m"]),
            cause="" if ours is None else str(ours["cause"]),
            cause_reason="" if ours is None else str(ours["cause_reason"]),
            why_not_judged="" if ours is not None else failed.get(
                str(row["pair"]), "this heading was not judged" if str(row["pair"]) in assessed
                else "not tried yet")))
    return tuple(sorted(found, key=lambda w: (_walk_rank(w), w.pair)))


def _walk_rank(walk: Walk) -> int:
    """Went wrong on a go or unjudged, then went well on an ask or unjudged, then both agree."""
    order = (("go", False), ("", False), ("ask-ground", True), ("", True), ("ask-ground", False),
             ("go", True))
    return order.index((walk.verdict, walk.climbed))
