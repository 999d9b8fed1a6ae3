"""How likely the demands of a heading exceed the limits, over all of its stations together.

*What was measured.* Each demand is normal about its value. Its standard deviation has a part that
all stations share (the tilt of the view, the scale of all ranges) and a part of its own. Stations
within one foothold (for angles: one body length) see the same ground and the same errors and count
once, with the worst of them; those farther apart are independent, given what they share. What they
share is integrated out by Gauss-Hermite quadrature.

*What was not seen.* An unseen run that nothing explains may be unseen because it is a hole: it is
judged by its length alone, without a probability (``decide``). A run behind something that was seen
is unseen because of that thing, and holds a hole only by chance. Holes are taken to lie anywhere,
independent of what hides them, and as dense as those that show on the ground that is seen: with n
of them on an area A the density has the mean (n + 1/2) / A (a Poisson rate under Jeffreys' prior:
A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 2.8). The chance that one lies in
the run is that density times the area in which the near end of a hole that is too long for the legs
would have to lie.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from hazcam.rover.profile import Limits
from hazcam.verdict.record import LIMIT_OF, MEASURED, HeadingDemand, Profile, UnseenRuns

HEIGHTS, ANGLES = ("step", "drop", "belly", "contact"), ("slope", "roll", "tip")
# Stations this near to each other count once: one foothold, one body length. [m]
_SAME_GROUND_M = {HEIGHTS: 0.06, ANGLES: 0.30}
# A run may be a hole by itself if more than this share of what the legs bridge is unexplained, or
# more than that share of it is blank. Our own choice, on tune scenes and on rims before black pits.
UNEXPLAINED_SHARE, BLANK_SHARE = 0.75, 1 / 3
# Holes that the legs do not bridge are up to so long, our own assumption; a longer one hidden whole
# behind what a rover may climb would be past the look-ahead.
LONGEST_HOLE_M = 0.40
LEAST_GROUND_SD_M = 0.002
# A run is surely shorter than what the legs bridge if it is by so many sigma: more than the
# quantile of any confidence up to 99.8 %.
SURE_SIGMAS = 3.0
NODES, _RAW_WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
WEIGHTS = _RAW_WEIGHTS / _RAW_WEIGHTS.sum()


def exceeding(demand: HeadingDemand, limits: Limits) -> Profile:
    """Probability that a measured demand exceeds its limit at some station up to each, (n,)."""
    heights, angles = (_along(demand, limits, names) for names in (HEIGHTS, ANGLES))
    return np.asarray(1 - (1 - heights) * (1 - angles))


def turn_exceeding(demand: HeadingDemand, limits: Limits) -> float:
    """Probability that what is seen in the circle of the turn exceeds a limit; 0 straight ahead."""
    turn = demand.turn
    if turn is None or not turn.sigma_m > 0:
        return 0.0
    rooms = (least_height(limits) - turn.step_m, limits.drop.value - turn.drop_m)
    return float(ndtr(-min(rooms) / turn.sigma_m))


def least_height(limits: Limits) -> float:
    """The limit of what may stand in the way: a leg must step on it, or the belly pass it. [m]"""
    return min(limits.step.value, limits.belly.value)


def at_station(demand: HeadingDemand, name: str, limit: float) -> Profile:
    """Probability that a demand exceeds a limit at each station; 0 where it has no value, (n,)."""
    value, sigma = getattr(demand, name) + tilt_bound(demand, name), demand.sigma[name]
    return tail(value, sigma, limit)


def limit_of(limits: Limits, name: str) -> float:
    """The limit that a measured demand is held against, in its unit."""
    return float(getattr(limits, LIMIT_OF.get(name, name)).value)


def tilt_bound(demand: HeadingDemand, name: str) -> float:
    """What an unknown tilt may add: to slope and tip, in their worst direction, both angles."""
    bound = demand.tilt_bound_deg
    both = float(np.sqrt(2) * bound)
    return {"slope": both, "roll": bound, "tip": both}.get(name, 0.0)


def tail(value: Profile, sigma: Profile, limit: float | Profile) -> Profile:
    """Probability that normal values exceed a limit; 0 of those that are not known."""
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = ndtr((value - limit) / sigma)
    return np.where(np.isnan(chance), 0.0, chance)


def _along(demand: HeadingDemand, limits: Limits, names: tuple[str, ...]) -> Profile:
    """Probability that one of some demands exceeds its limit up to each station."""
    room = np.array([[limit_of(limits, name) - tilt_bound(demand, name)] for name in names])
    value, shared, own = with_errors(demand, names)
    chance = tail(value + NODES[:, None, None] * shared, own, room).max(axis=1)
    return np.asarray(WEIGHTS @ _once_each(chance, stations_of_ground(demand, names)))


def with_errors(
    demand: HeadingDemand, names: tuple[str, ...]
) -> tuple[Profile, Profile, Profile]:
    """Value of some demands, the error that all stations share and that of each its own, (k, n).

    Of one kind, ``HEIGHTS`` or ``ANGLES``; one standard deviation, in the unit of the demand.
    """
    value = np.stack([getattr(demand, name) for name in names])
    sigma = np.stack([demand.sigma[name] for name in names])
    shared = (np.full_like(value, demand.tilt_sigma_deg) if names[0] in ANGLES
              else demand.scale_sigma * value)
    return value, shared, np.sqrt(np.maximum(sigma**2 - shared**2, 1e-12))


def stations_of_ground(demand: HeadingDemand, names: tuple[str, ...]) -> int:
    """How many stations see the same ground and count once, for ``HEIGHTS`` or ``ANGLES``."""
    station_m = demand.station_m
    spacing_m = float(station_m[1] - station_m[0]) if len(station_m) > 1 else 1.0
    return max(round(_SAME_GROUND_M[names] / spacing_m), 1)


def _once_each(chance: Profile, count: int) -> Profile:
    """1 - product of (1 - greatest so far) over blocks of ``count`` stations, up to each.

    ``chance`` has the shape (rows, stations); every row by itself.
    """
    rows, stations = chance.shape
    blocks = -(-stations // count)
    padded = np.zeros((rows, blocks * count))
    padded[:, :stations] = chance
    greatest = np.maximum.accumulate(padded.reshape(rows, blocks, count), axis=2)
    before = np.ones((rows, blocks))
    np.cumprod(1 - greatest[:, :-1, -1], axis=1, out=before[:, 1:])
    together = 1 - before[:, :, None] * (1 - greatest)
    return np.asarray(together.reshape(rows, -1)[:, :stations])


# --- what was not seen ----------------------------------------------------------------------------


class Groups(NamedTuple):
    """Groups of unseen runs, each of shape (n,): where one begins, its length and one sigma. [m]

    The seen ground between its runs counts to its length: the legs of a side would hang at once.
    ``explained``: are they unseen because of what was seen, and not because they may be a hole?
    """

    at_m: Profile
    length_m: Profile
    sigma_m: Profile
    explained: NDArray[np.bool_]


def groups_of(demand: HeadingDemand, gap_m: float) -> Groups:
    """The groups of a heading's unseen runs.

    Something seen must hide a part of an explained group; what is not hidden so must be too short
    to be most of a hole that the legs do not bridge; and of a run that is longer than they bridge
    hardly anything may be blank: a black floor behind a rim is no evidence against a hole, as
    ground that is seen beyond a lip can be.
    """
    runs = demand.runs
    count = int(runs.group.max()) + 1 if runs.group.size else 0
    begins, ends, sigma = np.full(count, np.inf), np.full(count, -np.inf), np.zeros(count)
    np.minimum.at(begins, runs.group, runs.at_m)
    np.maximum.at(ends, runs.group, runs.at_m + runs.length_m)
    np.maximum.at(sigma, runs.group, runs.sigma_m)
    black = (runs.length_m > gap_m) & (runs.blank_m > BLANK_SHARE * gap_m)
    # A run that nothing hides is judged by its length, whatever is hidden beside it.
    alone = (runs.explained_m == 0) & (runs.length_m + SURE_SIGMAS * runs.sigma_m > gap_m)
    hidden, bare, holes = (np.bincount(runs.group, part, count)
                           for part in (runs.explained_m, runs.unexplained_m, black | alone))
    explained = (hidden > 0) & (bare <= UNEXPLAINED_SHARE * gap_m) & (holes == 0)
    return Groups(begins, ends - begins, sigma, explained)


def hole_hidden(demand: HeadingDemand, limits: Limits) -> Profile:
    """Probability that an explained run up to each station holds a hole by chance, (n,)."""
    runs, gap_m = demand.runs, limits.gap.value
    odds = np.zeros(len(demand.station_m))
    if not runs.group.size:
        return odds
    explained = groups_of(demand, gap_m).explained[runs.group]
    room_m2 = np.where(explained, np.maximum(runs.length_m - gap_m, 0) * runs.line_m, 0.0)
    station = np.clip(np.searchsorted(demand.station_m, runs.at_m - 1e-9), 0, len(odds) - 1)
    np.add.at(odds, station, room_m2 * _evidence(runs, gap_m))
    odds = np.cumsum(odds)
    density = hole_density_m2(demand)
    return np.where(odds > 0, -np.expm1(-density * np.maximum(odds, 1e-12)), 0.0)


def _evidence(runs: UnseenRuns, gap_m: float) -> Profile:
    """How much likelier a hole makes it that the lines over a run end as low as they do, (n,).

    Without a hole they end about the local ground, as far off as the seen ground strays from it,
    but no farther than a third of what the shortest harmful hole would show. With a hole of up to
    ``LONGEST_HOLE_M`` they end anywhere down to what that would show. Never less than 1: that no
    low ground is seen is no evidence against a hole which the run hides whole.
    """
    most = runs.fall * min(gap_m, LONGEST_HOLE_M / 2) / 3
    sd = np.maximum(np.minimum(np.nan_to_num(runs.ground_sd_m), most), LEAST_GROUND_SD_M)
    without = np.exp(-0.5 * (runs.sunk_m / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)  # a normal density
    with_hole = 1 / (LONGEST_HOLE_M * runs.fall)
    return np.asarray(np.maximum(with_hole / np.maximum(without, 1e-12), 1.0))


def hole_density_m2(demand: HeadingDemand) -> float:
    """Hollows per area, from those that are seen; +inf where nothing is. [1/m²]

    Every hollow that stands out of the local ground counts, whatever is seen of its depth: at a
    grazing view a deep hole shows little more than its far lip.
    """
    if demand.seen_m2 == 0:
        return np.inf
    return (len(demand.hollows_m) + 0.5) / demand.seen_m2


def worst_name(demand: HeadingDemand, limits: Limits, station: int) -> tuple[str, int]:
    """The measured demand most likely over its limit up to a station, and at which station."""
    chances = {name: at_station(demand, name, limit_of(limits, name))[:station + 1]
               for name in MEASURED}
    name = max(chances, key=lambda n: float(chances[n].max()))
    return name, int(chances[name].argmax())
