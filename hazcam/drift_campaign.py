"""Drift over a campaign: did the camera stay as it was, and what do all pairs say together?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from scipy.stats import chi2

from hazcam.assess import view_of
from hazcam.calibration import StereoRig, rig_for
from hazcam.drift import DriftEstimate, NoDrift, find_drift
from hazcam.drift_effect import drift_effects
from hazcam.errors import PairError
from hazcam.frames import Floats, read_only
from hazcam.imagery import StereoPair, check_pictures
from hazcam.settings import Settings

# A pair that lies this far from the others (99.9 % of chi-squared at three angles) is a bad one.
_BAD = float(chi2.ppf(0.999, 3))
# So many of the pairs may be bad; more of them say that the camera moved.
_MAX_BAD_SHARE = 0.1
_FEWEST_TO_JUDGE = 5
# Pairs that differ more than this by chance alone are so in one campaign of a thousand.
_MOVED_BELOW = 0.001
_STEPS = 50


@dataclass(frozen=True, kw_only=True, eq=False)
class PairDrift:
    """The drift that one pair shows.

    Attributes
    ----------
    id : str
        Of the pair.
    digest : str
        Of its pictures.
    taken_at : str or None
        As its sidecar says; None where it does not.
    drift : DriftEstimate
    notes : tuple of str
        What else is to be said of it.
    """

    id: str
    digest: str
    taken_at: str | None
    drift: DriftEstimate
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class CampaignDrift:
    """What the pairs of a campaign show together.

    Attributes
    ----------
    pairs : tuple of PairDrift
        In the order of time, or of their names.
    by_time : bool
        Every pair says when it was taken, so the order is that of time.
    left_out : tuple of bool
        Pairs that lie so far from the others that they were not pooled.
    chi_squared, freedom, probability : float, int, float
        Of the kept pairs about their mean, and how likely chance alone gives as much; 0, 0 and 1
        for a single pair.
    scattered : bool
        Chance alone hardly gives as much.
    moved : bool
        The camera did not stay as it was: they are scattered, and with their mean taken out, what
        is left in some of them does not keep the limit. There is no one turn for all pairs.
    step : int or None
        Where the pairs are scattered, the first of ``pairs`` behind the step that explains most of
        it: two means instead of one leave the least chi-squared.
    turn_deg : ndarray of shape (3,)
        Of all kept pairs. [deg]
    covariance : ndarray of shape (3, 3)
        What the pairs share (systematic error, baseline direction, calibration) is not averaged
        down. Where they are scattered, what they scatter more than their own covariances say is
        in it, as of the mean of so many. [deg²]
    calibration_covariance : ndarray of shape (3, 3)
        Part of it: what the covariance of the rig leaves open. [deg²]
    """

    pairs: tuple[PairDrift, ...]
    by_time: bool
    left_out: tuple[bool, ...]
    chi_squared: float
    freedom: int
    probability: float
    scattered: bool
    moved: bool
    step: int | None
    turn_deg: Floats
    covariance: Floats
    calibration_covariance: Floats

    def __post_init__(self) -> None:
        if not self.pairs or len(self.pairs) != len(self.left_out):
            raise ValueError("a CampaignDrift needs pairs, and of each whether it was left out")
        for name in ("turn_deg", "covariance", "calibration_covariance"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))

    @property
    def sigma_deg(self) -> Floats:
        """One standard deviation of pitch, vergence and roll. [deg]"""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def added_sigma_deg(self) -> Floats:
        """The same without the calibration's part: what more or better pairs can lower. [deg]"""
        return np.asarray(np.sqrt(np.diag(self.covariance - self.calibration_covariance)))

    @property
    def kept(self) -> tuple[PairDrift, ...]:
        """The pairs that were not left out."""
        return tuple(p for p, out in zip(self.pairs, self.left_out, strict=True) if not out)

    @property
    def spread_deg(self) -> Floats:
        """Standard deviation between the kept pairs, shape (3,). [deg] NaN for a single one."""
        turns = [pair.drift.turn_deg for pair in self.kept]
        return np.std(turns, axis=0, ddof=1) if len(turns) > 1 else np.full(3, np.nan)

    @property
    def baseline_deg(self) -> Floats:
        """Mean of that of the kept pairs, shape (2,). [deg]"""
        return np.asarray(np.mean([pair.drift.baseline_deg for pair in self.kept], axis=0))


def drift_of(pair: StereoPair, rig: StereoRig) -> PairDrift:
    """Estimate the drift on one pair.

    Parameters
    ----------
    pair : StereoPair
    rig : StereoRig
        As calibrated, with its mount.

    Raises
    ------
    PairError
        A picture is missing, or the pair does not show the drift; in words why.
    """
    own = rig_for(pair.size, pair.window, pair.binning, rig, where=pair.left_name)
    view, intake = view_of(pair.attitude, own, Settings()), check_pictures(pair)
    found: DriftEstimate | NoDrift = NoDrift(reason="a picture is missing")
    if pair.left is not None and pair.right is not None:
        found = find_drift(pair, own, intake, view)
    if isinstance(found, NoDrift):
        raise PairError(pair.id, f"no drift can be told: {found.reason}",
                        "two pictures of one moment, of textured ground",
                        "leave the pair out, or see that rig file, window and pictures belong "
                        "together")
    return PairDrift(id=pair.id, digest=pair.digest, taken_at=pair.details.get("taken_at"),
                     drift=found)


def pool(pairs: Sequence[PairDrift], rig: StereoRig) -> CampaignDrift:
    """Put the pairs of a campaign together.

    Each pair counts by the inverse of its covariance, that of the calibration left out, which is
    the same for all. Pairs far from where the others agree are left out, one in ten at most. The
    kept ones are then tested for having stayed where they were (chi-squared about their mean). Many
    good pairs show by that turns far too small to matter: so it is weighed against the limit.

    Parameters
    ----------
    pairs : sequence of PairDrift
        At least one.
    rig : StereoRig
        As calibrated, with its mount.
    """
    by_time = all(pair.taken_at is not None for pair in pairs)
    ordered = sorted(pairs, key=lambda p: (_moment(p) if by_time else 0.0, p.id))
    turns = np.stack([pair.drift.turn_deg for pair in ordered])
    of_pair = np.stack([_part(pair.drift.covariance - pair.drift.calibration_covariance)
                        for pair in ordered])
    kept = _kept(turns, of_pair)
    mean, gains = _mean(turns[kept], of_pair[kept])
    used = [pair.drift for pair, k in zip(ordered, kept, strict=True) if k]
    freedom = 3 * (int(kept.sum()) - 1)
    chi_squared = _chi_squared(turns[kept], of_pair[kept]) if freedom else 0.0
    probability = float(chi2.sf(chi_squared, freedom)) if freedom else 1.0
    scattered = probability < _MOVED_BELOW
    covariance = _covariance(used, gains)
    if scattered:
        covariance = covariance + _of_mean(_excess(turns[kept], of_pair[kept]), gains)
    return CampaignDrift(
        pairs=tuple(ordered), by_time=by_time, left_out=tuple(bool(v) for v in ~kept),
        chi_squared=chi_squared, freedom=freedom, probability=probability, scattered=scattered,
        moved=scattered and not _all_keep(rig, turns[kept] - mean, of_pair[kept]),
        step=int(np.flatnonzero(kept)[_step(turns[kept], of_pair[kept])]) if scattered else None,
        turn_deg=mean, covariance=covariance,
        calibration_covariance=_alike([d.calibration_covariance for d in used], gains),
    )


def sides_of_step(found: CampaignDrift, rig: StereoRig) -> tuple[CampaignDrift, ...]:
    """The pairs before and since the step, each put together; nothing where there is none."""
    if not found.moved or found.step is None:
        return ()
    return pool(found.pairs[: found.step], rig), pool(found.pairs[found.step :], rig)


def _moment(pair: PairDrift) -> float:
    """Seconds, for the order; a time without a zone counts as universal time."""
    moment = datetime.fromisoformat(pair.taken_at or "")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _part(covariance: Floats) -> Floats:
    return covariance[:3, :3]


def _kept(turns: Floats, covariances: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which pairs are pooled, (N,): those that agree, or all where too many do not.

    All, too, where few pairs cannot tell which of them is the odd one, and where the last one is:
    a camera that moved late must not pass for a bad pair.
    """
    kept = _agreeing(turns, covariances)
    too_many = (~kept).sum() > max(1, _MAX_BAD_SHARE * len(kept))
    if too_many or len(kept) < _FEWEST_TO_JUDGE or not kept[-1]:
        return np.ones(len(kept), dtype=bool)
    return kept


def _agreeing(turns: Floats, covariances: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which pairs lie near where most of them agree, (N,): from the median on, until it stays."""
    centre, kept = np.median(turns, axis=0), np.ones(len(turns), dtype=bool)
    for _ in range(_STEPS):
        before, kept = kept, _distances(turns, covariances, centre) <= _BAD
        if not kept.any() or (kept == before).all():
            break
        centre = _mean(turns[kept], covariances[kept])[0]
    return np.asarray(kept if kept.any() else ~kept)


def _mean(turns: Floats, covariances: Floats) -> tuple[Floats, Floats]:
    """Weighted mean (3,), and what each pair adds to it (N, 3, 3)."""
    weights = np.linalg.inv(covariances)
    gains = np.linalg.solve(weights.sum(axis=0), weights)
    return np.einsum("nij,nj->i", gains, turns), gains


def _excess(turns: Floats, covariances: Floats) -> Floats:
    """By how much turns scatter more than their covariances say, (3, 3); nowhere negative.

    By moments: covariance of the sample less the mean covariance. By direction, since pairs may
    well scatter in pitch alone, and a factor for all angles would open the vergence for it.
    """
    values, axes = np.linalg.eigh(np.cov(turns.T) - covariances.mean(axis=0))
    return np.asarray((axes * np.maximum(values, 0)) @ axes.T)


def _of_mean(covariance: Floats, gains: Floats) -> Floats:
    """Covariance (3, 3) of the weighted mean of what has this covariance in each pair."""
    return np.asarray(np.einsum("nij,jk,nlk->il", gains, covariance, gains))


def _chi_squared(turns: Floats, covariances: Floats) -> float:
    """Of turns about their mean."""
    return float(_distances(turns, covariances, _mean(turns, covariances)[0]).sum())


def _step(turns: Floats, covariances: Floats) -> int:
    """The first turn behind the split into two means that leaves the least chi-squared."""
    return min(range(1, len(turns)),
               key=lambda k: (_chi_squared(turns[:k], covariances[:k])
                              + _chi_squared(turns[k:], covariances[k:])))


def _all_keep(rig: StereoRig, left: Floats, covariances: Floats) -> bool:
    """Does nothing speak against the limit in what is left in each pair?"""
    # The covariance of the rig is no part of what differs between pairs.
    plain = replace(rig, covariance=None)
    return all(drift_effects(plain, turn, covariance).tolerable
               for turn, covariance in zip(left, covariances, strict=True))


def _distances(turns: Floats, covariances: Floats, centre: Floats) -> Floats:
    off = turns - centre
    return np.asarray(np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariances), off))


def _covariance(drifts: Sequence[DriftEstimate], gains: Floats) -> Floats:
    """Of the mean: noise averages, what the pairs share does not."""
    noise = np.stack([_part(drift.noise_covariance) for drift in drifts])
    shared = _alike([drift.covariance - drift.noise_covariance for drift in drifts], gains)
    return np.asarray(np.einsum("nij,njk,nlk->il", gains, noise, gains) + shared)


def _alike(covariances: Sequence[Floats], gains: Floats) -> Floats:
    """Mean of what is alike in all pairs (3, 3), each counted as it counts for the turn."""
    weight = np.trace(gains, axis1=1, axis2=2) / 3
    return np.asarray(np.einsum("n,nij->ij", weight, [_part(c) for c in covariances]))
