"""What to look at first in a campaign: a few lines, each with where to look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from hazcam.campaign.summary.against import DisagreementKind
from hazcam.campaign.summary.rig_days import RigDay
from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.campaign.summary.tally import Tally
from hazcam.report.campaign_words import mount_text
from hazcam.report.record import counted

_SHOWN = 4
_LEAST_FAILED, _FAILED_SHARE = 3, 1 / 3
_LEAST_NO_MATCH = 3
_MOST_DAYS = 2  # with a line of their own


@dataclass(frozen=True, kw_only=True)
class Look:
    """A line of what to look at first.

    Attributes
    ----------
    text : str
        In words, without a point at the end.
    pairs : tuple of str
        Ids of the first few pairs.
    more : int
        Pairs that are not named.
    section : str
        Of the page of figures.
    """

    text: str
    pairs: tuple[str, ...]
    more: int
    section: str

    def line(self) -> str:
        """As plain text."""
        named = ", ".join(self.pairs) + (f" and {self.more} more" if self.more else "")
        return f"{self.text}{': ' if named else ''}{named}"


def first_looks(summary: CampaignSummary) -> list[Look]:
    """What a team should look at first, the most dangerous first; what is well is left out."""
    return [*_walked(summary), *_onboard(summary), *_no_match(summary.rig_days),
            *_drifting(summary.rig_days), *_failing(summary), *_dust(summary)]


def _look(text: str, section: str, ids: Sequence[str] = ()) -> Look:
    return Look(text=text, section=section, pairs=tuple(ids[:_SHOWN]),
                more=max(0, len(ids) - _SHOWN))


def _walked(summary: CampaignSummary) -> Iterator[Look]:
    wrong = [w for w in summary.walks if not w.climbed]
    for verdict, what in (("go", "walked where we said go, and did not climb"),
                          ("", "walked without a verdict of ours, and did not climb")):
        ids = [w.pair for w in wrong if w.verdict == verdict]
        if ids:
            yield _look(f"{counted(len(ids), 'pair')} {what}", "walked", ids)


def _onboard(summary: CampaignSummary) -> Iterator[Look]:
    dangerous: tuple[tuple[DisagreementKind, str], ...] = (
        ("over", "something measured is over its limit"),
        ("may exceed", "a limit may be exceeded"))
    for kind, what in dangerous:
        ids = [d.pair for d in summary.onboard.of_kind(kind)]
        if ids:
            yield _look(f"the rover says go, {what}", "onboard", ids)


def _no_match(days: Sequence[RigDay]) -> Iterator[Look]:
    found = sorted((d for d in days if d.no_match >= _LEAST_NO_MATCH and d.no_match > d.pairs / 2),
                   key=lambda d: -d.no_match)
    for d in found[:_MOST_DAYS]:
        whole = d.no_match == d.pairs
        which = f"all {d.pairs} pairs" if whole else f"{d.no_match} of {d.pairs} pairs"
        why = ", probably it is the file of another rig" if whole else ""
        yield _look(f"{which} of {d.day} with {mount_text(d.rig, d.rover)} do not match the "
                    f"calibration{why}", "rows", [d.first_pair])
    yield from _more_days(found, "do not match the calibration")


def _more_days(found: Sequence[RigDay], what: str) -> Iterator[Look]:
    """Where more days have the same fault than have a line of their own."""
    if len(found) > _MOST_DAYS:
        yield _look(f"{len(found) - _MOST_DAYS} more days whose pairs {what}", "rows")


def _drifting(days: Sequence[RigDay]) -> Iterator[Look]:
    found = sorted((d for d in days if d.trend or d.far),
                   key=lambda d: (not d.trend, -abs(d.last_px - d.first_px)))
    for d in found[:_MOST_DAYS]:
        if d.trend:
            yield _look(f"the rows of {mount_text(d.rig, d.rover)} went from {d.first_px:.2f} to "
                        f"{d.last_px:.2f} px off within {d.day}: a camera that moves",
                        "rows", [d.first_pair])
        else:
            yield _look(f"the rows of {mount_text(d.rig, d.rover)} are {d.median_px:.2f} px off on "
                        f"{d.day}, {d.others_px:.2f} px on the other days", "rows", [d.first_pair])
    yield from _more_days(found, "are off by more or less than on the others")


def _failing(summary: CampaignSummary) -> Iterator[Look]:
    failing = [t for t in summary.by_day if _fails(t)]
    if failing:
        days = ", ".join(f"{t.name} ({t.failed} of {t.pairs})" for t in failing[:_SHOWN])
        more = f" and {len(failing) - _SHOWN} more days" if len(failing) > _SHOWN else ""
        yield _look(f"a third or more of the pairs failed: {days}{more}", "failed")


def _fails(tally: Tally) -> bool:
    return tally.failed >= max(_LEAST_FAILED, _FAILED_SHARE * tally.pairs)


def _dust(summary: CampaignSummary) -> Iterator[Look]:
    if summary.dust:
        spot = summary.dust[0]
        yield _look(f"{counted(len(summary.dust), 'dark spot')} on the lenses that stay put, the "
                    f"surest on the {spot.side} camera of "
                    f"{mount_text(summary.sensors[spot.rig].name, summary.rovers[spot.rover])}",
                    "dust")
