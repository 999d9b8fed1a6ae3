"""The gist of a pair's demands: all that its verdicts hang on, so that a whole campaign is judged.

``decide`` asks for the demands of one heading, in full. Limits and confidence can be applied to
those of thousands of pairs at once, with the same verdicts, if only what can matter is kept:

*Headings that ask whatever the limits* (ground out of view, no slope, a rig that no longer fits)
keep nothing but their name.

*What is compared by itself.* At any confidence the greatest ``value + s * sigma`` of a demand over
all stations is that of one of a few, those on the upper envelope of these lines over s.

*What is likely together* (``chance``). Of stations that count once the likeliest over the limit
counts. By z sigma of its own or more, that is the one with the greatest ``value - z * own``: again
an upper envelope, over z, whatever the limit and what all stations share. Where z is large of
either sign, the probability is 0 or 1 whichever it is.

*What is not seen.* Runs and their groups, without their places.

Where an outcome lies within ``CLOSE`` of what decides, the gist says so and ``decide`` is asked:
rounding, and what was left out, are smaller by far. So are demands that no pictures give (values
that are infinite, sigmas below 0).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hazcam.rover.profile import LIMIT_UNITS, Limits
from hazcam.verdict.chance import (
    ANGLES,
    BLANK_SHARE,
    HEIGHTS,
    LEAST_GROUND_SD_M,
    LONGEST_HOLE_M,
    NODES,
    SURE_SIGMAS,
    UNEXPLAINED_SHARE,
    WEIGHTS,
    hole_density_m2,
    stations_of_ground,
    with_errors,
)
from hazcam.verdict.kernels_gist import ASK, GO, UNDECIDED, judge_headings
from hazcam.verdict.kernels_terms import leading_terms, upper_envelope
from hazcam.verdict.record import LIMIT_OF, MEASURED, Cause, HeadingDemand, Profile

CLOSE = 1e-9
"""Nearer than this to what decides, the full demands are asked. [probability, m or deg]"""
_VERSION = 1
# No confidence below 1 has a quantile beyond this.
_MOST_SIGMAS = 9.0
FAR = 8.0
"""Beyond so many sigma nothing hangs on a term."""
# Rather, at most 5e-12: with the share of a height, up to this, by which it may be off at the
# outermost node.
_MOST_SHARED = 0.15
NEVER, JUDGED, ODD = 0, 1, 2
"""Kinds of headings, as in ``Gists.kind``."""

_LIMITS = tuple(LIMIT_UNITS)
RULES = np.array([UNEXPLAINED_SHARE, BLANK_SHARE, LONGEST_HOLE_M, LEAST_GROUND_SD_M])
"""What the loops take of ``chance`` to judge what is not seen."""
# The demands that are held against each limit, heights first.
_DEMANDS_OF = {
    limit: tuple(name for name in MEASURED if LIMIT_OF.get(name, name) == limit)
    for limit in _LIMITS if any(LIMIT_OF.get(name, name) == limit for name in MEASURED)}

_HEADING = np.dtype([
    *((name, "<f8") for name in (
        "tilt_sigma_deg", "scale_sigma", "tilt_bound_deg", "hidden_m", "density_m2", "line_m",
        "turn_step_m", "turn_drop_m", "turn_sigma_m", "turn_hidden_m", "turn_unseen_m")),
    *((name, "<u4") for name in ("fronts", "terms", "groups", "runs")), ("has_turn", "u1")])
_FRONT = np.dtype([("value", "<f8"), ("sigma", "<f8"), ("limit", "u1")])
_TERM = np.dtype([("value", "<f8"), ("own", "<f8"), ("limit", "u1"), ("block", "<u2")])
_GROUP = np.dtype([("length_m", "<f8"), ("sigma_m", "<f8"), ("bare_m", "<f8"), ("runs", "<u4")])
_RUN = np.dtype([(name, "<f8") for name in (
    "length_m", "alone_m", "blank_m", "sunk_m", "fall", "ground_sd_m")])
_SECTIONS: dict[str, np.dtype[Any]] = {
    "heading_deg": np.dtype("<f8"), "kind": np.dtype("u1"), "headings": _HEADING,
    "fronts": _FRONT, "terms": _TERM, "groups": _GROUP, "runs": _RUN}
_HEAD = struct.Struct(f"<B{len(_SECTIONS)}I")

_Records = NDArray[np.void]


@dataclass(frozen=True, kw_only=True, eq=False)
class Gists:
    """The gists of many pairs, joined; about 4 kB for a heading that limits decide, else 9 bytes.

    Attributes
    ----------
    count : ndarray of shape (p,), int64
        Headings of each pair.
    heading_deg : ndarray of shape (n,)
        Of all pairs, one after the other. [deg]
    kind : ndarray of shape (n,), uint8
        0: asks whatever the limits; 1: decided by them; 2: only by the full demands.
    headings : structured ndarray of shape (m,)
        Of each heading of kind 1 what counts once, and how many of the following are its own.
    fronts : structured ndarray
        Value and sigma of what can be the greatest of a demand at some confidence.
    terms : structured ndarray
        Value and own error of what can be the likeliest over its limit, where it counts once.
    groups, runs : structured ndarray
        Groups of unseen runs; runs by group.
    """

    count: NDArray[np.int64]
    heading_deg: NDArray[np.float64]
    kind: NDArray[np.uint8]
    headings: _Records
    fronts: _Records
    terms: _Records
    groups: _Records
    runs: _Records

    @property
    def nbytes(self) -> int:
        """Memory of the arrays. [bytes]"""
        return sum(getattr(self, field.name).nbytes for field in fields(self))


def pack_gist(demands: Sequence[HeadingDemand], pair_causes: Sequence[Cause]) -> bytes:
    """The gist of a pair.

    Parameters
    ----------
    demands : sequence of HeadingDemand
        Of its headings.
    pair_causes : sequence of Cause
        What speaks against all of them.
    """
    kinds = [NEVER if pair_causes else _kind(d) for d in demands]
    judged = [_gist(d) for d, kind in zip(demands, kinds, strict=True) if kind == JUDGED]
    sections: dict[str, Any] = {
        "heading_deg": np.array([d.heading_deg for d in demands], dtype="<f8"),
        "kind": np.array(kinds, dtype=np.uint8),
        **{name: np.concatenate([np.zeros(0, _SECTIONS[name]), *(gist[name] for gist in judged)])
           for name in _SECTIONS if name not in ("heading_deg", "kind")}}
    head = _HEAD.pack(_VERSION, *(len(sections[name]) for name in _SECTIONS))
    return head + b"".join(sections[name].tobytes() for name in _SECTIONS)


def join_gists(gists: Iterable[bytes]) -> Gists:
    """The gists of many pairs as one record.

    Raises
    ------
    ValueError
        Bytes that are no gist, are cut off, or are of another version.
    """
    parts: dict[str, list[memoryview]] = {name: [] for name in _SECTIONS}
    count = []
    for data in gists:
        lengths = _lengths(data)
        count.append(lengths["heading_deg"])
        view, at = memoryview(data), _HEAD.size
        for name, length in lengths.items():
            end = at + length * _SECTIONS[name].itemsize
            parts[name].append(view[at:end])
            at = end
    arrays: dict[str, Any] = {name: np.frombuffer(b"".join(found), _SECTIONS[name])
                              for name, found in parts.items()}
    return Gists(count=np.array(count, dtype=np.int64), **arrays)


def judge_gists(gists: Gists, limits: Limits, confidence: float) -> NDArray[np.int8]:
    """Hold all headings of some gists against limits; other threads may run meanwhile.

    Parameters
    ----------
    gists : Gists
        From ``join_gists``.
    limits : Limits
        What the legs can do.
    confidence : float
        Between 0.5 and 1.

    Returns
    -------
    ndarray of shape (n,), int8
        1: go; 0: ask-ground; -1: too close for a gist, ``decide`` must say. Never other than
        ``decide`` says.
    """
    found = np.zeros(len(gists.headings), dtype=np.int8)
    judge_headings(
        gists.headings, gists.fronts, gists.terms, gists.groups, gists.runs,
        values_of(limits),
        float(ndtri(confidence)), 1 - confidence, NODES, WEIGHTS, RULES, CLOSE, FAR, found)
    verdicts = np.full(len(gists.kind), ASK, dtype=np.int8)
    verdicts[gists.kind == ODD] = UNDECIDED
    verdicts[gists.kind == JUDGED] = found
    return verdicts


def values_of(limits: Limits) -> NDArray[np.float64]:
    """Limits as the loops take them: in the order of ``LIMIT_UNITS``, shape (7,). [m or deg]"""
    return np.array([getattr(limits, name).value for name in _LIMITS], dtype=np.float64)


def _lengths(data: bytes) -> dict[str, int]:
    """How many of each section a gist holds."""
    if not data or data[0] != _VERSION:
        found = f"version {data[0]}" if data else "nothing"
        raise ValueError(f"a gist of version {_VERSION} was expected, found {found}")
    lengths: dict[str, int] = {}
    if len(data) >= _HEAD.size:
        lengths = dict(zip(_SECTIONS, _HEAD.unpack_from(data)[1:], strict=True))
    size = _HEAD.size + sum(n * _SECTIONS[name].itemsize for name, n in lengths.items())
    if len(data) != size:
        raise ValueError(f"a gist of {size} bytes was expected, found {len(data)}")
    return lengths


# --- what of a heading counts ---------------------------------------------------------------------


def _kind(demand: HeadingDemand) -> int:
    """Do limits decide the heading, as ``decide`` reads it?"""
    never = (
        not np.any(demand.seen_share > 0) or demand.assumed_m >= demand.look_ahead_m
        or bool(demand.outside.any())
        or bool(np.any(~np.isfinite(demand.slope) & (demand.station_m >= demand.assumed_m)))
        or (demand.turn is not None and not demand.turn_assumed))
    return NEVER if never else JUDGED if _is_plain(demand) else ODD


def _is_plain(demand: HeadingDemand) -> bool:
    """Are all of its numbers of the kind that pictures give?"""
    values = np.array([getattr(demand, name) for name in MEASURED])
    sigmas = np.array([demand.sigma[name] for name in MEASURED])[~np.isnan(values)]
    shared = np.array([demand.tilt_bound_deg, demand.tilt_sigma_deg, demand.scale_sigma])
    runs = demand.runs
    lengths = np.array([runs.at_m, runs.length_m, runs.sigma_m, runs.explained_m,
                        runs.unexplained_m, runs.blank_m, runs.sunk_m, runs.fall])
    turn = demand.turn
    turned = () if turn is None else (turn.step_m, turn.drop_m, turn.sigma_m)
    return bool(
        not np.isinf(values).any() and np.all(sigmas >= 0)
        and np.isfinite(shared).all() and np.all(shared >= 0)
        and demand.scale_sigma * NODES[-1] <= _MOST_SHARED
        and np.isfinite(lengths).all() and np.all(runs.fall > 0) and np.isfinite(runs.line_m)
        and np.isfinite(turned).all())


def _gist(demand: HeadingDemand) -> dict[str, _Records]:
    groups, runs = _unseen(demand)
    found = {"fronts": _fronts(demand), "terms": _terms(demand), "groups": groups, "runs": runs}
    heading = np.zeros(1, dtype=_HEADING)
    for name in ("tilt_sigma_deg", "scale_sigma", "tilt_bound_deg"):
        heading[name] = getattr(demand, name)
    # Fmax passes over what is not known, as a comparison does.
    heading["hidden_m"] = np.fmax.reduce(demand.hidden_m, initial=-np.inf)
    heading["density_m2"], heading["line_m"] = hole_density_m2(demand), demand.runs.line_m
    heading["has_turn"] = demand.turn is not None
    if demand.turn is not None:
        for name in ("step_m", "drop_m", "sigma_m", "hidden_m", "unseen_m"):
            heading[f"turn_{name}"] = getattr(demand.turn, name)
    for name, section in found.items():
        heading[name] = len(section)
    return {"headings": heading, **found}


def _fronts(demand: HeadingDemand) -> _Records:
    """What can be the greatest of the demands on each limit, at some confidence."""
    parts = []
    for limit, names in _DEMANDS_OF.items():
        value = np.concatenate([getattr(demand, name) for name in names])
        sigma = np.concatenate([demand.sigma[name] for name in names])
        chosen = np.empty(len(value), dtype=np.int64)
        chosen = chosen[:upper_envelope(value, sigma, 0.0, _MOST_SIGMAS, chosen)]
        part = np.zeros(len(chosen), dtype=_FRONT)
        part["value"], part["sigma"] = value[chosen], sigma[chosen]
        part["limit"] = _LIMITS.index(limit)
        parts.append(part)
    return np.concatenate(parts)


def _terms(demand: HeadingDemand) -> _Records:
    """What can be the likeliest over its limit, block by block: heights, then angles."""
    heights, angles = ([_leading(demand, limit, names, kind)
                        for limit, names in _DEMANDS_OF.items() if names[0] in kind]
                       for kind in (HEIGHTS, ANGLES))
    both = []
    for parts, first in ((heights, 0), (angles, len(demand.station_m))):
        terms = np.concatenate(parts)
        terms["block"] += first
        both.append(terms[np.argsort(terms["block"], kind="stable")])
    return np.concatenate(both)


def _leading(
    demand: HeadingDemand, limit: str, names: tuple[str, ...], kind: tuple[str, ...]
) -> _Records:
    value, _, own = with_errors(demand, names)
    terms = np.zeros(value.size, dtype=_TERM)
    terms = terms[:leading_terms(value, own, stations_of_ground(demand, kind), FAR, terms)]
    terms["limit"] = _LIMITS.index(limit)
    return terms


def _unseen(demand: HeadingDemand) -> tuple[_Records, _Records]:
    """Groups of unseen runs as ``chance.groups_of`` makes them of any gap, and runs by group."""
    runs = demand.runs
    order = np.argsort(runs.group, kind="stable")
    names, firsts = np.unique(runs.group[order], return_index=True)
    kept = np.zeros(len(order), dtype=_RUN)
    for name in ("length_m", "blank_m", "sunk_m", "fall"):
        kept[name] = getattr(runs, name)[order]
    kept["ground_sd_m"] = np.nan_to_num(runs.ground_sd_m)[order]
    alone = np.where(runs.explained_m == 0, runs.length_m + SURE_SIGMAS * runs.sigma_m, -np.inf)
    kept["alone_m"] = alone[order]
    groups = np.zeros(len(names), dtype=_GROUP)
    if len(names):
        def of_each(reduce: np.ufunc, values: Profile) -> Profile:
            return np.asarray(reduce.reduceat(values[order], firsts))

        groups["length_m"] = (of_each(np.maximum, runs.at_m + runs.length_m)
                              - of_each(np.minimum, runs.at_m))
        groups["sigma_m"] = np.maximum(of_each(np.maximum, runs.sigma_m), 0.0)
        bare = np.bincount(runs.group, runs.unexplained_m)[names]
        hidden = np.bincount(runs.group, runs.explained_m)[names]
        groups["bare_m"] = np.where(hidden > 0, bare, np.inf)
        groups["runs"] = np.diff(firsts, append=len(order))
    return groups, kept


__all__ = ["ASK", "CLOSE", "FAR", "GO", "JUDGED", "NEVER", "ODD", "RULES", "UNDECIDED", "Gists",
           "join_gists", "judge_gists", "pack_gist", "values_of"]
