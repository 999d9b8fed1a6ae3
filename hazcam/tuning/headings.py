"""The headings of a run, ready to be counted: where they lie, what they ask, what came of them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.rover.profile import LIMIT_UNITS, LimitName, RoverProfile
from hazcam.tuning.curve import HeightClimbed, SuccessCurve
from hazcam.tuning.measured import greatest_demand
from hazcam.tuning.rovers import refuse_namesakes, rovers_of
from hazcam.tuning.sweep import RunSweep, sweep_run
from hazcam.tuning.table import folded
from hazcam.tuning.tradeoff import Headings

ClusterKind = Literal["site", "day", "pair"]
FEW_CLUSTERS = 20  # as for rehearsals: of fewer, intervals hold less than they say
_NOT_STATED = "not stated"  # what is counted for all pairs without a site (or day)
_CAPABILITIES = 24  # quantiles that stand for how the capability of the legs differs
_STEP_M, _STEP_DEG, _MOST_DEG = 1e-4, 0.1, 60.0
_ROUNDING = 1e-9  # values nearer than that are the same
_STRAIGHT_DEG = 5.0  # a heading within this is straight ahead: one step of the default fan


@dataclass(frozen=True, kw_only=True)
class Walk:
    """A heading that someone let the rover walk.

    Attributes
    ----------
    place : int
        Among all headings of the sweep.
    pair : str
        Its pair.
    heading_deg : float
        Positive to the left. [deg]
    outcome : str
        What came of it.
    demand : float
        The greatest one of the limit's kind that was measured there, 0 where it asks nothing; NaN
        where none was. [m or deg]
    """

    place: int
    pair: str
    heading_deg: float
    outcome: str
    demand: float


@dataclass(frozen=True, kw_only=True, eq=False)
class RunHeadings:
    """All headings of the trials' rover in a run, and how they are counted.

    Attributes
    ----------
    sweep : RunSweep
        Of the limit, over the pairs of that rover.
    beyond, beyond_bound, failing : ndarray of shape (n,)
        As in ``tradeoff.Headings``; NaN where nothing is kept.
    cluster : ndarray of shape (n,), int
        Place in ``clusters``.
    clusters : tuple of str
        Names of the sites, days or pairs; ``not stated`` for all pairs together that do not say.
    counted_by : str
        ``site`` where any pair has one, else ``day``; ``pair`` where no pair says either.
    day, site : ndarray of shape (n,), str
        Of each heading's pair, the day in ISO 8601; empty where it is not stated.
    walks : tuple of Walk
        Headings of the rover whose outcome is known.
    not_placed : tuple of str
        Walked pairs of the rover whose heading was not judged: they count nowhere.
    look_ahead_m : float
        Mean over the pairs of the rover. [m]
    """

    sweep: RunSweep
    beyond: Floats
    beyond_bound: Floats
    failing: Floats
    cluster: NDArray[np.int64]
    clusters: tuple[str, ...]
    counted_by: ClusterKind
    day: NDArray[np.str_]
    site: NDArray[np.str_]
    walks: tuple[Walk, ...]
    not_placed: tuple[str, ...]
    look_ahead_m: float

    @property
    def counted(self) -> NDArray[np.bool_]:
        """Those that the limit decides, shape (n,)."""
        return self.sweep.decided

    def against(self, climbed: HeightClimbed, run: Run) -> RunHeadings:
        """The same held against another height; swept again where ``headings_of`` was not told."""
        sweep, heights = self.sweep, np.unique(_both(climbed))
        if not np.isin(heights, sweep.beyond).all():
            sweep = sweep_run(run, sweep.rover, sweep.name, sweep.values[-1:], beyond=heights)
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
        return self._of(chosen & (off <= _STRAIGHT_DEG), case)

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

    Of a gap up to the body length; and at least up to what the rover has today, which is one of
    them to the last digit: what it tells then is what it tells today.
    """
    if LIMIT_UNITS[name] == "deg":
        step, most = _STEP_DEG, _MOST_DEG
    else:
        step = _STEP_M
        most = rover.body.length_m if name == "gap" else rover.legs.length_m
    today = float(getattr(rover.limits, name).value)
    count = math.ceil(max(most, today) / step - 1e-9)
    grid = np.round(np.arange(count + 1, dtype=np.float64) * step, 6)
    return np.union1d(grid[np.abs(grid - today) > _ROUNDING], [today])


def headings_of(
    run: Run, curve: SuccessCurve, *, second: tuple[LimitName, Floats] | None = None,
    others: Iterable[HeightClimbed] = (),
) -> RunHeadings:
    """Sweep the limit of a curve's kind over a run, and hold its headings against the curve.

    ``others``: heights that ``RunHeadings.against`` will be asked of, to sweep but once.

    Raises
    ------
    HazcamError
        A run without demands, or without a pair of the trials' rover; several rovers of its name.
    """
    conditions = curve.group.conditions
    rovers = rovers_of(run)
    refuse_namesakes(run, conditions.rover)
    store = run.demands(_first_of(run, rovers, conditions.rover))
    values = values_of(conditions.kind, store.rover)
    capabilities = _heights(_capabilities(curve))
    heights = [_both(climbed) for climbed in (curve.climbed, *others)]
    beyond = np.unique(np.concatenate([*heights, capabilities]))
    sweep = sweep_run(run, conditions.rover, conditions.kind, values, beyond=beyond, other=second)
    walks, not_placed = _walks(run, sweep)
    failing = sweep.chance[:, np.searchsorted(beyond, capabilities)].mean(axis=1, dtype=np.float64)
    failing = _as_walked(failing, walks)
    over, over_bound = _beyond(sweep, curve.climbed, walks)
    pairs = run.table("pairs", columns=("pair", "site", "taken_at"))
    at = {str(row["pair"]): i for i, row in enumerate(pairs)}
    rows = pairs[[at[id_] for id_ in sweep.ids]]
    counted_by, names = _clusters(rows)
    clusters, cluster = np.unique(names, return_inverse=True)
    return RunHeadings(
        sweep=sweep, beyond=over, beyond_bound=over_bound, failing=failing,
        cluster=cluster[sweep.pair], clusters=tuple(clusters.tolist()), counted_by=counted_by,
        day=_days(rows)[sweep.pair], site=_places(rows)[sweep.pair], walks=walks,
        not_placed=not_placed, look_ahead_m=_look_ahead_m(run, sweep.ids))


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
    """Where the rover failed it surely does; that it once climbed proves no reliability."""
    found = chance.copy()
    found[[walk.place for walk in walks if walk.outcome != "climbed"]] = 1.0
    return found


def _capabilities(curve: SuccessCurve) -> list[float]:
    return [curve.fit.demand_at((i + 0.5) / _CAPABILITIES) for i in range(_CAPABILITIES)]


def _first_of(run: Run, rovers: Mapping[str, str], wanted: str) -> str:
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


def _walks(run: Run, sweep: RunSweep) -> tuple[tuple[Walk, ...], tuple[str, ...]]:
    """Walked headings of the sweep; and the walked pairs of it that name none of its headings."""
    rows = run.table("pairs", columns=("pair", "walked_heading_deg", "walked_outcome"))
    rows = rows[(rows["walked_outcome"] != "") & np.isin(rows["pair"], sweep.ids)]
    place = {(sweep.ids[pair], round(float(deg), 6)): i for i, (pair, deg) in
             enumerate(zip(sweep.pair.tolist(), sweep.heading_deg, strict=True))}
    found, not_placed = [], []
    for row in rows:
        key = str(row["pair"]), round(float(row["walked_heading_deg"]), 6)
        if key in place:
            found.append(Walk(place=place[key], pair=key[0], heading_deg=key[1],
                              outcome=str(row["walked_outcome"]),
                              demand=_greatest(run, *key, sweep.name)))
        else:
            not_placed.append(key[0])
    return tuple(found), tuple(not_placed)


def _greatest(run: Run, id_: str, heading_deg: float, kind: str) -> float:
    demand, = (d for d in run.demands(id_).demands if round(d.heading_deg, 6) == heading_deg)
    found = greatest_demand(demand, kind)
    return math.nan if found is None else max(found[0], 0.0)


def _clusters(rows: NDArray[np.void]) -> tuple[ClusterKind, Sequence[str]]:
    """What is counted, however few: sites where any pair has one, else days, else pairs.

    Pairs that do not say may all be of one place: to count each of them would claim more.
    """
    kinds: tuple[tuple[ClusterKind, NDArray[np.str_]], ...] = (
        ("site", _places(rows)), ("day", _days(rows)))
    for kind, names in kinds:
        if (names != "").any():
            return kind, np.where(names == "", _NOT_STATED, names).tolist()
    return "pair", rows["pair"].tolist()


def _places(rows: NDArray[np.void]) -> NDArray[np.str_]:
    """Site of each pair, empty where it is not stated; of one spelling, the first."""
    first: dict[str, str] = {}
    return np.array([first.setdefault(folded(site), site) for site in rows["site"].tolist()],
                    dtype=np.str_)


def _days(rows: NDArray[np.void]) -> NDArray[np.str_]:
    return np.array([str(moment)[:10] for moment in rows["taken_at"]])
