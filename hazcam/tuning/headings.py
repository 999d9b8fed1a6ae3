"""The headings of a run, ready to be counted: where they lie, what they ask, what came of them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.rover.profile import LIMIT_UNITS, LimitName, RoverProfile
from hazcam.tuning.curve import HeightClimbed, SuccessCurve
from hazcam.tuning.sweep import RunSweep, sweep_run
from hazcam.tuning.tradeoff import Headings

ClusterKind = Literal["site", "day", "pair"]
FEW_CLUSTERS = 20  # as for rehearsals: of fewer, intervals hold less than they say
_LEAST_CLUSTERS = 5  # of sites or days; with fewer the pairs are counted. Our own choice.
_CAPABILITIES = 24  # quantiles that stand for how the capability of the legs differs
_STEP_M, _STEP_DEG, _MOST_DEG = 1e-4, 0.1, 60.0
_STRAIGHT_DEG = 5.0  # a heading within this is straight ahead: one step of the default fan


@dataclass(frozen=True, kw_only=True)
class Walk:
    """A heading that someone let the rover walk, and its place among all headings of the sweep."""

    place: int
    pair: str
    heading_deg: float
    outcome: str


@dataclass(frozen=True, kw_only=True, eq=False)
class RunHeadings:
    """All headings of the trials' rover in a run, and how they are counted.

    Attributes
    ----------
    sweep : RunSweep
        Of the limit.
    of_rover : ndarray of shape (n,), bool
        Headings of pairs of the trials' rover.
    beyond, beyond_bound, failing : ndarray of shape (n,)
        As in ``tradeoff.Headings``; NaN where nothing is kept.
    cluster : ndarray of shape (n,), int
        Place in ``clusters``.
    clusters : tuple of str
        Names of the sites, days or pairs.
    counted_by : str
        ``site``, ``day`` or ``pair``.
    day, site : ndarray of shape (n,), str
        Of each heading's pair, the day in ISO 8601; empty where it is not stated.
    walks : tuple of Walk
        Headings of the rover whose outcome is known.
    look_ahead_m : float
        Mean over the pairs of the rover. [m]
    """

    sweep: RunSweep
    of_rover: NDArray[np.bool_]
    beyond: Floats
    beyond_bound: Floats
    failing: Floats
    cluster: NDArray[np.int64]
    clusters: tuple[str, ...]
    counted_by: ClusterKind
    day: NDArray[np.str_]
    site: NDArray[np.str_]
    walks: tuple[Walk, ...]
    look_ahead_m: float

    @property
    def counted(self) -> NDArray[np.bool_]:
        """Those of the rover that the limit decides, shape (n,)."""
        return self.of_rover & self.sweep.decided

    def against(self, climbed: HeightClimbed, run: Run) -> RunHeadings:
        """The same held against another height; swept again where ``headings_of`` was not told."""
        sweep, heights = self.sweep, np.unique(_both(climbed))
        if not np.isin(heights, sweep.beyond).all():
            sweep = sweep_run(run, sweep.name, sweep.values[-1:], beyond=heights)
        over, bound = _beyond(sweep, climbed, self.walks)
        return replace(self, beyond=over, beyond_bound=bound)

    def decided(self, case: int | None = None) -> Headings:
        """What ``trade_off`` counts; with a second limit at the given place of its values."""
        return self._of(self.counted, case)

    def ahead(self, case: int | None = None) -> Headings:
        """The heading of each pair nearest to straight ahead, decided or not."""
        off = np.abs(self.sweep.heading_deg)
        order = np.lexsort((off, self.sweep.pair))
        _, firsts = np.unique(self.sweep.pair[order], return_index=True)
        chosen = np.zeros(len(off), dtype=bool)
        chosen[order[firsts]] = True
        return self._of(chosen & self.of_rover & (off <= _STRAIGHT_DEG), case)

    def _of(self, which: NDArray[np.bool_], case: int | None) -> Headings:
        least = self.sweep.least if case is None else self.sweep.least[:, case]
        # Nothing is kept of headings that no limit decides. They never go: nothing is made of it.
        beyond, bound, failing = (
            np.where(self.sweep.decided, chance, np.nan_to_num(chance))[which]
            for chance in (self.beyond, self.beyond_bound, self.failing))
        return Headings(least=least[which].astype(np.int64), beyond=beyond, beyond_bound=bound,
                        failing=failing, cluster=self.cluster[which])


def values_of(name: LimitName, rover: RoverProfile) -> Floats:
    """Values of a limit that are tried: every 0.1 mm up to the leg length, or every 0.1 deg.

    Of a gap up to the body length; and at least up to what the rover has today.
    """
    if LIMIT_UNITS[name] == "deg":
        step, most = _STEP_DEG, _MOST_DEG
    else:
        step = _STEP_M
        most = rover.body.length_m if name == "gap" else rover.legs.length_m
    today = float(getattr(rover.limits, name).value)
    count = math.ceil(max(most, today) / step - 1e-9)
    return np.round(np.arange(count + 1, dtype=np.float64) * step, 6)


def headings_of(
    run: Run, curve: SuccessCurve, *, second: tuple[LimitName, Floats] | None = None,
    others: Iterable[HeightClimbed] = (),
) -> RunHeadings:
    """Sweep the limit of a curve's kind over a run, and hold its headings against the curve.

    ``others``: heights that ``RunHeadings.against`` will be asked of, to sweep but once.

    Raises
    ------
    HazcamError
        A run without demands, or without a pair of the trials' rover.
    """
    conditions = curve.group.conditions
    rovers = _rovers(run)
    store = run.demands(_first_of(run, rovers, conditions.rover))
    values = values_of(conditions.kind, store.rover)
    capabilities = _heights(_capabilities(curve))
    heights = [_both(climbed) for climbed in (curve.climbed, *others)]
    beyond = np.unique(np.concatenate([*heights, capabilities]))
    sweep = sweep_run(run, conditions.kind, values, beyond=beyond, other=second)
    of_rover = np.array([rovers[id_] == conditions.rover for id_ in sweep.ids])
    walks = _walks(run, sweep, of_rover)
    failing = sweep.chance[:, np.searchsorted(beyond, capabilities)].mean(axis=1, dtype=np.float64)
    failing = _as_walked(failing, walks)
    over, over_bound = _beyond(sweep, curve.climbed, walks)
    pairs = run.table("pairs", columns=("pair", "site", "taken_at"))
    at = {str(row["pair"]): i for i, row in enumerate(pairs)}
    rows = pairs[[at[id_] for id_ in sweep.ids]]
    counted_by, names = _clusters(rows, of_rover)
    clusters, cluster = np.unique(names, return_inverse=True)
    return RunHeadings(
        sweep=sweep, of_rover=of_rover[sweep.pair], beyond=over, beyond_bound=over_bound,
        failing=failing, cluster=cluster[sweep.pair], clusters=tuple(clusters.tolist()),
        counted_by=counted_by, day=_days(rows)[sweep.pair], site=rows["site"][sweep.pair],
        walks=walks, look_ahead_m=_look_ahead_m(run, [
            id_ for id_, own in zip(sweep.ids, of_rover, strict=True) if own]))


def _both(climbed: HeightClimbed) -> Floats:
    """The likeliest height and its bound."""
    return _heights([climbed.estimate, climbed.low])


def _heights(heights: Sequence[float]) -> Floats:
    """Demands that chances are asked of: none is below 0."""
    return np.clip(np.nan_to_num(heights, neginf=0.0), 0.0, None)


def _beyond(
    sweep: RunSweep, climbed: HeightClimbed, walks: Sequence[Walk]
) -> tuple[Floats, Floats]:
    """How likely each heading is beyond a height, and its bound: all are where there is none."""
    over, bound = (sweep.chance[:, np.searchsorted(sweep.beyond, height)].astype(np.float64)
                   for height in _both(climbed))
    if not climbed.low > 0:
        bound = np.ones_like(bound)
    return _as_walked(over, walks), _as_walked(bound, walks)


def _as_walked(chance: Floats, walks: Sequence[Walk]) -> Floats:
    """What came of a heading stands for the chance that it fails."""
    found = chance.copy()
    for walk in walks:
        found[walk.place] = float(walk.outcome != "climbed")
    return found


def _capabilities(curve: SuccessCurve) -> list[float]:
    return [curve.fit.demand_at((i + 0.5) / _CAPABILITIES) for i in range(_CAPABILITIES)]


def _rovers(run: Run) -> dict[str, str]:
    """Name of the rover of each pair that was assessed."""
    names = {str(row["digest"]): str(row["name"]) for row in run.table("rovers")}
    return {str(row["pair"]): names[str(row["rover"])]
            for row in run.table("assessments", columns=("pair", "rover"))}


def _first_of(run: Run, rovers: dict[str, str], wanted: str) -> str:
    """The first pair of a rover that has demands."""
    stored = [id_ for id_, _, _ in run.gists()]
    if not stored:
        raise HazcamError(
            str(run.file), f"no demands of headings (pairs assessed: {len(rovers)})",
            "a run with pairs that were assessed in stereo",
            "give another run, or see `hazcam batch` for why pairs are without stereo")
    own = [id_ for id_ in stored if rovers.get(id_) == wanted]
    if not own:
        others = ", ".join(sorted({rovers[id_] for id_ in stored if id_ in rovers}))
        raise HazcamError(
            str(run.file), f"its pairs are of {others}", f"pairs of {wanted}, which the trials are "
            "of", "give trials of that rover (--rover), or a run of this one")
    return own[0]


def _look_ahead_m(run: Run, ids: Sequence[str]) -> float:
    lengths = {str(row["digest"]): float(json.loads(str(row["json"]))["look_ahead_m"])
               for row in run.table("settings")}
    rows = run.table("assessments", ids, columns=("settings",))
    return float(np.mean([lengths[digest] for digest in rows["settings"].tolist()]))


def _walks(run: Run, sweep: RunSweep, of_rover: NDArray[np.bool_]) -> tuple[Walk, ...]:
    rows = run.table("pairs", columns=("pair", "walked_heading_deg", "walked_outcome"))
    rows = rows[(rows["walked_outcome"] != "") & np.isfinite(rows["walked_heading_deg"])]
    if not len(rows):
        return ()
    place = {(sweep.ids[pair], round(float(deg), 6)): i for i, (pair, deg) in
             enumerate(zip(sweep.pair.tolist(), sweep.heading_deg, strict=True)) if of_rover[pair]}
    found = []
    for row in rows:
        key = str(row["pair"]), round(float(row["walked_heading_deg"]), 6)
        if key in place:
            found.append(Walk(place=place[key], pair=key[0], heading_deg=key[1],
                              outcome=str(row["walked_outcome"])))
    return tuple(found)


def _clusters(
    rows: NDArray[np.void], of_rover: NDArray[np.bool_]
) -> tuple[ClusterKind, Sequence[str]]:
    """What is counted: sites, where all pairs of the rover have one, of enough; days; pairs."""
    kinds: tuple[tuple[ClusterKind, NDArray[np.str_]], ...] = (
        ("site", rows["site"]), ("day", _days(rows)))
    for kind, names in kinds:
        own = set(names[of_rover].tolist())
        if "" not in own and len(own) >= _LEAST_CLUSTERS:
            return kind, names.tolist()
    return "pair", rows["pair"].tolist()


def _days(rows: NDArray[np.void]) -> NDArray[np.str_]:
    return np.array([str(moment)[:10] for moment in rows["taken_at"]])
