"""Two runs of the same pairs: which verdicts differ, and why.

Pairs are compared by their id; one whose pictures are others in the second run is named and left
out, for then it is not the settings that changed. Of each heading that both judged, one change at
most is told: the verdict, else the first cause, else the clear distance where it moved by more than
``CLEAR_MOVED_M``. From ask-ground to go comes first: that is where a mistake is dangerous.

Headings of one pair hang together, and are not counted as trials: the exact sign test [1]_ asks
whether as many *pairs* changed one way as the other. Pairs of one place hang together as well, so
that its probability is the least that may be believed.

References
----------
.. [1] A. Agresti, Categorical Data Analysis, Wiley, 1990, section 10.1 (McNemar's test); exact as
   in ``hazcam.statistics.mcnemar_exact``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.difference.inputs import InputDifference, Rows, Tables, input_differences
from hazcam.campaign.difference.pair_inputs import PairInputs, counted_inputs, differing_inputs
from hazcam.campaign.difference.why import HeadingState, Judged, judged_by_pair, why
from hazcam.statistics import mcnemar_exact

CLEAR_MOVED_M = 0.05
"""How far a clear distance must move to be told: less than a foothold."""

ChangeKind = Literal["ask to go", "go to ask", "other cause", "clear distance"]
KINDS: tuple[ChangeKind, ...] = ("ask to go", "go to ask", "other cause", "clear distance")

# What is read of some tables; the rest may be long.
_ASSESSED = ("pair", "pictures")
_FAILED = ("pair", "kind", "place", "found")
_A_PAIR = 1_000_000_000  # from the key of a heading to that of the same one of the next pair
_STATE = ("verdict", "clear_m", "cause", "cause_reason", "cause_at_m", "cause_demand",
          "cause_sigma", "cause_limit", "cause_unit")


@dataclass(frozen=True, kw_only=True)
class HeadingChange:
    """A heading of which the second run says otherwise than the first.

    Attributes
    ----------
    pair, rover, site : str
        Which pair; its rover and site as the second run has them, empty where it has none.
    heading_deg : float
        Positive to the left. [deg]
    kind : str
        One of ``KINDS``.
    why : str
        What explains it: see ``difference.why``.
    a, b : HeadingState
        In the first run and in the second.
    """

    pair: str
    rover: str
    site: str
    heading_deg: float
    kind: ChangeKind
    why: str
    a: HeadingState
    b: HeadingState


@dataclass(frozen=True, kw_only=True)
class PairCounts:
    """Pairs by their verdict in the first run and in the second.

    ``probability`` is that of the exact two-sided sign test: how likely so uneven a split, or a
    more uneven one, is where a change either way is as likely. 1 where none changed.
    """

    both_go: int
    both_ask: int
    ask_to_go: int
    go_to_ask: int

    @property
    def probability(self) -> float:
        """See above."""
        return mcnemar_exact(self.ask_to_go, self.go_to_ask)


@dataclass(frozen=True, kw_only=True)
class ReasonCount:
    """Changes of one kind and one reason: of how many headings, of how many pairs."""

    kind: ChangeKind
    why: str
    headings: int
    pairs: int


@dataclass(frozen=True, kw_only=True)
class PlaceCount:
    """Changes of one rover at one site: headings by their kind, and of how many pairs."""

    rover: str
    site: str
    headings: Mapping[ChangeKind, int]
    pairs: int


@dataclass(frozen=True, kw_only=True)
class RunDifference:
    """What differs between two runs.

    Attributes
    ----------
    inputs : tuple of InputDifference
        With what they were made.
    pair_inputs : tuple of PairInputs
        What they were told otherwise of single pairs.
    compared : tuple of str
        Ids of the pairs that both assessed, from the same pictures.
    in_common : int
        How many ids both runs know.
    only_a, only_b : tuple of str
        Ids of the pairs that the other run does not know.
    not_tried_a, not_tried_b : tuple of str
        Ids that both know, of which that run has neither an assessment nor a failure yet.
    failed_a, failed_b : mapping of str to str
        Why a pair failed in that run that the other one assessed.
    failed_both : tuple of str
        Ids that failed in both.
    other_pictures : tuple of str
        Ids whose pictures are others in the second run; not compared.
    headings : int
        That both judged.
    headings_only_a, headings_only_b : int
        That only one of them judged, of the pairs compared.
    pairs_other_headings : int
        Pairs compared of which the two judged other headings.
    any_heading, ahead : PairCounts
        Pairs compared, by whether any of the headings that both judged is go, and by heading 0.
    changes : tuple of HeadingChange
        By kind in the order of ``KINDS``, then by pair and heading.
    reasons : tuple of ReasonCount
        The same, counted; by kind, the most frequent reason first.
    places : tuple of PlaceCount
        The same, counted by rover and site.
    """

    inputs: tuple[InputDifference, ...]
    pair_inputs: tuple[PairInputs, ...]
    compared: tuple[str, ...]
    in_common: int
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]
    not_tried_a: tuple[str, ...]
    not_tried_b: tuple[str, ...]
    failed_a: Mapping[str, str]
    failed_b: Mapping[str, str]
    failed_both: tuple[str, ...]
    other_pictures: tuple[str, ...]
    headings: int
    headings_only_a: int
    headings_only_b: int
    pairs_other_headings: int
    any_heading: PairCounts
    ahead: PairCounts
    changes: tuple[HeadingChange, ...]
    reasons: tuple[ReasonCount, ...]
    places: tuple[PlaceCount, ...]


def compare_runs(a: Tables, b: Tables) -> RunDifference:
    """What differs between two runs.

    Parameters
    ----------
    a, b : Run
        From ``open_run``; whatever has ``about`` and ``table``. Runs without a pair in common are
        compared as well: nothing is ``compared`` then.
    """
    assessed_a, assessed_b = (
        _by_pair(run.table("assessments", columns=_ASSESSED)) for run in (a, b))
    pairs_a, pairs_b = (
        _by_pair(run.table("pairs", columns=("pair", "site"))) for run in (a, b))
    failures_a, failures_b = (
        _failures(run.table("failures", columns=_FAILED)) for run in (a, b))
    both = [pair for pair in assessed_a if pair in assessed_b]
    other = tuple(p for p in both if assessed_a[p]["pictures"] != assessed_b[p]["pictures"])
    compared = tuple(p for p in both if p not in set(other))
    known = [pair for pair in pairs_a if pair in pairs_b]
    headings_a, headings_b = (
        run.table("headings", columns=("pair", "heading_deg", *_STATE)) for run in (a, b))
    headings = _Headings(headings_a, headings_b, compared)
    changed = headings.changed_pairs()
    told = differing_inputs(a, b, compared, changed)
    changes = _sorted(headings.changes(judged_by_pair(a), judged_by_pair(b), _places(b, pairs_b),
                                       told))
    return RunDifference(
        inputs=input_differences(a, b),
        pair_inputs=counted_inputs(told, len(compared), len(changed)),
        compared=compared, in_common=len(known),
        only_a=tuple(p for p in pairs_a if p not in pairs_b),
        only_b=tuple(p for p in pairs_b if p not in pairs_a),
        not_tried_a=tuple(p for p in known if p not in assessed_a and p not in failures_a),
        not_tried_b=tuple(p for p in known if p not in assessed_b and p not in failures_b),
        failed_a={p: failures_a[p] for p in failures_a if p in assessed_b},
        failed_b={p: failures_b[p] for p in failures_b if p in assessed_a},
        failed_both=tuple(p for p in failures_a if p in failures_b),
        other_pictures=other, headings=len(headings.a), headings_only_a=headings.only_a,
        headings_only_b=headings.only_b, pairs_other_headings=headings.pairs_other,
        any_heading=headings.any_go(), ahead=headings.ahead(),
        changes=changes, reasons=_reasons(changes), places=_place_counts(changes))


def _by_pair(table: Rows) -> dict[str, np.void]:
    return dict(zip(table["pair"].tolist(), table, strict=True))


def _failures(table: Rows) -> dict[str, str]:
    return {str(row["pair"]): f"{row['kind']}: {row['place']}: {row['found']}" for row in table}


def _places(run: Tables, pairs: Mapping[str, np.void]) -> dict[str, tuple[str, str]]:
    """Rover and site of each pair of a run."""
    names = dict(zip(*(run.table("rovers", columns=("digest", "name"))[c].tolist()
                       for c in ("digest", "name")), strict=True))
    assessments = run.table("assessments", columns=("pair", "rover"))
    return {pair: (names[rover], str(pairs[pair]["site"])) for pair, rover in
            zip(assessments["pair"].tolist(), assessments["rover"].tolist(), strict=True)}


class _Headings:
    """The headings that both runs judged, row beside row.

    ``only_a`` and ``only_b``: how many only one judged; ``pairs_other``: of how many pairs.
    """

    def __init__(self, a: Rows, b: Rows, compared: tuple[str, ...]) -> None:
        place = {pair: i for i, pair in enumerate(compared)}
        keys_a, rows_a = _keys(a, place)
        keys_b, rows_b = _keys(b, place)
        both, at_a, at_b = np.intersect1d(keys_a, keys_b, assume_unique=True, return_indices=True)
        self.a, self.b = rows_a[at_a], rows_b[at_b]
        self._pair = both // _A_PAIR
        self.only_a, self.only_b = len(rows_a) - len(at_a), len(rows_b) - len(at_b)
        other = np.setxor1d(keys_a, keys_b, assume_unique=True)
        self.pairs_other = len(np.unique(other // _A_PAIR))

    def any_go(self) -> PairCounts:
        """Pairs by whether any heading that both judged is go."""
        count = int(self._pair.max(initial=-1)) + 1
        judged = np.bincount(self._pair, minlength=count) > 0
        return _counts(*(np.bincount(self._pair[rows["verdict"] == "go"], minlength=count)[judged]
                         > 0 for rows in (self.a, self.b)))

    def ahead(self) -> PairCounts:
        """Pairs by heading 0."""
        ahead = self.a["heading_deg"] == 0
        return _counts(*(rows["verdict"][ahead] == "go" for rows in (self.a, self.b)))

    def changed_pairs(self) -> tuple[str, ...]:
        """Ids of the pairs of which any heading is told of."""
        return tuple(np.unique(self.a["pair"][_kinds(self.a, self.b) >= 0]).tolist())

    def changes(
        self, judged_a: Mapping[str, Judged], judged_b: Mapping[str, Judged],
        places: Mapping[str, tuple[str, str]], told_otherwise: Mapping[str, Sequence[str]],
    ) -> Iterator[HeadingChange]:
        """Each heading that is told of."""
        kinds = _kinds(self.a, self.b)
        told = kinds >= 0
        a, b = self.a[told], self.b[told]
        for pair, heading, number, state_a, state_b in zip(
                a["pair"].tolist(), a["heading_deg"].tolist(), kinds[told].tolist(), _states(a),
                _states(b), strict=True):
            kind, (rover, site) = KINDS[number], places[pair]
            yield HeadingChange(
                pair=pair, rover=rover, site=site, heading_deg=heading, kind=kind, a=state_a,
                b=state_b, why=_why(kind, state_a, state_b, judged_a[pair], judged_b[pair],
                                    told_otherwise.get(pair, ())))


def _counts(go_a: NDArray[np.bool_], go_b: NDArray[np.bool_]) -> PairCounts:
    """Pairs by the verdict of each run, (N,)."""
    seen = Counter(zip(go_a.tolist(), go_b.tolist(), strict=True))
    return PairCounts(both_go=seen[True, True], both_ask=seen[False, False],
                      ask_to_go=seen[False, True], go_to_ask=seen[True, False])


def _keys(table: Rows, place: Mapping[str, int]) -> tuple[NDArray[np.int64], Rows]:
    """One number for pair and heading, in steps of a millionth of a degree, and the rows."""
    number = np.array([place.get(pair, -1) for pair in table["pair"].tolist()], dtype=np.int64)
    kept = number >= 0
    micro = np.round((table["heading_deg"][kept] + 180.0) * 1e6).astype(np.int64)
    return number[kept] * _A_PAIR + micro, table[kept]


def _kinds(a: Rows, b: Rows) -> NDArray[np.int64]:
    """Place in ``KINDS`` of what changed, -1 for nothing, (N,)."""
    go_a, go_b = a["verdict"] == "go", b["verdict"] == "go"
    cause = (a["cause"] != b["cause"]) | (a["cause_reason"] != b["cause_reason"])
    moved = np.abs(a["clear_m"] - b["clear_m"]) > CLEAR_MOVED_M
    return np.select([~go_a & go_b, go_a & ~go_b, cause, moved], [0, 1, 2, 3], default=-1)


def _states(rows: Rows) -> Iterator[HeadingState]:
    for verdict, clear_m, cause, reason, at_m, demand, sigma, limit, unit in (
            rows[list(_STATE)].tolist()):
        yield HeadingState(verdict=verdict, clear_m=clear_m, cause=cause, reason=reason, at_m=at_m,
                           demand=demand, sigma=sigma, limit=limit, unit=unit)


def _why(
    kind: ChangeKind, a: HeadingState, b: HeadingState, judged_a: Judged, judged_b: Judged,
    differing: Sequence[str],
) -> str:
    """In the words of the side that asks; where both do, of the one whose cause comes first."""
    if kind in ("other cause", "clear distance") and not a.cause:
        return "the look-ahead"  # go in both: only that moves how far
    earlier_a = a.clear_m < b.clear_m or (a.clear_m == b.clear_m and a.at_m <= b.at_m)
    if kind == "ask to go" or (kind != "go to ask" and earlier_a):
        return why(a, judged_a, judged_b, differing)
    return why(b, judged_b, judged_a, differing)


def _sorted(changes: Iterator[HeadingChange]) -> tuple[HeadingChange, ...]:
    return tuple(sorted(changes, key=lambda c: (KINDS.index(c.kind), c.pair, c.heading_deg)))


def _reasons(changes: tuple[HeadingChange, ...]) -> tuple[ReasonCount, ...]:
    pairs: dict[tuple[ChangeKind, str], list[str]] = {}
    for c in changes:
        pairs.setdefault((c.kind, c.why), []).append(c.pair)
    counts = [ReasonCount(kind=kind, why=reason, headings=len(ids), pairs=len(set(ids)))
              for (kind, reason), ids in pairs.items()]
    return tuple(sorted(counts, key=lambda r: (KINDS.index(r.kind), -r.headings, r.why)))


def _place_counts(changes: tuple[HeadingChange, ...]) -> tuple[PlaceCount, ...]:
    of_place: dict[tuple[str, str], list[HeadingChange]] = {}
    for c in changes:
        of_place.setdefault((c.rover, c.site), []).append(c)
    return tuple(PlaceCount(rover=rover, site=site, pairs=len({c.pair for c in of_place[key]}),
                            headings={k: sum(c.kind == k for c in of_place[key]) for k in KINDS})
                 for key in sorted(of_place) for rover, site in [key])
