"""Counting pairs by rover, day and site: what became of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.summary.against import Rows
from hazcam.campaign.summary.course import DAY_NOT_STATED, Integers, day_of

SITE_NOT_STATED, ROVER_NOT_STATED = "site not stated", "rover not stated"
Tables = Mapping[str, Rows]


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How many pairs, and what became of them.

    Attributes
    ----------
    name : str
        Of the group: a rover, a day, a site, or ``all``.
    pairs, assessed, failed : int
        In the manifest; of them with an assessment; with a failure.
    usable : int
        Assessed, and nothing speaks against the whole pair.
    ahead_go, ahead_ask : int
        Verdicts straight ahead; the other assessed pairs were not judged there.
    any_go : int
        Pairs of which some heading is go.
    headings, headings_go : int
        Judged, and of them go.
    """

    name: str
    pairs: int
    assessed: int
    failed: int
    usable: int
    ahead_go: int
    ahead_ask: int
    any_go: int
    headings: int
    headings_go: int

    @property
    def waiting(self) -> int:
        """Pairs that have neither an assessment nor a failure yet."""
        return self.pairs - self.assessed - self.failed

    @property
    def ahead_not_judged(self) -> int:
        """Assessed pairs without a verdict straight ahead."""
        return self.assessed - self.ahead_go - self.ahead_ask

    @property
    def none_go(self) -> int:
        """Assessed pairs of which no heading is go."""
        return self.assessed - self.any_go


def no_pairs() -> Tally:
    """The tally of a run without a pair."""
    return Tally(name="all", pairs=0, assessed=0, failed=0, usable=0, ahead_go=0, ahead_ask=0,
                 any_go=0, headings=0, headings_go=0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Groups:
    """The pairs of a run by rover, day and site, and what became of each.

    Attributes
    ----------
    rover, day, site : ndarray of shape (N,)
        Of each row of the table ``pairs``: the rover that was assessed for, else as stated.
    counts : mapping of str to ndarray of shape (N,)
        Of each row, what adds up to a ``Tally``.
    index : mapping of str to int
        Row by id of the pair.
    """

    rover: NDArray[Any]
    day: NDArray[Any]
    site: NDArray[Any]
    counts: Mapping[str, Integers]
    index: Mapping[str, int]

    @classmethod
    def of(cls, tables: Tables) -> Groups:
        """Group the pairs of a run; raises as ``summarise``."""
        pairs, found = tables["pairs"], tables["assessments"]
        index = {id_: i for i, id_ in enumerate(pairs["pair"].tolist())}
        at = _places(index, found["pair"])
        rover = np.array([text or ROVER_NOT_STATED for text in pairs["rover"].tolist()],
                         dtype=object)
        names = named(tables["rovers"])
        rover[at] = [names[digest] for digest in found["rover"].tolist()]
        days = [day_of(text) for text in pairs["taken_at"].tolist()]
        sites = [text or SITE_NOT_STATED for text in pairs["site"].tolist()]
        return cls(rover=rover.astype(np.str_), day=np.array(days, dtype=np.str_),
                   site=np.array(sites, dtype=np.str_), index=index,
                   counts=_counts(len(pairs), at, found,
                                  _places(index, tables["failures"]["pair"])))

    def rows_of(self, ids: NDArray[Any]) -> Integers:
        """Rows of the table ``pairs`` of some pairs."""
        return _places(self.index, ids)

    def tallies(self, labels: NDArray[Any]) -> tuple[Tally, ...]:
        """Add up what became of the pairs of each label."""
        names, group = np.unique(labels, return_inverse=True)
        sums = {key: np.bincount(group, weights=value, minlength=len(names)).astype(int).tolist()
                for key, value in self.counts.items()}
        last = (DAY_NOT_STATED, SITE_NOT_STATED, ROVER_NOT_STATED)
        order = sorted(range(len(names)), key=lambda i: (str(names[i]) in last, str(names[i])))
        return tuple(Tally(name=str(names[i]), **{key: sums[key][i] for key in sums})
                     for i in order)


def named(table: Rows) -> dict[str, str]:
    """Names by digest, of rovers or rigs; with the digest where two have one name."""
    names, digests = table["name"].tolist(), table["digest"].tolist()
    alike = Counter(names)
    return {digest: name if alike[name] == 1 else f"{name} ({digest[:8]})"
            for name, digest in zip(names, digests, strict=True)}


def _places(index: Mapping[str, int], ids: NDArray[Any]) -> Integers:
    try:
        return np.array([index[id_] for id_ in ids.tolist()], dtype=np.int64)
    except KeyError as error:
        raise ValueError(f"pair {error} is not in the table pairs") from error


def _counts(pairs: int, at: Integers, found: Rows, failed: Integers) -> dict[str, Integers]:
    spread = {"assessed": 1, "usable": found["usable"], "ahead_go": found["verdict_ahead"] == "go",
              "ahead_ask": found["verdict_ahead"] == "ask-ground",
              "any_go": found["headings_go"] > 0, "headings": found["headings"],
              "headings_go": found["headings_go"]}
    counts = {key: np.zeros(pairs, dtype=np.int64) for key in spread}
    for key, value in spread.items():
        counts[key][at] = value
    counts |= {"pairs": np.ones(pairs, dtype=np.int64), "failed": np.zeros(pairs, dtype=np.int64)}
    counts["failed"][failed] = 1
    return counts
