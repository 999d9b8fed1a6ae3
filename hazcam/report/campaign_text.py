"""The summary of a campaign as text: plain, of a fixed width, the same on every terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from hazcam.campaign.summary.drift_course import ANGLES, RigDrift
from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.campaign.summary.tally import Tally
from hazcam.frames import heading_text
from hazcam.report.campaign_first import first_looks
from hazcam.report.campaign_view import cautions, first_lines, headline, only_ahead
from hazcam.report.campaign_words import (
    NO_PERMISSION,
    cause_text,
    disagreement_text,
    failure_word,
    mount_text,
    over_text,
)
from hazcam.report.record import counted
from hazcam.report.text import WIDTH, plain_table, rendered

_MOST_CAUSES, _MOST_CASES, _MOST_DAYS, _MOST_SITES = 10, 5, 31, 20


def campaign_text(summary: CampaignSummary) -> str:
    """The summary of a campaign, as ``hazcam batch`` and ``hazcam report`` print it."""
    parts = [
        _filled([headline(summary) + ".", *first_lines(summary)]),
        _listed("look at these first", [look.line() for look in first_looks(summary)]),
        _failures(summary), _walked(summary), _onboard(summary),
        *(_groups(name, tallies, most, ahead_only=only_ahead(summary)) for name, tallies, most in
          (("rover", summary.by_rover, len(summary.by_rover)),
           ("day", summary.by_day, _MOST_DAYS), ("site", summary.by_site, _MOST_SITES))),
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
    kinds = [f"{failure_word(kind)}: {count}" for kind, count in summary.failures]
    causes = [f"{cause}: {count}" for cause, count in summary.unusable]
    lines = [*(["failed: " + ", ".join(kinds)] if kinds else []),
             *(["assessed, but not to be relied on: " + ", ".join(causes)] if causes else [])]
    return _filled(lines)


def _walked(summary: CampaignSummary) -> str:
    wrong = [w for w in summary.walks if w.verdict != "ask-ground" and not w.climbed]
    lines = [f"{w.pair}, {heading_text(w.heading_deg)}: {w.outcome}; "
             + (f"we said go, clear for {w.clear_m:.2f} m" if w.verdict
                else f"not judged: {w.why_not_judged}") for w in wrong[:_MOST_CASES]]
    return _listed("walked on a go or without a verdict, and not climbed",
                   [*lines, *_rest(len(wrong), len(lines))])


def _onboard(summary: CampaignSummary) -> str:
    parts = []
    for kind, title in (("over", "the rover says go, and something measured is over its limit"),
                        ("may exceed", "the rover says go, and a limit may be exceeded at the "
                                       "stated confidence")):
        worst = summary.onboard.of_kind(kind)  # type: ignore[arg-type]
        lines = [f"{d.pair}: {disagreement_text(d)} ({over_text(d)})" for d in worst[:_MOST_CASES]]
        parts.append(_listed(title, [*lines, *_rest(len(worst), len(lines))]))
    return "\n\n".join(part for part in parts if part)


def _groups(name: str, tallies: Sequence[Tally], most: int, *, ahead_only: bool) -> str:
    if not tallies:
        return ""
    any_heading = [] if ahead_only else ["any heading\ngo", "headings\ngo"]
    table = plain_table([name, "pairs", "assessed", "failed", "usable", "go\nahead", "ask\nahead",
                         *any_heading], set(range(1, 7 + len(any_heading))))
    for t in tallies[:most]:
        table.add_row(t.name, *map(str, (t.pairs, t.assessed, t.failed, t.usable, t.ahead_go,
                                         t.ahead_ask)),
                      *([] if ahead_only else [str(t.any_go), f"{t.headings_go} of {t.headings}"]))
    return "\n".join([rendered(table), *_rest(len(tallies), most)])


def _causes(summary: CampaignSummary) -> str:
    if not summary.causes:
        return ""
    table = plain_table(["first cause of ask-ground", "straight\nahead", "all\nheadings"], {1, 2})
    for c in summary.causes[:_MOST_CAUSES]:
        table.add_row(cause_text(c.kind, c.reason), str(c.ahead), str(c.headings))
    return "\n".join([rendered(table), *_rest(len(summary.causes), _MOST_CAUSES)])


def _drifts(drifts: Sequence[RigDrift]) -> str:
    lines = [f"{mount_text(drift.rig, drift.rover)}, {counted(drift.estimated, 'pair')} of "
             f"{drift.pairs}: {_angles(drift)}"
             for drift in drifts]
    return _listed("turn of the right camera since its calibration: median, and from 10 to 90 % of "
                   "the pairs", lines)


def _angles(drift: RigDrift) -> str:
    if not drift.estimated:
        return "not known"
    return ", ".join(f"{name} {drift.median_deg[i]:+.3f}° ({drift.low_deg[i]:+.3f} to "
                     f"{drift.high_deg[i]:+.3f}; one pair ± {drift.sigma_deg[i]:.3f})"
                     for i, name in enumerate(ANGLES))
