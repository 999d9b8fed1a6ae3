"""The sets of pairs that the report of a campaign has sheets of: all, and those worth a look."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.campaign.summary.tally import Tally
from hazcam.report.campaign_pairs import PairLine

PAIRS_A_SHEET = 120
MOST_GROUPS = 400  # rovers, days or sites with sheets of their own


@dataclass(frozen=True, kw_only=True)
class PairSet:
    """Pairs that belong together.

    Attributes
    ----------
    key : str
        Of its files.
    title : str
        In words.
    kind : str
        ``choice``, ``rover``, ``day`` or ``site``.
    lines : tuple of PairLine
        In the order to be shown in.
    """

    key: str
    title: str
    kind: str
    lines: tuple[PairLine, ...]

    @property
    def sheets(self) -> tuple[tuple[PairLine, ...], ...]:
        """The pairs of each sheet."""
        return tuple(self.lines[i:i + PAIRS_A_SHEET]
                     for i in range(0, len(self.lines), PAIRS_A_SHEET))

    def file(self, sheet: int = 0) -> str:
        """Name of the file of a sheet, from 0."""
        return f"{self.key}-{sheet + 1:03d}.html"


def sets_of(lines: Sequence[PairLine], summary: CampaignSummary) -> tuple[PairSet, ...]:
    """The sets that hold any pair; ``all`` is the first.

    Parameters
    ----------
    lines : sequence of PairLine
        All pairs, in order.
    summary : CampaignSummary
        Of the same run.
    """
    found = [*_choices(lines), *_named(lines, summary)]
    for kind, tallies, label in (("rover", summary.by_rover, _rover), ("day", summary.by_day, _day),
                                 ("site", summary.by_site, _site)):
        found += _groups(kind, tallies, lines, label)
    return tuple(s for s in found if s.lines)


def _choices(lines: Sequence[PairLine]) -> Iterator[PairSet]:
    choices: tuple[tuple[str, str, Callable[[PairLine], bool]], ...] = (
        ("all", "all pairs", lambda p: True),
        ("go", "go straight ahead", lambda p: p.ahead == "go"),
        ("ask", "ask-ground straight ahead", lambda p: p.ahead == "ask-ground"),
        ("no-go", "no heading is go", lambda p: p.verdict == "ask-ground"),
        ("not-usable", "assessed, but not to be relied on",
         lambda p: p.state == "assessed" and not p.usable),
        ("failed", "failed", lambda p: p.state == "failed"),
        ("waiting", "not tried yet", lambda p: p.state == "not tried yet"))
    for key, title, choose in choices:
        yield PairSet(key=key, title=title, kind="choice",
                      lines=tuple(line for line in lines if choose(line)))


def _named(lines: Sequence[PairLine], summary: CampaignSummary) -> Iterator[PairSet]:
    """Sets in the order of the summary: the dangerous ones first."""
    by_id = {line.id: line for line in lines}
    onboard = summary.onboard
    for key, title, ids in (
        ("walked", "walked", [w.pair for w in summary.walks]),
        ("rover-go-over", "the rover says go, something measured is over its limit",
         [d.pair for d in onboard.of_kind("over")]),
        ("rover-go-may", "the rover says go, a limit may be exceeded",
         [d.pair for d in onboard.of_kind("may exceed")]),
        ("rover-go-not-known", "the rover says go, ground or rig is not known",
         [d.pair for d in onboard.of_kind("not known")]),
        ("rover-asks", "the rover asks, we go", [d.pair for d in onboard.of_kind("needless")]),
    ):
        yield PairSet(key=key, title=title, kind="choice", lines=tuple(by_id[i] for i in ids))


def _groups(
    kind: str, tallies: Sequence[Tally], lines: Sequence[PairLine],
    label: Callable[[PairLine], str],
) -> Iterator[PairSet]:
    members: dict[str, list[PairLine]] = {}
    for line in lines:
        members.setdefault(label(line), []).append(line)
    for number, tally in enumerate(tallies[:MOST_GROUPS], start=1):
        yield PairSet(key=f"{kind}-{number:03d}", title=tally.name, kind=kind,
                      lines=tuple(members[tally.name]))


def _rover(line: PairLine) -> str:
    return line.rover


def _day(line: PairLine) -> str:
    return line.day


def _site(line: PairLine) -> str:
    return line.site
