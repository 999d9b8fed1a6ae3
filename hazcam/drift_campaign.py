"""Drift over a campaign: did the camera stay as it was, and what do all pairs say together?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from scipy.stats import chi2

from hazcam.assess import view_of
from hazcam.calibration import StereoRig, rig_digest, rig_for
from hazcam.drift import DriftEstimate, NoDrift, find_drift, turned
from hazcam.errors import PairError, RigError
from hazcam.frames import Floats, read_only
from hazcam.imagery import StereoPair, check_pictures
from hazcam.refinement import MAX_REFINE_SIGMA_DEG
from hazcam.settings import Settings

# A pair that lies this far from the others (99.9 % of chi-squared at three angles) is a bad one.
_BAD = float(chi2.ppf(0.999, 3))
# So many of the pairs may be bad; more of them say that the camera moved.
_MAX_BAD_SHARE = 0.1
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
    """

    id: str
    digest: str
    taken_at: str | None
    drift: DriftEstimate


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
    moved : bool
        The camera did not stay as it was: there is no one turn for all pairs.
    turn_deg : ndarray of shape (3,)
        Of all kept pairs. [deg]
    covariance : ndarray of shape (3, 3)
        What the pairs share (systematic error, baseline direction, calibration) is not averaged
        down. [deg²]
    calibration_covariance : ndarray of shape (3, 3)
        Part of it: what the covariance of the rig leaves open. [deg²]
    """

    pairs: tuple[PairDrift, ...]
    by_time: bool
    left_out: tuple[bool, ...]
    chi_squared: float
    freedom: int
    probability: float
    moved: bool
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
    def spread_deg(self) -> Floats:
        """Standard deviation between the kept pairs, shape (3,). [deg] NaN for a single one."""
        kept = [p.drift.turn_deg for p, out in zip(self.pairs, self.left_out, strict=True)
                if not out]
        return np.std(kept, axis=0, ddof=1) if len(kept) > 1 else np.full(3, np.nan)


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


def pool(pairs: Sequence[PairDrift]) -> CampaignDrift:
    """Put the pairs of a campaign together.

    Each pair counts by the inverse of its covariance, that of the calibration left out, which is
    the same for all. Pairs far from where the others agree are left out, one in ten at most. The
    kept ones are then tested for having stayed where they were (chi-squared about their mean).

    Parameters
    ----------
    pairs : sequence of PairDrift
        At least one.
    """
    by_time = all(pair.taken_at is not None for pair in pairs)
    ordered = sorted(pairs, key=lambda p: (_moment(p) if by_time else 0.0, p.id))
    turns = np.stack([pair.drift.turn_deg for pair in ordered])
    of_pair = np.stack([_part(pair.drift.covariance - pair.drift.calibration_covariance)
                        for pair in ordered])
    kept = _agreeing(turns, of_pair)
    too_many = (~kept).sum() > max(1, _MAX_BAD_SHARE * len(kept))
    if too_many:
        kept = np.ones(len(kept), dtype=bool)
    mean, gains = _mean(turns[kept], of_pair[kept])
    used = [pair.drift for pair, k in zip(ordered, kept, strict=True) if k]
    chi_squared = float(_distances(turns[kept], of_pair[kept], mean).sum())
    freedom = 3 * (int(kept.sum()) - 1)
    probability = float(chi2.sf(chi_squared, freedom)) if freedom else 1.0
    return CampaignDrift(
        pairs=tuple(ordered), by_time=by_time, left_out=tuple(bool(v) for v in ~kept),
        chi_squared=chi_squared if freedom else 0.0, freedom=freedom, probability=probability,
        moved=probability < _MOVED_BELOW, turn_deg=mean,
        covariance=_covariance(used, gains),
        calibration_covariance=_alike([d.calibration_covariance for d in used], gains),
    )


def _moment(pair: PairDrift) -> float:
    """Seconds, for the order; a time without a zone counts as universal time."""
    moment = datetime.fromisoformat(pair.taken_at or "")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _part(covariance: Floats) -> Floats:
    return covariance[:3, :3]


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


def mended_rig(rig: StereoRig, found: CampaignDrift) -> StereoRig:
    """The rig with the pooled turn taken out, its provenance saying from which pairs.

    Raises
    ------
    RigError
        The camera moved within the campaign, or an angle is known to more than
        ``MAX_REFINE_SIGMA_DEG`` only.
    """
    where = rig.source or rig.name
    if found.moved:
        raise RigError(where, "the right camera moved within the campaign: no one turn mends it",
                       "pairs over which it stayed as it was",
                       "give the pairs since it last moved, or calibrate again")
    if np.any(found.sigma_deg > MAX_REFINE_SIGMA_DEG):
        sigmas = ", ".join(f"{sigma:.3f}" for sigma in found.sigma_deg)
        raise RigError(where, f"pitch, vergence and roll are known to {sigmas} degrees (one sigma)",
                       f"each to {MAX_REFINE_SIGMA_DEG:g} degrees",
                       "give more pairs of textured ground that fills the pictures, or calibrate "
                       "again")
    used = [pair.id for pair, out in zip(found.pairs, found.left_out, strict=True) if not out]
    said = {"turn_deg": found.turn_deg.tolist(), "sigma_deg": found.sigma_deg.tolist(),
            "pairs": used, "from_rig": rig.name, "from_digest": rig.digest}
    mended = turned(rig, found.turn_deg)
    provenance = {**rig.provenance, "drift_taken_out": said}
    mended = replace(mended, provenance=provenance, covariance=_with_turn(rig, found))
    return replace(mended, digest=rig_digest(mended))


def _with_turn(rig: StereoRig, found: CampaignDrift) -> Floats | None:
    """The rig's covariance with what the drift leaves open on top; None stays None.

    T turns with R. What the calibration itself leaves open of the drift is in it already.
    """
    if rig.covariance is None:
        return None
    x, y, z = rig.T
    # d(Rodrigues(w) T)/dw = -[T]x
    J = np.vstack([np.eye(3), [[0, z, -y], [-z, 0, x], [y, -x, 0]]])
    open_ = np.radians(np.radians(found.covariance - found.calibration_covariance))
    covariance = rig.covariance.copy()
    covariance[8:14, 8:14] += J @ open_ @ J.T
    return covariance
