"""The pages of a campaign: one file that holds everything, or a folder of them. Pure.

Up to ``MOST_PAIRS_ON_A_PAGE`` pairs everything is on one page; more have a page of figures, sheets
of pictures and a page each.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from hazcam import __version__
from hazcam.campaign.summary.against import Disagreement, DisagreementKind
from hazcam.campaign.summary.course import day_of
from hazcam.campaign.summary.rig_days import RigDay
from hazcam.campaign.summary.summary import CampaignSummary
from hazcam.campaign.summary.tally import Tables, Tally
from hazcam.frames import heading_text
from hazcam.report.campaign_first import first_looks
from hazcam.report.campaign_pairs import CampaignPairs, PairLine
from hazcam.report.campaign_plots import (
    causes_plot,
    days_plot,
    drift_plot,
    dust_plot,
    quality_plot,
    rows_plot,
)
from hazcam.report.campaign_sets import PairSet, sets_of
from hazcam.report.campaign_view import (
    ONLY_AHEAD,
    cautions,
    first_lines,
    headline,
    only_ahead,
    walk_counts,
)
from hazcam.report.campaign_words import (
    NO_PERMISSION,
    cause_text,
    disagreement_text,
    failure_word,
    length_text,
    mount_text,
    over_text,
)
from hazcam.report.page import data_uri
from hazcam.report.record import Record
from hazcam.report.text import chance_text

MOST_PAIRS_ON_A_PAGE = 60
# Rows of a table of the page of figures; a page that holds all pairs cuts none.
MOST_LISTED, MOST_GROUPS_LISTED = 25, 62
_MOST_PLOTS = 8  # rovers or rigs with a plot of their own
_THUMB_PX, _THUMB_QUALITY = 216, 50
_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_DISAGREEMENTS: tuple[tuple[DisagreementKind, str, str], ...] = (
    ("over", "Dangerous: the rover says go, something measured is over its limit",
     "Of each the measured demand within the look-ahead that is farthest over its limit, in "
     "standard deviations; the farthest first."),
    ("may exceed", "Dangerous: the rover says go, a limit may be exceeded at the stated confidence",
     "No measured value is over its limit, but at the stated confidence one may be: by its own "
     "standard deviation, or with all that lies on the way together. Where the attitude is not "
     "known, the value is the angle against the ground with the tilt that is possible added."),
    ("not known", "The rover says go, we ask only because ground or rig is not known",
     "Nothing that was measured is a cause to ask, and no chance that could be stated is more than "
     "the confidence allows. That says nothing of the ground that was not seen."),
    ("needless", "The rover asks, we go", "Stops that may have been needless."),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class CampaignReport:
    """All that the pages of a run are made of.

    Attributes
    ----------
    name : str
        Of the run.
    about : mapping of str to str
        Its table ``about``.
    finished : bool
        All of its pairs were tried.
    summary : CampaignSummary
        Of its tables.
    pairs : CampaignPairs
        Its single pairs.
    failures : structured array
        Its table of this name.
    sets : tuple of PairSet
        From ``sets_of``.
    overlay : callable
        From the id of an assessed pair to its JPEG.
    """

    name: str
    about: Mapping[str, str]
    finished: bool
    summary: CampaignSummary
    pairs: CampaignPairs
    failures: Any
    sets: tuple[PairSet, ...]
    overlay: Callable[[str], bytes]

    @property
    def single(self) -> bool:
        """One page holds everything."""
        return len(self.pairs.lines) <= MOST_PAIRS_ON_A_PAGE


def campaign_report(
    name: str, about: Mapping[str, str], tables: Tables, summary: CampaignSummary, *,
    finished: bool, overlay: Callable[[str], bytes],
) -> CampaignReport:
    """Put together what the pages are made of; the parameters are as of ``CampaignReport``."""
    pairs = CampaignPairs(tables)
    return CampaignReport(
        name=name, about=about, finished=finished, summary=summary, pairs=pairs,
        failures=tables["failures"], sets=sets_of(pairs.lines, summary), overlay=overlay)


def index_page(report: CampaignReport) -> str:
    """The page of figures; of a small campaign, with all pairs on it."""
    summary, single = report.summary, report.single
    files = {(s.kind, s.title): f"sheets/{s.file()}" for s in report.sets if not single}
    return _PAGES.get_template("campaign.html").render(
        name=report.name, finished=report.finished, summary=summary, single=single,
        most=MOST_PAIRS_ON_A_PAGE if single else MOST_LISTED, most_groups=MOST_GROUPS_LISTED,
        onboard=bool(summary.onboard.compared or summary.onboard.other_words),
        walk_counts=walk_counts(summary), headline=headline(summary), lines=first_lines(summary),
        cautions=cautions(summary), no_permission=NO_PERMISSION,
        choices=[s for s in report.sets if s.kind == "choice"],
        groups=[(title, tallies, {t.name: files.get((title, t.name), "") for t in tallies})
                for title, tallies in _tallies(summary).items()],
        looks=first_looks(summary), only_ahead=ONLY_AHEAD if only_ahead(summary) else "",
        failures=_failures(report),
        disagreements=[(kind, title, words, summary.onboard.of_kind(kind))
                       for kind, title, words in _DISAGREEMENTS],
        origin=_origin(report), **_figures(summary), **_words(), **_all_pairs(report))


def _failures(report: CampaignReport) -> list[tuple[PairLine, Any]]:
    """Each with what is known of its pair; by rover, and by day and site within."""
    rows = {str(row["pair"]): row for row in report.failures}
    failed = [line for line in report.pairs.lines if line.id in rows]
    failed.sort(key=lambda line: ("not stated" in line.rover, line.rover,
                                  "not stated" in line.day, line.day, line.site))
    return [(line, rows[line.id]) for line in failed]


def _tallies(summary: CampaignSummary) -> dict[str, tuple[Tally, ...]]:
    return {"rover": summary.by_rover, "day": summary.by_day, "site": summary.by_site}


def _words() -> dict[str, Any]:
    """What the template says numbers with."""
    return {"percent": _percent, "heading": heading_text, "length": length_text,
            "cause": cause_text, "disagreement": disagreement_text, "over": over_text,
            "failure": failure_word, "mount": mount_text, "chance": _chance,
            "metres": _metres, "degrees": _degrees, "pixels": _pixels}


def _figures(summary: CampaignSummary) -> dict[str, Any]:
    """The plots, as sources of images."""
    rovers = list(dict.fromkeys(c.group for c in summary.quality))
    drifts = [(mount_text(d.rig, d.rover), data_uri(drift_plot(d, summary.steps)), d.reasons)
              for d in summary.drifts[:_MOST_PLOTS]]
    mounts = list(dict.fromkeys((spot.rig, spot.rover) for spot in summary.dust))
    by_mount: dict[str, list[RigDay]] = {}
    far = {day_of(when) for _, when in summary.far_times}
    for day in (d for d in summary.rig_days if d.day not in far):
        by_mount.setdefault(mount_text(day.rig, day.rover), []).append(day)
    rows = [(mount, data_uri(rows_plot(days))) for mount, days in by_mount.items()]
    return {
        "days": data_uri(days_plot(summary)), "causes": data_uri(causes_plot(summary)),
        "quality": [(rover, data_uri(quality_plot([c for c in summary.quality if c.group == rover],
                                                  summary.steps)))
                    for rover in rovers[:_MOST_PLOTS]],
        "drifts": [drift for drift in drifts if drift[1] is not None],
        "rows_off": [plot for plot in rows if plot[1] is not None][:_MOST_PLOTS],
        "dust": [(mount_text(summary.sensors[rig].name, summary.rovers[rover]), data_uri(dust_plot(
            summary.sensors[rig], [s for s in summary.dust if (s.rig, s.rover) == (rig, rover)])))
            for rig, rover in mounts[:_MOST_PLOTS]],
        "spots": list(_spots(summary)),
    }


def _spots(summary: CampaignSummary) -> Iterator[Record]:
    """Each spot with its number, as in the plots."""
    numbers: dict[tuple[str, str, str], int] = {}
    for spot in summary.dust:
        lens = (spot.rig, spot.rover, spot.side)
        numbers[lens] = numbers.get(lens, 0) + 1
        yield {"rig": mount_text(summary.sensors[spot.rig].name, summary.rovers[spot.rover]),
               "number": numbers[lens], "spot": spot}


def _all_pairs(report: CampaignReport) -> dict[str, Any]:
    """What a single page holds of the pairs; of a folder, where their pages are."""
    if not report.single:
        return {"href": lambda id_: f"pairs/{id_}.html"}
    overlays = {line.id: report.overlay(line.id) for line in report.pairs.lines
                if line.state == "assessed"}
    return {
        "href": lambda id_: f"#pair-{id_}", "style": Markup(campaign_style()),
        "all_pairs": report.pairs.lines, "pages": map(report.pairs.page, report.pairs.lines),
        "thumb": lambda id_: data_uri(small(overlays[id_]), "jpeg"),
        "picture": lambda line: data_uri(overlays.get(line.id), "jpeg"),
    }


def campaign_style() -> str:
    """The style of all pages of a folder."""
    return "\n".join(_source("style.css") + _source("campaign.css")) + "\n"


def _source(name: str) -> list[str]:
    return _PAGES.loader.get_source(_PAGES, name)[0].splitlines()  # type: ignore[union-attr]  # it has one


def sheet_page(shown: PairSet, number: int) -> str:
    """A sheet of a set, from 0."""
    sheets = shown.sheets
    return _template("campaign_sheet.html").render(
        shown=shown, number=number + 1, count=len(sheets), lines=sheets[number],
        href=lambda id_: f"../pairs/{id_}.html", thumb=lambda id_: f"../thumbs/{id_}.jpg")


def pair_page(
    page: Record, *, sheet: str, before: PairLine | None, after: PairLine | None
) -> str:
    """The page of a pair.

    Parameters
    ----------
    page : dict
        From ``CampaignPairs.page``.
    sheet : str
        File of the sheet of all pairs that shows it.
    before, after : PairLine or None
        Its neighbours in time.
    """
    line: PairLine = page["line"]
    return _template("campaign_pair.html").render(
        page=page, sheet=sheet, before=before and before.id, after=after and after.id,
        picture=f"../pictures/{line.id}.jpg" if line.state == "assessed" else None,
        no_permission=NO_PERMISSION)


def _template(name: str) -> Template:
    return _PAGES.get_template(name)


def small(picture: bytes) -> bytes:
    """A small JPEG of a JPEG, a little wider than a sheet shows it."""
    pixels = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_REDUCED_COLOR_2)
    assert pixels is not None  # it is our own picture
    size = (_THUMB_PX, round(_THUMB_PX * pixels.shape[0] / pixels.shape[1]))
    shown = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, _THUMB_QUALITY])[1])


def _origin(report: CampaignReport) -> list[tuple[str, str]]:
    about, summary = report.about, report.summary
    versions = ", ".join(f"{name} {version}" for name, version in
                         json.loads(about.get("versions", "{}")).items())
    found = [
        ("run", report.name), ("state", "finished" if report.finished else "not finished"),
        ("manifest", about.get("manifest", "not stated")),
        ("assessed by", "hazcam " + ", ".join(version for version, _ in summary.versions)
         if summary.versions else "nothing was assessed"),
        ("page made by", f"hazcam {__version__}"), ("versions", versions or "not stated"),
        ("options", about.get("options", "not stated"))]
    return found + [("settings", json.dumps(settings, ensure_ascii=False))
                    for settings in summary.settings]


def _percent(count: int, of: int) -> str:
    return f" ({100 * count / of:.0f} %)" if of else ""


def _chance(d: Disagreement) -> str:
    return chance_text({"probability": None if math.isnan(d.probability) else d.probability,
                        "bounded": d.bounded})


def _metres(value_m: float) -> str:
    return f"{value_m:.3f} m" if math.isfinite(value_m) else "–"


def _pixels(value: float) -> str:
    return f"{value:.2f} px" if math.isfinite(value) else "–"


def _degrees(value: float, sign: str = "+") -> str:
    return f"{value:{sign}.3f}°" if math.isfinite(value) else "–"
