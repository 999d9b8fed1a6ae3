"""Tables of a campaign as CSV: what the page of figures cuts, whole."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from typing import Any

from hazcam.campaign.summary.against import Disagreement, Walk
from hazcam.campaign.summary.dust import DustSpot
from hazcam.campaign.summary.rig_days import RigDay
from hazcam.campaign.summary.summary import CampaignSummary, CauseCount
from hazcam.campaign.summary.tally import Tally
from hazcam.report.campaign_pairs import PairLine


def campaign_tables_csv(summary: CampaignSummary, lines: Sequence[PairLine]) -> dict[str, str]:
    """The tables by the names of their files; an empty field stands for what is not known.

    ``pairs.csv``, ``groups.csv`` (rovers, days, sites), ``causes.csv``, ``walked.csv``,
    ``disagreements.csv`` (with the rover's own verdict) ``rig_days.csv`` and
    ``dust.csv``.
    """
    groups = [{"group": kind, **asdict(tally)} for kind, tallies in
              (("all", (summary.all,)), ("rover", summary.by_rover), ("day", summary.by_day),
               ("site", summary.by_site)) for tally in tallies]
    return {
        "pairs.csv": _csv(_names(PairLine), map(asdict, lines)),
        "groups.csv": _csv(["group", *_names(Tally)], groups),
        "causes.csv": _csv(_names(CauseCount), map(asdict, summary.causes)),
        "walked.csv": _csv(_names(Walk), map(asdict, summary.walks)),
        "disagreements.csv": _csv(_names(Disagreement),
                                  map(asdict, summary.onboard.disagreements)),
        "rig_days.csv": _csv(_names(RigDay), map(asdict, summary.rig_days)),
        "dust.csv": _csv(_names(DustSpot), map(asdict, summary.dust)),
    }


def _names(record: Any) -> list[str]:
    return [field.name for field in fields(record)]


def _csv(names: Sequence[str], rows: Iterable[dict[str, Any]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_field(row[name]) for name in names] for row in rows)
    return stream.getvalue()


def _field(value: Any) -> Any:
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.9g}"
    return value
