"""What a campaign amounts to: counts, causes, disagreements, and the course of rigs and pictures.

Pure: from the tables of a run to one record that text and pages show; they compute nothing.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.schema import TABLES
from hazcam.campaign.summary.against import (
    Ahead,
    Onboard,
    Rows,
    Walk,
    onboard_against_ours,
    walks_of,
)
from hazcam.campaign.summary.course import (
    Course,
    Steps,
    course,
    far_from_the_rest,
    moments,
    steps_of,
    without_zone,
)
from hazcam.campaign.summary.drift_course import RigDrift, rig_drifts
from hazcam.campaign.summary.dust import DustSpot, campaign_dust
from hazcam.campaign.summary.rehearsed import NotRehearsed, not_rehearsed
from hazcam.campaign.summary.rig_days import RigDay, rig_days
from hazcam.campaign.summary.tally import Groups, Tables, Tally, named, no_pairs

# Long texts that no summary asks for: a table is as wide as the longest of them in every row.
_LEFT_OUT = {"pairs": ("given", "files"), "drifts": ("json",), "rigs": ("yaml",),
             "rovers": ("json",)}
READ: Mapping[str, tuple[str, ...]] = {
    name: tuple(c.name for c in TABLES[name].plain if c.name not in _LEFT_OUT.get(name, ()))
    for name in ("pairs", "assessments", "headings", "pictures", "spots", "drifts", "failures",
                 "rigs", "rovers", "settings")}
"""The tables that a summary is made of, with their columns."""
QUALITY = ("mean_grey", "saturated", "dark", "blur", "lost")


@dataclass(frozen=True, kw_only=True)
class CauseCount:
    """How often a cause comes first.

    Attributes
    ----------
    kind, reason : str
        As of a heading; the reason why ground was not seen, empty for other causes.
    ahead, headings : int
        Straight ahead, and over all headings.
    """

    kind: str
    reason: str
    ahead: int
    headings: int


@dataclass(frozen=True, kw_only=True)
class Assumed:
    """Ground out of view that go straight ahead rests on: of so many pairs, median and most."""

    pairs: int
    median_m: float
    most_m: float


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A rig by its name, with its digest where two have one name, and the size of its pictures."""

    name: str
    width_px: int
    height_px: int


@dataclass(frozen=True, kw_only=True, eq=False)
class CampaignSummary:
    """What the pairs of a campaign amount to.

    Attributes
    ----------
    all : Tally
        Of all pairs.
    by_rover, by_day, by_site : tuple of Tally
        Of each group, by name; what is not stated comes last.
    failures, unusable : tuple of (str, int)
        By kind, and by first cause against the whole pair, the most first.
    missing : mapping of str to int
        Assessed pairs without their ``left`` or ``right`` picture.
    no_attitude : int
        Assessed pairs that do not state roll and pitch.
    causes : tuple of CauseCount
        The most frequent straight ahead first.
    assumed : Assumed
        What the verdicts go straight ahead take for granted.
    not_rehearsed : tuple of NotRehearsed
        Conditions outside those rehearsed, those of the most pairs first.
    walks : tuple of Walk
        Those first that went wrong although we said go.
    onboard : Onboard
        The rover's own verdicts against ours.
    steps : Steps
        Of the time, or of the places in the manifest, that the courses run over.
    not_timed : int
        Assessed pairs that no course shows: they do not say when they were taken, others do.
    far_times : tuple of (str, str)
        Pairs, and the times they state, that are far from the rest (``far_from_the_rest``): their
        clocks were probably wrong, and no course shows them.
    no_zone : int
        Pairs that state a time without a zone, which counts as UTC.
    quality : tuple of Course
        Of the pictures by rover and side: ``QUALITY``.
    drifts : tuple of RigDrift
        By rig and rover.
    rig_days : tuple of RigDay
        Offsets of rows by rig, rover and day.
    dust : tuple of DustSpot
        Dark spots that stay put, by rig, rover and side, the surest first.
    rovers : mapping of str to str
        Names by the digest of the rover.
    sensors : mapping of str to Sensor
        By the digest of the rig.
    settings : tuple of mapping
        Each of the settings of the run, as in a record.
    versions : tuple of (str, int)
        Versions of hazcam that assessed, with their pairs.
    """

    all: Tally
    by_rover: tuple[Tally, ...]
    by_day: tuple[Tally, ...]
    by_site: tuple[Tally, ...]
    failures: tuple[tuple[str, int], ...]
    unusable: tuple[tuple[str, int], ...]
    missing: Mapping[str, int]
    no_attitude: int
    causes: tuple[CauseCount, ...]
    assumed: Assumed
    not_rehearsed: tuple[NotRehearsed, ...]
    walks: tuple[Walk, ...]
    onboard: Onboard
    steps: Steps
    not_timed: int
    far_times: tuple[tuple[str, str], ...]
    no_zone: int
    quality: tuple[Course, ...]
    drifts: tuple[RigDrift, ...]
    rig_days: tuple[RigDay, ...]
    dust: tuple[DustSpot, ...]
    rovers: Mapping[str, str]
    sensors: Mapping[str, Sensor]
    settings: tuple[Mapping[str, Any], ...]
    versions: tuple[tuple[str, int], ...]


def summarise(tables: Tables, record_of: Callable[[str], Mapping[str, Any]]) -> CampaignSummary:
    """Summarise a campaign.

    Parameters
    ----------
    tables : mapping of str to structured array
        Those named in ``READ``, as ``Run.table`` gives them with these columns.
    record_of : callable
        ``Run.record``: from the id of a pair to the record of its assessment. Asked only where the
        rover's own algorithm says go and we ask, for the causes beyond the first.

    Raises
    ------
    ValueError
        Rows of a pair that the table ``pairs`` does not hold.
    """
    pairs, found, headings = tables["pairs"], tables["assessments"], tables["headings"]
    groups = Groups.of(tables)
    ahead = headings[headings["heading_deg"] == 0]
    going = ahead[ahead["verdict"] == "go"]
    taken = moments(pairs["taken_at"].tolist())
    steps, far = steps_of(taken, pairs["place"]), far_from_the_rest(taken)
    rigs = named(tables["rigs"])
    return CampaignSummary(
        all=groups.tallies(np.full(len(pairs), "all"))[0] if len(pairs) else no_pairs(),
        by_rover=groups.tallies(groups.rover), by_day=groups.tallies(groups.day),
        by_site=groups.tallies(groups.site),
        failures=_most_first(tables["failures"]["kind"].tolist()),
        unusable=_most_first(found["unusable_because"][found["usable"] == 0].tolist()),
        missing=_missing(found["pair"], tables["pictures"]),
        no_attitude=int(np.isnan(pairs["roll_deg"][groups.rows_of(found["pair"])]).sum()),
        causes=_causes(headings, ahead), assumed=_assumed(going["assumed_m"]),
        not_rehearsed=not_rehearsed(found),
        walks=walks_of(pairs, headings, tables["failures"]), steps=steps,
        onboard=onboard_against_ours(pairs, ahead, lambda id_: _said_ahead(record_of(id_))),
        not_timed=int(((steps.step < 0) & ~far)[groups.rows_of(found["pair"])].sum()),
        far_times=tuple(zip(pairs["pair"][far].tolist(), pairs["taken_at"][far].tolist(),
                            strict=True)),
        no_zone=without_zone(pairs["taken_at"].tolist()),
        quality=_quality(groups, steps, tables["pictures"]),
        drifts=rig_drifts(found, tables["drifts"], rigs, groups, steps),
        rig_days=rig_days(found, rigs, groups, taken),
        dust=campaign_dust(pairs, found, tables["pictures"], tables["spots"], tables["rigs"]),
        rovers=named(tables["rovers"]), sensors=_sensors(tables["rigs"]),
        settings=tuple(json.loads(text) for text in tables["settings"]["json"].tolist()),
        versions=_most_first(found["hazcam"].tolist()))


def _said_ahead(record: Mapping[str, Any]) -> Ahead:
    ahead = next(h for h in record["headings"] if h["heading_deg"] == 0)
    return Ahead(causes=ahead["causes"], confidence=float(record["settings"]["confidence"]))


def _sensors(rigs: Rows) -> dict[str, Sensor]:
    names = named(rigs)
    return {digest: Sensor(name=names[digest], width_px=width, height_px=height)
            for digest, width, height in zip(rigs["digest"].tolist(), rigs["width_px"].tolist(),
                                             rigs["height_px"].tolist(), strict=True)}


def _most_first(words: Iterable[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(Counter(words).items(), key=lambda item: (-item[1], item[0])))


def _missing(assessed: Rows, pictures: Rows) -> dict[str, int]:
    return {side: len(assessed) - int((pictures["side"] == side).sum())
            for side in ("left", "right")}


def _causes(headings: Rows, ahead: Rows) -> tuple[CauseCount, ...]:
    everywhere, straight = _first_causes(headings), _first_causes(ahead)
    found = [CauseCount(kind=kind, reason=reason, ahead=straight[kind, reason], headings=count)
             for (kind, reason), count in everywhere.items()]
    return tuple(sorted(found, key=lambda c: (-c.ahead, -c.headings, c.kind, c.reason)))


def _first_causes(headings: Rows) -> Counter[tuple[str, str]]:
    asks = headings["verdict"] != "go"
    return Counter(zip(headings["cause"][asks].tolist(), headings["cause_reason"][asks].tolist(),
                       strict=True))


def _assumed(assumed_m: NDArray[Any]) -> Assumed:
    some = assumed_m[assumed_m > 0]
    if not len(some):
        return Assumed(pairs=0, median_m=0.0, most_m=0.0)
    return Assumed(pairs=len(some), median_m=float(np.median(some)), most_m=float(some.max()))


def _quality(groups: Groups, steps: Steps, pictures: Rows) -> tuple[Course, ...]:
    at = groups.rows_of(pictures["pair"])
    rover, step = groups.rover[at], steps.step[at]
    courses = []
    for name in sorted(set(rover.tolist())):
        for side in ("left", "right"):
            mine = (rover == name) & (pictures["side"] == side)
            if (step[mine] >= 0).any():
                courses.append(course(name, side, steps, step[mine],
                                      {key: pictures[key][mine] for key in QUALITY}))
    return tuple(courses)
