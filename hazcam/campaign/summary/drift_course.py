"""The drift of each rig over a campaign: what its pairs show, and how that went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hazcam.campaign.summary.against import Rows
from hazcam.campaign.summary.course import Course, Integers, Steps, course
from hazcam.frames import Floats, read_only

ANGLES = ("pitch", "vergence", "roll")


@dataclass(frozen=True, kw_only=True, eq=False)
class RigDrift:
    """What the pairs of a rig show of its drift.

    Attributes
    ----------
    rig : str
        Name; with its digest where two rigs of the run have one name.
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
    rows_off : Course or None
        ``rows_off_px`` of the pairs without an estimate; None: there is none.
    """

    rig: str
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
    rows_off: Course | None

    def __post_init__(self) -> None:
        for name in ("median_deg", "low_deg", "high_deg", "sigma_deg", "first_deg", "last_deg"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))


def rig_drifts(
    found: Rows, drifts: Rows, names: Mapping[str, str], steps: Steps, rows: Mapping[str, int]
) -> tuple[RigDrift, ...]:
    """The drift of each rig.

    Parameters
    ----------
    found, drifts : structured array
        Tables ``assessments`` and ``drifts``.
    names : mapping of str to str
        Of the rigs, by digest.
    steps : Steps
        Of the campaign.
    rows : mapping of str to int
        Row of the table ``pairs`` by id.
    """
    known = drifts[np.isfinite(drifts["pitch_deg"])]
    rest = found[~np.isin(found["pair"], known["pair"])]
    return tuple(
        _rig_drift(names[digest], int((found["rig"] == digest).sum()),
                   known[known["rig"] == digest], rest[rest["rig"] == digest],
                   drifts[drifts["rig"] == digest], steps, rows)
        for digest in sorted(set(found["rig"].tolist()), key=lambda d: names[d]))


def _rig_drift(
    name: str, pairs: int, known: Rows, rest: Rows, sought: Rows, steps: Steps,
    rows: Mapping[str, int],
) -> RigDrift:
    step = _step(known, steps, rows)
    order = np.argsort(step, kind="stable")
    angles = np.stack([known[f"{a}_deg"] for a in ANGLES], axis=1)[order]
    sigmas = np.stack([known[f"{a}_sigma_deg"] for a in ANGLES], axis=1)
    tenth = max(1, len(known) // 10)
    reasons = Counter(text for text in sought["reason"].tolist() if text)
    return RigDrift(
        rig=name, pairs=pairs, sought=len(sought), estimated=len(known),
        reasons=tuple(sorted(reasons.items(), key=lambda item: (-item[1], item[0]))),
        median_deg=_percentile(angles, 50), low_deg=_percentile(angles, 10),
        high_deg=_percentile(angles, 90), sigma_deg=_percentile(sigmas, 50),
        first_deg=_percentile(angles[:tenth], 50), last_deg=_percentile(angles[-tenth:], 50),
        course=_course(name, steps, step, {key: known[key] for a in ANGLES
                                           for key in (f"{a}_deg", f"{a}_sigma_deg")}),
        rows_off=_course(name, steps, _step(rest, steps, rows),
                         {"rows_off_px": rest["rows_off_px"]}))


def _step(table: Rows, steps: Steps, rows: Mapping[str, int]) -> Integers:
    at = np.array([rows[id_] for id_ in table["pair"].tolist()], dtype=np.int64)
    return np.asarray(steps.step[at], dtype=np.int64)


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
