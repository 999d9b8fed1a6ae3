"""The drift of each rig over a campaign: what its pairs show, and how that went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hazcam.campaign.summary.against import Rows
from hazcam.campaign.summary.course import Course, Integers, Steps, course
from hazcam.campaign.summary.tally import Groups
from hazcam.frames import Floats, read_only

ANGLES = ("pitch", "vergence", "roll")


@dataclass(frozen=True, kw_only=True, eq=False)
class RigDrift:
    """What the pairs of a rig on a rover show of its drift.

    Attributes
    ----------
    rig, rover : str
        Names; with their digests where two of the run have one name. Rovers may share a file of a
        rig; their cameras do not move together.
    pairs, sought, estimated : int
        Assessed with it; of them those in which a drift was sought; and was found.
    reasons : tuple of (str, int)
        Why none was found, the most frequent first.
    median_deg, low_deg, high_deg : ndarray of shape (3,)
        Of pitch, vergence and roll: median, tenth and ninetieth percentile. [deg] NaN: no estimate.
    sigma_deg : ndarray of shape (3,)
        Median of the standard deviations of a single pair. [deg]
    first_deg, last_deg : ndarray of shape (3,)
        Medians of the first and of the last tenth of the pairs, in time. [deg]
    course : Course or None
        ``pitch_deg``, ``pitch_sigma_deg`` and so on of the estimates; None: none that is timed.
    """

    rig: str
    rover: str
    pairs: int
    sought: int
    estimated: int
    reasons: tuple[tuple[str, int], ...]
    median_deg: Floats
    low_deg: Floats
    high_deg: Floats
    sigma_deg: Floats
    first_deg: Floats
    last_deg: Floats
    course: Course | None

    def __post_init__(self) -> None:
        for name in ("median_deg", "low_deg", "high_deg", "sigma_deg", "first_deg", "last_deg"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))


def rig_drifts(
    found: Rows, drifts: Rows, rigs: Mapping[str, str], groups: Groups, steps: Steps
) -> tuple[RigDrift, ...]:
    """The drift of each rig on each rover.

    Parameters
    ----------
    found, drifts : structured array
        Tables ``assessments`` and ``drifts``.
    rigs : mapping of str to str
        Names by digest.
    groups : Groups
        Of the pairs.
    steps : Steps
        Of the campaign.
    """
    rover_of = groups.rover[groups.rows_of(found["pair"])]
    both = sorted(set(zip(found["rig"].tolist(), rover_of.tolist(), strict=True)),
                  key=lambda both: (rigs[both[0]], both[1]))
    at = groups.rover[groups.rows_of(drifts["pair"])]
    return tuple(
        _rig_drift(rigs[digest], rover, int(((found["rig"] == digest) & (rover_of == rover)).sum()),
                   drifts[(drifts["rig"] == digest) & (at == rover)], groups, steps)
        for digest, rover in both)


def _rig_drift(
    rig: str, rover: str, pairs: int, sought: Rows, groups: Groups, steps: Steps
) -> RigDrift:
    known = sought[np.isfinite(sought["pitch_deg"])]
    step = np.asarray(steps.step[groups.rows_of(known["pair"])], dtype=np.int64)
    # What has no place in time, as behind a wrong clock, is neither first nor last.
    order = np.argsort(step, kind="stable")
    order = order[step[order] >= 0]
    angles = np.stack([known[f"{a}_deg"] for a in ANGLES], axis=1)
    sigmas = np.stack([known[f"{a}_sigma_deg"] for a in ANGLES], axis=1)
    tenth = max(1, len(order) // 10)
    reasons = Counter(text for text in sought["reason"].tolist() if text)
    return RigDrift(
        rig=rig, rover=rover, pairs=pairs, sought=len(sought), estimated=len(known),
        reasons=tuple(sorted(reasons.items(), key=lambda item: (-item[1], item[0]))),
        median_deg=_percentile(angles, 50), low_deg=_percentile(angles, 10),
        high_deg=_percentile(angles, 90), sigma_deg=_percentile(sigmas, 50),
        first_deg=_percentile(angles[order[:tenth]], 50),
        last_deg=_percentile(angles[order[-tenth:]], 50),
        course=_course(rig, steps, step, {key: known[key] for a in ANGLES
                                          for key in (f"{a}_deg", f"{a}_sigma_deg")}))


def _course(
    name: str, steps: Steps, step: Integers, values: Mapping[str, Floats]
) -> Course | None:
    shown = np.any([np.isfinite(value) for value in values.values()], axis=0) & (step >= 0)
    if not shown.any():
        return None
    return course(name, "", steps, step[shown], {k: v[shown] for k, v in values.items()})


def _percentile(values: Floats, percent: float) -> Floats:
    if not len(values):
        return np.full(len(ANGLES), np.nan)
    return np.asarray(np.percentile(values, percent, axis=0))
