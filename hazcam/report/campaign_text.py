"""The summary of a campaign as text: plain, of a fixed width, the same on every terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from hazcam.campaign.summary.drift_course import ANGLES, RigDrift
from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.campaign.summary.tally import Tally
from hazcam.frames import heading_text
from hazcam.report.campaign_view import cautions, first_lines, headline
from hazcam.report.campaign_words import (
    NO_PERMISSION,
    cause_text,
    disagreement_text,
    over_text,
)
from hazcam.report.record import counted
from hazcam.report.text import WIDTH, plain_table, rendered

_MOST_CAUSES, _MOST_CASES, _MOST_DAYS, _MOST_SITES = 10, 5, 31, 20


def campaign_text(summary: CampaignSummary) -> str:
    """The summary of a campaign, as ``hazcam batch`` and ``hazcam report`` print it."""
    parts = [
        _filled([headline(summary) + ".", *first_lines(summary)]),
        _failures(summary), _walked(summary), _onboard(summary),
        _groups("rover", summary.by_rover, len(summary.by_rover)),
        _groups("day", summary.by_day, _MOST_DAYS), _groups("site", summary.by_site, _MOST_SITES),
        _causes(summary), _drifts(summary.drifts),
        _listed("to be taken with care", cautions(summary)), _filled([NO_PERMISSION]),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _filled(lines: Sequence[str], indent: str = "") -> str:
    return "\n".join(textwrap.fill(line, WIDTH, initial_indent=indent,
                                   subsequent_indent=" " * len(indent)) for line in lines)


def _listed(title: str, lines: Sequence[str]) -> str:
    return f"{title}\n{_filled(lines, '- ')}" if lines else ""


def _rest(count: int, shown: int) -> list[str]:
    return [f"and {count - shown} more"] if count > shown else []


def _failures(summary: CampaignSummary) -> str:
    kinds = [f"{kind}: {count}" for kind, count in summary.failures]
    causes = [f"{cause}: {count}" for cause, count in summary.unusable]
    lines = [*(["failed: " + ", ".join(kinds)] if kinds else []),
             *(["assessed, but of no use as a whole: " + ", ".join(causes)] if causes else [])]
    return _filled(lines)


def _walked(summary: CampaignSummary) -> str:
    wrong = [w for w in summary.walks if w.verdict == "go" and not w.climbed]
    lines = [f"{w.pair}, {heading_text(w.heading_deg)}: {w.outcome}; we said go, clear for "
             f"{w.clear_m:.2f} m" for w in wrong[:_MOST_CASES]]
    return _listed("walked on a go, and not climbed",
                   [*lines, *_rest(len(wrong), len(lines))])


def _onboard(summary: CampaignSummary) -> str:
    worst = summary.onboard.of_kind("measured")
    lines = [f"{d.pair}: {disagreement_text(d)} ({over_text(d.over_sigmas)})"
             for d in worst[:_MOST_CASES]]
    return _listed("the rover says go, and something measured does not keep its limit",
                   [*lines, *_rest(len(worst), len(lines))])


def _groups(name: str, tallies: Sequence[Tally], most: int) -> str:
    if not tallies:
        return ""
    table = plain_table([name, "pairs", "assessed", "failed", "usable", "go\nahead", "ask\nahead",
                         "any heading\ngo", "headings\ngo"], set(range(1, 9)))
    for t in tallies[:most]:
        table.add_row(t.name, *map(str, (t.pairs, t.assessed, t.failed, t.usable, t.ahead_go,
                                         t.ahead_ask, t.any_go)),
                      f"{t.headings_go} of {t.headings}")
    return "\n".join([rendered(table), *_rest(len(tallies), most)])


def _causes(summary: CampaignSummary) -> str:
    if not summary.causes:
        return ""
    table = plain_table(["first cause of ask-ground", "straight\nahead", "all\nheadings"], {1, 2})
    for c in summary.causes[:_MOST_CAUSES]:
        table.add_row(cause_text(c.kind, c.reason), str(c.ahead), str(c.headings))
    return "\n".join([rendered(table), *_rest(len(summary.causes), _MOST_CAUSES)])


def _drifts(drifts: Sequence[RigDrift]) -> str:
    lines = [f"{drift.rig}, {counted(drift.estimated, 'pair')} of {drift.pairs}: {_angles(drift)}"
             for drift in drifts]
    return _listed("turn of the right camera since its calibration: median, and from 10 to 90 % of "
                   "the pairs", lines)


def _angles(drift: RigDrift) -> str:
    if not drift.estimated:
        return "not known"
    return ", ".join(f"{name} {drift.median_deg[i]:+.3f}° ({drift.low_deg[i]:+.3f} to "
                     f"{drift.high_deg[i]:+.3f}; one pair ± {drift.sigma_deg[i]:.3f})"
                     for i, name in enumerate(ANGLES))
