"""The page of a rehearsal: one file that needs no network, for those who decide."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from hazcam.errors import HazcamError
from hazcam.frames import heading_text
from hazcam.report.rehearsal_gallery import case_picture
from hazcam.report.rehearsal_plots import (
    causes_plot,
    clear_plot,
    errors_plot,
    limit_plot,
    reliability_plot,
    sun_plot,
    within_plot,
)
from hazcam.report.rehearsal_views import (
    Entry,
    across_limits,
    by_setting,
    causes_by_setting,
    compared,
    splits,
)
from hazcam.report.rehearsal_words import (
    bound_text,
    inside_text,
    interval_text,
    mean_text,
    number_text,
    percent,
    rate_text,
    share_or_dash,
    share_text,
    signed_text,
)
from hazcam.rover.profile import RoverProfile
from hazcam.scene.rehearsal.compare import Comparison
from hazcam.scene.rehearsal.heights import SIZES_M
from hazcam.scene.rehearsal.ledger import Run
from hazcam.scene.rehearsal.needless import CAUSE_GROUPS
from hazcam.scene.rehearsal.quality import GAUSSIAN, RANGES_M
from hazcam.scene.rehearsal.rates import (
    FEW_SCENES,
    Rate,
    SceneRate,
)
from hazcam.scene.rehearsal.record import STRIPS, SceneScore
from hazcam.scene.rehearsal.reliability import LEAST_HEADINGS, LEAST_SCENES
from hazcam.scene.rehearsal.tables import MainRow, Summary
from hazcam.scene.rehearsal.worst import Case
from hazcam.settings import MATCHERS

_STRIP_NAMES = {"straight ahead": "default strip", "own": "own strip"}
_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_PAGES.filters.update(
    rate=rate_text, bound=bound_text, interval=interval_text, mean=mean_text, number=number_text,
    signed=signed_text, share_or_dash=share_or_dash, inside=inside_text,
    heading=heading_text)
_PAGES.globals.update(share=share_text, percent_of=lambda part: f"{100 * part:g} %")


def rehearsal_page(
    run: Run, summary: Summary, scores: Sequence[SceneScore], *, rover: RoverProfile,
    sidecars: Mapping[str, Path], comparison: Comparison | None = None, against: str = "",
) -> str:
    """The page of a rehearsal.

    Parameters
    ----------
    run : Run
        When, of what, by which code.
    summary : Summary
        From ``summarise``.
    scores : sequence of SceneScore
        What the summary is of, for the plots.
    rover : RoverProfile
        Whose swath is drawn.
    sidecars : mapping of str to Path
        Of each pair, by its name; a worst case whose pictures cannot be read says so.
    comparison, against : Comparison, str
        With another set, and what that is called.
    """
    return _PAGES.get_template("rehearsal.html").render(
        run=run, summary=summary, headline=headline(run, summary), about=_about(run, summary),
        rigs=_rigs(summary), few=FEW_SCENES,
        strips=[(strip, _STRIP_NAMES[strip], by_setting(summary, strip)) for strip in STRIPS],
        plots=_plots(summary, scores), splits=list(splits(summary)), comparison=comparison,
        compared_first=compared(summary, comparison, at_headline=True),
        compared_rest=compared(summary, comparison, at_headline=False),
        against=against, kinds=[s for s in summary.kinds if s.basis == "all limits"],
        galleries=_galleries(summary, rover, sidecars), origin=_origin(run, summary),
        strip_names=_STRIP_NAMES, all_from=RANGES_M[0][0], all_to=RANGES_M[-1][1],
        gaussian=", ".join(percent(share) for share in GAUSSIAN),
        false_go_lines=across_limits(summary.false_go_groups, summary),
        sun_lines=across_limits(summary.needless_by_sun, summary),
        causes=causes_by_setting(summary), cause_groups=CAUSE_GROUPS,
        least_headings=LEAST_HEADINGS, least_scenes=LEAST_SCENES,
        rock_sizes_cm=[100 * size for size in SIZES_M],
    )


_ABLE = "a blocked heading where go is possible"


def headline(run: Run, summary: Summary) -> Entry:
    """What was rehearsed and found, in words: ``what``, ``title`` and ``lines``."""
    sensor = summary.plan.sensors[0]
    default, own = (summary.row(sensor, strip) for strip in STRIPS)
    at = (f"at limits of {_cm(summary.limit_m)} for step, drop and belly and a look-ahead of "
          f"{summary.look_ahead_m:g} m")
    lines = [f"All figures here {at}, with the {sensor} sensor unless said otherwise; the tables "
             "hold the other limits and look-aheads."]
    if own is not None:
        lines.append("With each heading's own strip assumed clear, over all blocked headings, also "
                     "those that ask in any case: "
                     f"{_went(own.rates.false_go_scenes, summary)}.")
    lines += _elsewhere(summary, sensor)
    for other in summary.plan.sensors[1:]:
        row = summary.row(other, STRIPS[1])
        if row is not None:
            lines.append(f"With the {other} sensor: "
                         f"{_went(row.rates.false_go_can_go_scenes, summary, _ABLE)}.")
    for row, name in ((default, "default strip"), (own, "own strip")):
        if row is not None:
            lines.append(_asks(row, name))
    return {"what": _what(run, summary), "title": _title(own, summary), "lines": lines}


def _elsewhere(summary: Summary, sensor: str) -> list[str]:
    """False-gos at other settings than the headline's: none of them is kept in a table alone."""
    found = [f"{row.rates.false_go_scenes.count} of {row.rates.false_go_scenes.of} scenes at "
             f"{_cm(row.limit_m)} and {row.look_ahead_m:g} m ({_STRIP_NAMES[row.strip]})"
             for row in summary.rows
             if row.sensor == sensor and row.rates.false_go_scenes.count
             and (row.limit_m, row.look_ahead_m) != (summary.limit_m, summary.look_ahead_m)]
    return [f"At other limits and look-aheads there were false-gos: {'; '.join(found)}."
            ] if found else []


def _what(run: Run, summary: Summary) -> str:
    scenes = "scene" if summary.scenes == 1 else "scenes"
    return (f"{summary.scenes} rendered {scenes} with known truth, seen through {_rigs(summary)} "
            f"on rover {run.rover}, went through the whole chain; each verdict of "
            f"{len(summary.plan.headings_deg)} headings was held against the truth. "
            f"{summary.scored} could be scored.")


def _rigs(summary: Summary) -> str:
    names = list(summary.rigs)
    return f"rig{'s' if len(names) > 1 else ''} {' and '.join(names)}"


def _title(row: MainRow | None, summary: Summary) -> str:
    if row is None:
        return "Nothing was scored."
    text = _went(row.rates.false_go_can_go_scenes, summary, _ABLE)
    return f"{text[:1].upper()}{text[1:]}."


def _went(rate: Rate, summary: Summary, what: str = "a blocked heading") -> str:
    if not rate.of:
        return f"no scene has {what}, so nothing is known of false-gos"
    share = f"{percent(rate.rate)}, " if rate.count else ""
    return (f"false-go in {rate.count or 'none'} of {rate.of} scenes that have {what} "
            f"({share}below {percent(rate.high)} with {100 * summary.confidence:g} % confidence, "
            "one-sided)")


def _asks(row: MainRow, name: str) -> str:
    rates = row.rates
    return (f"Needless asks, {name}: {_of(rates.needless, rates.needless_scenes)} of the free "
            f"headings; {_of(rates.needless_observable, rates.needless_observable_scenes)} of "
            "those that both cameras see.")


def _of(rate: Rate, scenes: SceneRate) -> str:
    if not rate.of:
        return "none there"
    found = interval_text(scenes)
    bounds = "one scene, so no interval" if found == "–" else f"interval {found}"
    return f"{rate.count} of {rate.of} ({percent(rate.rate)}; {bounds})"


def _about(run: Run, summary: Summary) -> list[tuple[str, str]]:
    plan = summary.plan
    lines = [
        ("set", f"{run.block}: {summary.scenes} scenes, {summary.scored} scored"
                f"{_fresh(run)}"),
        ("mixtures", _counted(summary.mixtures)),
        ("sun", _sun_range(summary)),
        ("compression", _counted(summary.compressions)),
        ("rigs", _counted(summary.rigs)),
        ("limits", ", ".join(_cm(limit) for limit in plan.limits_m)
         + f", each with a confidence of {100 * plan.confidence:g} % (one-sided)"),
        ("look-ahead", ", ".join(f"{look:g} m" for look in plan.look_aheads_m)
         + " from the nose"),
        ("headings", f"{len(plan.headings_deg)} of each scene, "
                     f"{heading_text(max(plan.headings_deg))} to "
                     f"{heading_text(min(plan.headings_deg))}"),
        ("matcher", MATCHERS[plan.matcher]().name if "matched" in plan.sensors else "none"),
    ]
    if summary.failures:
        lines.append(("failed", f"{len(summary.failures)} pairs, named below"))
    return lines


def _fresh(run: Run) -> str:
    if run.block.startswith("report-"):
        return ("; a block never run before" if run.fresh else
                "; not known to be fresh: run before, or no ledger tells")
    return "; not a report block: not a figure to quote"


def _sun_range(summary: Summary) -> str:
    without = f"{summary.without_sun} scenes without sun" if summary.without_sun else ""
    if summary.sun_deg is None:
        return without
    low, high = summary.sun_deg
    return f"{low:.1f} to {high:.1f}° above the horizon" + (f"; {without}" if without else "")


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} ({count})" for name, count in counts.items())


def _cm(length_m: float) -> str:
    return f"{100 * length_m:g} cm"


def _plots(summary: Summary, scores: Sequence[SceneScore]) -> list[Entry]:
    at = f"limit {_cm(summary.limit_m)}, look-ahead {summary.look_ahead_m:g} m"
    longest = max(summary.plan.look_aheads_m)
    found = (
        ("Both mistakes by the sun", sun_plot(summary),
         f"At {at}. Numbers: scenes with a blocked heading where go is possible; free headings "
         "that both cameras see."),
        ("False-go against the limit", limit_plot(summary),
         "Share of scenes with a blocked heading where go is possible; large marks and lines: "
         "one-sided upper bound, small marks: rate. n is in the tables."),
        ("Does a stated probability mean what it says?", reliability_plot(summary),
         f"All limits pooled, look-ahead {summary.look_ahead_m:g} m, own strip; headings whose "
         "unseen ground could not exceed a limit. Mark: share of a bin's headings where truth "
         "exceeds, with its two-sided interval; on the dashed line it is what was stated, above "
         "it the stated probability is too low. Numbers: headings."),
        ("Clear distance", clear_plot(summary, scores),
         f"In metres from the nose, limit {_cm(summary.limit_m)}, look-ahead {longest:g} m, own "
         "strip; headings that are not borderline."),
        ("Errors against distance", errors_plot(scores),
         "Estimate minus truth, with median and robust spread of the errors, and the median of "
         "the stated sigma about zero. All scenes pooled."),
        ("Is sigma right?", within_plot(summary),
         f"Errors of {RANGES_M[0][0]:g} to {RANGES_M[-1][1]:g} m pooled; below the dashed line "
         "the stated sigma is too small."),
        ("What decided the needless asks", causes_plot(summary),
         f"Number of free headings at {at}, by the first cause of the verdict."),
    )
    return [{"name": name, "image": _data_uri(image), "caption": caption}
            for name, image, caption in found]


def _galleries(
    summary: Summary, rover: RoverProfile, sidecars: Mapping[str, Path]
) -> list[tuple[str, str, list[Entry]]]:
    key = ("White lines: edges of the swath. On the right the true heights from above, ahead is "
           "up, white box: the rover's body; grey: not known.")
    return [
        ("Worst false-gos", "Matched sensor, any limit, look-ahead and strip; the largest true "
         "demand first, one of each scene before a second. Solid blue: what was called clear. "
         f"Black bar: where truth is blocked. {key}",
         _cases(summary.false_go_cases, rover, sidecars)),
        ("Most needless asks", "Matched sensor, own strip; observable headings with the smallest "
         "true demand first, one of each scene before a second. Dashed orange: what was called "
         f"clear, up to the first cause (X). {key}",
         _cases(summary.needless_cases, rover, sidecars)),
    ]


def _cases(
    cases: Sequence[Case], rover: RoverProfile, sidecars: Mapping[str, Path]
) -> list[Entry]:
    return [_case(case, rover, sidecars) for case in cases]


def _case(case: Case, rover: RoverProfile, sidecars: Mapping[str, Path]) -> Entry:
    sun = ("no sun" if case.sun_elevation_deg is None else
           f"sun at {case.sun_elevation_deg:.1f}°")
    entry: Entry = {"case": case, "sun": sun, "image": None, "lacking": ""}
    if case.pair not in sidecars:
        return entry | {"lacking": "no picture: the rendered pair was not given"}
    try:
        return entry | {"image": _data_uri(case_picture(sidecars[case.pair], case, rover))}
    except HazcamError as error:
        return entry | {"lacking": f"no picture: {error.found}"}


def _origin(run: Run, summary: Summary) -> list[tuple[str, str]]:
    return [
        ("date", run.date), ("hazcam", run.hazcam), ("commit", run.commit),
        ("code", run.code_digest), ("set", run.set_digest), ("rig", run.rig_digest),
        ("rover", run.rover_digest), ("seed block", run.block),
        ("scenes", f"{summary.scenes}, {summary.scored} scored"),
    ]


def _data_uri(picture: bytes) -> Markup:
    return Markup(f"data:image/png;base64,{base64.b64encode(picture).decode('ascii')}")
