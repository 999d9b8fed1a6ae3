"""What text and pages say of a campaign first: in sentences, from its summary."""

from __future__ import annotations

from collections import Counter

from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.errors import listed
from hazcam.report.campaign_words import share_text
from hazcam.report.record import counted
from hazcam.verdict.record import MEASURED

ONLY_AHEAD = ("No heading but straight ahead is go in any pair. Without leave to assume more than "
              "the strip near the nose none can be: a turn in place sweeps ground that the cameras "
              "do not see. So shares over all headings say nothing of the ground.")


def headline(summary: CampaignSummary) -> str:
    """How many pairs can be used, of all; and what became of the others."""
    all_ = summary.all
    share = f" ({100 * all_.usable / all_.pairs:.0f} %)" if all_.pairs else ""
    rest = [f"{count} {what}" for count, what in
            ((all_.assessed - all_.usable, "assessed but not to be relied on"),
             (all_.failed, "failed"), (all_.waiting, "not tried yet")) if count]
    return "; ".join([f"{all_.usable} of {counted(all_.pairs, 'pair')} "
                      f"{'is' if all_.pairs == 1 else 'are'} usable{share}", *rest])


def first_lines(summary: CampaignSummary) -> list[str]:
    """What a team wants to know first; what went wrong on a go, or might, before all else."""
    all_ = summary.all
    judged = all_.ahead_go + all_.ahead_ask
    if not all_.assessed:
        return ["No pair was assessed, so nothing is known of the ground."]
    lines = [*_walked_lines(summary), *_onboard_lines(summary)]
    if summary.no_attitude == all_.assessed and not all_.headings_go:
        lines.insert(0, "No pair states roll and pitch, and all headings ask: without the attitude "
                        "the tilt of the rover may be anything up to the bound of the settings. "
                        "State roll_deg and pitch_deg, and assess again.")
    lines.append(f"Straight ahead: go in {share_text(all_.ahead_go, judged)}, ask-ground in "
                 f"{all_.ahead_ask}.")
    if only_ahead(summary):
        lines.append(ONLY_AHEAD)
    else:
        lines.append(f"Any heading: go in {share_text(all_.any_go, all_.assessed)}; of the single "
                     f"headings {share_text(all_.headings_go, all_.headings)}.")
    return lines


def only_ahead(summary: CampaignSummary) -> bool:
    """No heading but straight ahead is go anywhere."""
    return summary.all.headings_go == summary.all.ahead_go


def _walked_lines(summary: CampaignSummary) -> list[str]:
    walks = summary.walks
    if not walks:
        return []
    went = [w for w in walks if w.verdict == "go"]
    wrong = sum(not w.climbed for w in went)
    if not went:
        return [f"{counted(len(walks), 'pair')} walked, none of them on a heading that was go."]
    if not wrong:
        return [f"Walked where the verdict was go: {counted(len(went), 'pair')}, all climbed."]
    return [f"Walked where the verdict was go: {wrong} of {counted(len(went), 'pair')} did not "
            "climb."]


def walk_counts(summary: CampaignSummary) -> list[tuple[str, int, int, int]]:
    """Of each outcome of walking: pairs by our verdict go, ask-ground, and not judged."""
    counts = Counter((w.outcome, w.verdict) for w in summary.walks)
    outcomes = sorted({w.outcome for w in summary.walks}, key=lambda o: (o == "climbed", o))
    return [(o, counts[o, "go"], counts[o, "ask-ground"], counts[o, ""]) for o in outcomes]


def _onboard_lines(summary: CampaignSummary) -> list[str]:
    onboard = summary.onboard
    if not onboard.compared:
        return []
    over, may = len(onboard.of_kind("over")), len(onboard.of_kind("may exceed"))
    return [f"The rover's own verdict differs in {len(onboard.disagreements)} of "
            f"{counted(onboard.compared, 'pair')}: in {over} it says go where something "
            f"measured is over its limit, in {may} where a limit may be exceeded at the stated "
            f"confidence, in {len(onboard.of_kind('not known'))} where only the "
            "ground or the rig is not known; in "
            f"{len(onboard.of_kind('needless'))} it asks and we go."]


def cautions(summary: CampaignSummary) -> list[str]:
    """Where the figures must be taken with care."""
    all_, found = summary.all, []
    if all_.waiting:
        found.append(f"{counted(all_.waiting, 'pair')} of the manifest were not tried yet: all "
                     "figures are of what is there so far.")
    unseen = sum(c.ahead for c in summary.causes if c.kind not in MEASURED)
    if unseen:
        found.append(f"Of the {all_.ahead_ask} ask-ground verdicts straight ahead, {unseen} have "
                     "no measured demand as their first cause: ground that was hidden, blank or "
                     "out of view of the cameras, or a pair that cannot be relied on. They do not "
                     "say that the ground is bad; see the causes.")
    if summary.assumed.pairs:
        found.append(f"{summary.assumed.pairs} of the {all_.ahead_go} go verdicts straight ahead "
                     f"take ground out of view near the rover for clear: {_assumed(summary)} from "
                     "the nose.")
    missing = [f"{count} without the {side} picture" for side, count in summary.missing.items()
               if count]
    if missing:
        found.append(f"No stereo: {' and '.join(missing)}; these ask in every heading.")
    return found + _of_pairs(summary) + _of_run(summary)


def _assumed(summary: CampaignSummary) -> str:
    median, most = (f"{v:.2f} m" for v in (summary.assumed.median_m, summary.assumed.most_m))
    return f"{most}" if median == most else f"{median} (median), at most {most}"


def _of_pairs(summary: CampaignSummary) -> list[str]:
    found = []
    if summary.no_attitude:
        found.append(f"{counted(summary.no_attitude, 'assessed pair')} state no roll and pitch: "
                     "they were judged as the settings say for an attitude that is not known.")
    found += [f"{counted(len(c.pairs), 'pair')} outside the rehearsed conditions, {c.condition}: "
              f"{listed(c.pairs)}. The stated rates of mistakes do not hold for them."
              for c in summary.not_rehearsed]
    if summary.far_times:
        some = listed([f"{id_} ({when})" for id_, when in summary.far_times])
        found.append(f"{counted(len(summary.far_times), 'pair')} with a time far from all others, "
                     "probably of a wrong clock: not in what is shown over time, but in the "
                     f"tables: {some}. Far is more than 30 days, and more than ten times the "
                     "spread, from the median.")
    if summary.not_timed:
        found.append(f"{counted(summary.not_timed, 'pair')} do not say when they were taken, and "
                     "are missing in what is shown over time.")
    if summary.no_zone:
        found.append(f"{counted(summary.no_zone, 'pair')} state a time without a zone, which was "
                     "taken for UTC: beside others they may be out of order, and of another day.")
    return found


def _of_run(summary: CampaignSummary) -> list[str]:
    found = []
    if len(summary.settings) > 1:
        found.append(f"Pairs were assessed with {len(summary.settings)} different settings: their "
                     "verdicts are not alike.")
    if len(summary.versions) > 1:
        found.append("Pairs were assessed by different versions: " + ", ".join(
            f"{version} ({count})" for version, count in summary.versions) + ".")
    if summary.dust:
        lenses = {(spot.rig, spot.rover, spot.side) for spot in summary.dust}
        found.append(f"{counted(len(summary.dust), 'dark spot')} stay put between pairs, on "
                     f"{counted(len(lenses), 'lens')[:-1] + 'es' if len(lenses) > 1 else '1 lens'}"
                     ": dust, or something else in front of the camera.")
    if summary.onboard.other_words:
        words = ", ".join(f"“{word}” ({count})" for word, count in summary.onboard.other_words)
        found.append(f"Verdicts of the rover in words that are not known, and not compared: {words}"
                     ". Known are “go” and “ask-ground”.")
    return found
