"""A whole run judged again: other limits from the gists, another rover from the stored ground."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.rover import RoverProfile, with_limits
from hazcam.rover.profile import Limits
from hazcam.settings import Settings
from hazcam.stored import Judgement, StoredDemands, judge_terrain
from hazcam.verdict import HeadingDemand, decide
from hazcam.verdict.gist import GO, UNDECIDED, Gists, join_gists, judge_gists

# Pairs that are judged at once, and lots of them that may wait: some 20 MB each.
_AT_ONCE, _THREADS = 256, 2
_VERDICTS = np.array(["ask-ground", "go"])

_Key = tuple[str, str]
_Asking = TypeVar("_Asking")
_Found = TypeVar("_Found")
Verdicts = NDArray[np.int8]


@dataclass(frozen=True, kw_only=True, eq=False)
class RunJudgement:
    """The verdicts of a run, as they were and as they are now.

    Attributes
    ----------
    headings : structured ndarray of shape (n,)
        ``pair``, ``heading_deg``, ``before`` and ``after``: ``go`` or ``ask-ground``, ``before``
        empty where the heading was not judged then. In the order of the pairs' ids.
    pairs : int
        How many pairs they are of.
    without_ground : int
        Pairs that were assessed without stereo, and ask whatever the limits.
    undecided : int
        Headings that the gists left to the full demands.
    """

    headings: NDArray[np.void]
    pairs: int
    without_ground: int
    undecided: int = 0

    @property
    def flipped(self) -> NDArray[np.void]:
        """The headings whose verdict is another one now."""
        known = self.headings["before"] != ""
        other = self.headings["before"] != self.headings["after"]
        return np.asarray(self.headings[known & other])


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What the pairs of one rover and settings are held against, before and now."""

    before: tuple[Limits, float]
    after: tuple[Limits, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lot:
    """Some pairs that are judged at once, and what came of them, one number a heading."""

    ids: tuple[str, ...]
    asked: _Asked
    count: NDArray[np.int64]
    heading_deg: NDArray[np.float64]
    before: Verdicts
    after: Verdicts


def judge_run(
    run: Run, limits: Mapping[str, float], confidence: float | None = None
) -> RunJudgement:
    """Hold the stored demands of all pairs against other limits.

    ``before`` is what they say with the limits and the confidence of the assessment.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    limits : mapping of str to float
        Limits to set, in m or deg; the others are those of each pair's rover.
    confidence : float, optional
        With which a demand must lie under its limit; by default that of each pair.

    Raises
    ------
    RoverError
        A limit that one of the rovers could not have.
    HazcamError
        A gist that is damaged.
    ValueError
        A confidence that is not between 0.5 and 1.
    """
    keys = keys_of(run)
    found = list(each_lot(run, keys, lambda store: _asked(store, limits, confidence), _judge))
    undecided = sum(int(np.sum(lot.after == UNDECIDED)) for lot in found)
    pairs = sum(len(lot.ids) for lot in found)
    return RunJudgement(headings=_table([_decided(run, lot) for lot in found]), pairs=pairs,
                        without_ground=len(keys) - pairs, undecided=undecided)


def rejudge_run(
    run: Run, *, rover: RoverProfile | None = None,
    limits: Mapping[str, float] | None = None, margin_m: float | None = None,
    settings: Callable[[Settings], Settings] | None = None,
) -> Iterator[Judgement]:
    """Take the demands of each pair from its stored ground anew, and judge them.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    rover : RoverProfile, optional
        With its own limits and margin; by default that of each pair.
    limits, margin_m : optional
        Set on top of the rover's.
    settings : callable, optional
        Gives of the settings of a pair those to judge it with, such as ``lambda stored:
        replace(stored, look_ahead_m=1.5)``; what it raises goes through.

    Yields
    ------
    Judgement
        Of each pair with ground, in the order of their ids.

    Raises
    ------
    RoverError
        A limit or margin that one of the rovers could not have.
    """
    for id_ in run.table("terrains")["pair"]:
        store = run.terrain(str(id_))
        yield judge_terrain(
            store, rover=with_limits(rover or store.rover, limits or {}, margin_m=margin_m),
            settings=store.settings if settings is None else settings(store.settings))


def against_before(run: Run, judgements: Iterable[Judgement]) -> RunJudgement:
    """Compare what ``rejudge_run`` gives with the verdicts that the run holds."""
    told = run.table("headings")
    before = dict(zip(zip(told["pair"].tolist(), told["heading_deg"].tolist(), strict=True),
                      told["verdict"].tolist(), strict=True))
    rows, pairs = [], 0
    for judgement in judgements:
        pairs += 1
        rows += [(judgement.store.id, v.heading_deg,
                  before.get((judgement.store.id, v.heading_deg), ""), v.verdict)
                 for v in judgement.verdicts]
    headings = np.array(rows, dtype=_dtype([row[0] for row in rows]))
    return RunJudgement(headings=headings, pairs=pairs,
                        without_ground=len(run.table("assessments")) - pairs)


# --- lot by lot -----------------------------------------------------------------------------------


def keys_of(run: Run) -> dict[str, _Key]:
    """Digests of rover and settings of each pair that was assessed, by its id."""
    return {str(row["pair"]): (str(row["rover"]), str(row["settings"]))
            for row in run.table("assessments", columns=("pair", "rover", "settings"))}


def each_lot(
    run: Run, keys: Mapping[str, _Key], ask: Callable[[StoredDemands], _Asking],
    judge: Callable[[tuple[str, ...], Gists, _Asking], _Found],
) -> Iterator[_Found]:
    """Judge the gists of a run lot by lot, in two threads, while the next lot is read.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    keys : mapping
        From ``keys_of``: pairs that were recorded since are left out.
    ask : callable
        Gives of the first pair of a rover and settings what all of their pairs are asked.
    judge : callable
        Called in a thread, with the ids of some pairs of the same rover and settings, their gists,
        and what ``ask`` gave.

    Yields
    ------
    What ``judge`` returned of each lot.

    Raises
    ------
    HazcamError
        A gist that is damaged.
    """
    asked: dict[_Key, _Asking] = {}
    waiting: dict[_Key, list[tuple[str, bytes]]] = defaultdict(list)
    pending: deque[Future[_Found]] = deque()
    with ThreadPoolExecutor(_THREADS) as threads:
        for id_, _, gist in run.gists():
            if id_ not in keys:
                continue
            key = keys[id_]
            if key not in asked:
                asked[key] = ask(run.demands(id_))
            waiting[key].append((id_, gist))
            if len(waiting[key]) == _AT_ONCE:
                pending.append(threads.submit(_joined, waiting.pop(key), asked[key], judge))
            if len(pending) > 2 * _THREADS:
                yield pending.popleft().result()
        pending.extend(threads.submit(_joined, lot, asked[key], judge)
                       for key, lot in waiting.items())
        while pending:
            yield pending.popleft().result()


def _joined(
    pairs: Sequence[tuple[str, bytes]], asked: _Asking,
    judge: Callable[[tuple[str, ...], Gists, _Asking], _Found],
) -> _Found:
    try:
        gists = join_gists(gist for _, gist in pairs)
    except ValueError as error:
        raise HazcamError(f"{_damaged(pairs)}: gist", str(error), "as `hazcam batch` wrote it",
                          "copy the run again, or assess it again") from error
    return judge(tuple(id_ for id_, _ in pairs), gists, asked)


def left_open(
    run: Run, ids: Sequence[str], count: NDArray[np.int64], open_: NDArray[np.bool_]
) -> Iterator[tuple[int, StoredDemands, HeadingDemand]]:
    """The full demands of the headings that gists leave open.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    ids, count
        Of some pairs, and how many headings each has.
    open_ : ndarray of shape (n,), bool
        Of all of these headings, one after the other.

    Yields
    ------
    int, StoredDemands, HeadingDemand
        Place of the heading, its pair, and itself.
    """
    ends = np.cumsum(count)
    for pair in np.unique(np.searchsorted(ends, np.nonzero(open_)[0], side="right")):
        store = run.demands(ids[pair])
        for i, demand in enumerate(store.demands, start=int(ends[pair] - count[pair])):
            if open_[i]:
                yield i, store, demand


def in_order(ids: Sequence[str], count: NDArray[np.int64]) -> NDArray[np.intp]:
    """Places of the headings of some pairs, so that they stand in the order of the pairs' ids."""
    place = np.argsort(np.argsort(ids))  # of each pair, by its id
    return np.argsort(np.repeat(place, count), kind="stable")


def _asked(
    store: StoredDemands, limits: Mapping[str, float], confidence: float | None
) -> _Asked:
    settings: Settings = store.settings
    if confidence is not None:
        settings = replace(settings, confidence=confidence)
    return _Asked(before=(store.rover.limits, store.settings.confidence),
                  after=(with_limits(store.rover, limits).limits, settings.confidence))


def _judge(ids: tuple[str, ...], gists: Gists, asked: _Asked) -> _Lot:
    return _Lot(ids=ids, asked=asked, count=gists.count, heading_deg=gists.heading_deg,
                before=judge_gists(gists, *asked.before), after=judge_gists(gists, *asked.after))


def _damaged(pairs: Sequence[tuple[str, bytes]]) -> str:
    """The first pair whose gist cannot be read."""
    for id_, gist in pairs:
        try:
            join_gists([gist])
        except ValueError:
            return id_
    return pairs[0][0]


def _decided(run: Run, lot: _Lot) -> _Lot:
    """The lot with what was left undecided decided by the full demands."""
    before, after = lot.before.copy(), lot.after.copy()
    open_ = (before == UNDECIDED) | (after == UNDECIDED)
    for i, store, demand in left_open(run, lot.ids, lot.count, open_):
        for verdicts, (limits, confidence) in ((before, lot.asked.before),
                                               (after, lot.asked.after)):
            if verdicts[i] == UNDECIDED:
                verdict = decide(demand, limits, confidence, pair_causes=store.pair_causes)
                verdicts[i] = GO if verdict.verdict == "go" else 0
    return replace(lot, before=before, after=after)


def _dtype(ids: Sequence[str]) -> np.dtype[np.void]:
    longest = max((len(id_) for id_ in ids), default=1)
    return np.dtype([("pair", f"U{longest}"), ("heading_deg", "f8"), ("before", "U10"),
                     ("after", "U10")])


def _table(lots: Sequence[_Lot]) -> NDArray[np.void]:
    """All headings, by the pair's id."""
    ids = [id_ for lot in lots for id_ in lot.ids]
    table = np.zeros(sum(len(lot.heading_deg) for lot in lots), dtype=_dtype(ids))
    if not lots:
        return table
    count = np.concatenate([lot.count for lot in lots])
    order = in_order(ids, count)
    table["pair"] = np.repeat(np.array(ids), count)[order]
    table["heading_deg"] = np.concatenate([lot.heading_deg for lot in lots])[order]
    for name in ("before", "after"):
        table[name] = _VERDICTS[np.concatenate([getattr(lot, name) for lot in lots])[order]]
    return table
