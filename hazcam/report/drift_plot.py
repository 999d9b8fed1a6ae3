"""Plot of the drift of a rig against time. No clock, no randomness."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hazcam.drift import NAMES
from hazcam.frames import Floats
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, png
from hazcam.report.drift_record import SENSES
from hazcam.report.record import Record

_FONT_PT = 10.0
_MOST_NAMES = 12  # along the axis
_LINE_SIGNS = 105  # of the title and of what is below
_MOST_HOURS = 48  # a longer span is in days
# Pairs nearer to each other than this share of the span are drawn beside each other.
_APART = 0.012
_LINE_IN = 0.19
_VERDICT = {"within": "within the limit", "beyond": "beyond the limit",
            "not known": "not known to be within the limit"}


def drift_figure(record: Record) -> Figure:
    """The three angles on one scale, rows off and height of ground with their limits.

    Each pair with one and three sigma (rows off without), all together, and the step where the
    camera moved; the verdict above, pairs without a drift below.
    """
    below = _below(record)
    figure = Figure(figsize=(9.0, 10.2 + _LINE_IN * len(below)), facecolor=WHITE,
                    layout="constrained")
    panels = figure.subplots(len(NAMES) + 2, 1, sharex=True)
    places, label = _places(record)
    for axes, name in zip(panels, NAMES, strict=False):
        _values(axes, record, places, *_angle(record, name))
        axes.set_ylabel(f"{name} [°]", fontsize=_FONT_PT)
        _say(axes, f"positive: {SENSES[name]}")
    _rows_and_height(record, places, panels[-2], panels[-1])
    _one_scale(panels[: len(NAMES)])
    _along(panels[-1], record, places, label)
    figure.suptitle(_title(record), fontsize=_FONT_PT + 0.5)
    handles, labels = _legend(panels)
    figure.legend(handles, labels, fontsize=_FONT_PT - 1, frameon=False, ncol=6,
                  loc="outside lower center")
    if below:
        panels[-1].set_xlabel(panels[-1].get_xlabel() + "\n" + "\n".join(below),
                              fontsize=_FONT_PT)
    return figure


def drift_plot(record: Record) -> bytes:
    """The figure as PNG."""
    return png(drift_figure(record))


def _title(record: Record) -> str:
    combined, pairs = record["combined"], record["pairs"]
    head = f"Turn of the right camera of rig {record['rig']['name']} since its calibration. "
    if len(pairs) == 1:
        said = [f"{pairs[0]['id']}: {_VERDICT[combined['limit']]}"]
    elif combined["moved"]:
        step = combined["step"]
        said = [f"The camera moved, most between {step['last_before']} and {step['first_since']}",
                *(f"{side['text']}: {_VERDICT[side['limit']]}" for side in combined["sides"])]
    else:
        said = ["The pairs scatter more than their sigmas explain" if combined["scattered"] else
                "No sign that the camera moved", f"all pairs: {_VERDICT[combined['limit']]}"]
    return textwrap.fill(f"{head}{'; '.join(said)}.", _LINE_SIGNS - 15)


def _below(record: Record) -> list[str]:
    """Which pairs have no drift, in lines."""
    if not record["failures"]:
        return []
    return textwrap.wrap(f"without a drift: {', '.join(record['failures'])}", _LINE_SIGNS)


def _places(record: Record) -> tuple[Floats, str]:
    """Where the pairs are along the axis, and what the axis is."""
    pairs = record["pairs"]
    if record["order"]["by"] != "time":
        return np.arange(len(pairs), dtype=float), "pair, in the order of names"
    moments = [datetime.fromisoformat(pair["taken_at"]).replace(tzinfo=None) for pair in pairs]
    hours = np.array([(m - moments[0]).total_seconds() / 3600 for m in moments])
    if np.ptp(hours) > _MOST_HOURS:
        return _apart(hours / 24), "days since the first pair"
    return _apart(hours), "hours since the first pair"


def _apart(places: Floats) -> Floats:
    """Places (N,), sorted, with those that would overprint moved beside each other."""
    least = _APART * float(np.ptp(places)) or 1.0
    moved = places.copy()
    for i in range(1, len(moved)):
        moved[i] = max(moved[i], moved[i - 1] + least)
    return moved


def _angle(record: Record, name: str) -> tuple[Floats, Floats, float | None]:
    """Of each pair and of all: the angle, its sigma. [deg]"""
    pairs, all_ = record["pairs"], record["combined"]["turn_deg"]
    return (np.array([pair["turn_deg"][name] for pair in pairs]),
            np.array([pair["sigma_deg"][name] for pair in pairs]),
            None if all_ is None else all_[name])


def _rows_and_height(record: Record, places: Floats, rows: Axes, height: Axes) -> None:
    """What the turns do, and the limits on it."""
    limits, combined = record["limits"], record["combined"]
    off = _numbers(record, "rows_off_px", 1.0)
    _values(rows, record, places, off, np.zeros(len(off)), combined["rows_off_px"])
    _limits(rows, limits["rows_px"])
    _say(rows, "positive: lower in the right picture")
    rows.set_ylabel("rows off [px]", fontsize=_FONT_PT)
    all_m = combined["height_m"]
    _values(height, record, places, _numbers(record, "height_m", 1000),
            _numbers(record, "height_sigma_m", 1000), None if all_m is None else 1000 * all_m)
    _limits(height, 1000 * limits["height_m"])
    height.set_ylabel(f"ground at {limits['at_m']:g} m\n[mm]", fontsize=_FONT_PT)
    _say(height, "positive: read too high")


def _numbers(record: Record, key: str, factor: float) -> Floats:
    """Of each pair; NaN where it is not known."""
    values = [pair[key] for pair in record["pairs"]]
    return np.array([np.nan if v is None else factor * v for v in values])


def _values(
    axes: Axes, record: Record, places: Floats, values: Floats, sigma: Floats, all_: float | None
) -> None:
    kept = np.array([not pair["left_out"] for pair in record["pairs"]])
    for mask, colour, marker, word in ((kept, BLUE, "o", "pair, 1 and 3 sigma"),
                                       (~kept, BLACK, "x", "pair, not pooled")):
        if mask.any():
            axes.errorbar(places[mask], values[mask], yerr=3 * sigma[mask], fmt="none",
                          ecolor=colour, elinewidth=0.8)
            axes.errorbar(places[mask], values[mask], yerr=sigma[mask], fmt=marker, color=colour,
                          elinewidth=2.2, markersize=4.5, label=word)
    axes.axhline(0.0, color=BLACK, linewidth=0.8, linestyle=":", label="as calibrated")
    if all_ is not None and len(values) > 1:
        axes.axhline(all_, color=BLACK, linewidth=1.2, linestyle="--", label="all pairs")
    step = record["combined"]["step"]
    if step is not None:
        since = [pair["id"] for pair in record["pairs"]].index(step["first_since"])
        axes.axvline(float(places[since - 1 : since + 1].mean()), color=PURPLE, linewidth=1.6,
                     linestyle="-.", label="the camera moved")
    axes.tick_params(labelsize=_FONT_PT - 1)
    axes.margins(y=0.12)


def _limits(axes: Axes, limit: float) -> None:
    for sign in (-1, 1):
        axes.axhline(sign * limit, color=ORANGE, linewidth=1.4, label="limit")
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -1.3 * limit), max(high, 1.3 * limit))


def _one_scale(panels: Sequence[Axes]) -> None:
    """The same range of degrees in all, so that they can be compared by eye."""
    ends = np.array([axes.get_ylim() for axes in panels])
    for axes in panels:
        axes.set_ylim(ends[:, 0].min(), ends[:, 1].max())


def _say(axes: Axes, text: str) -> None:
    """Above the panel, where no value is."""
    axes.set_title(text, loc="left", fontsize=_FONT_PT - 1, pad=3)


def _along(axes: Axes, record: Record, places: Floats, label: str) -> None:
    axes.set_xlabel(label if len(places) > 1 else "pair", fontsize=_FONT_PT)
    if len(places) == 1:
        axes.set_xlim(places[0] - 1, places[0] + 1)
    if record["order"]["by"] == "time" and len(places) > 1:
        return
    step = -(-len(places) // _MOST_NAMES)
    names = [pair["id"] for pair in record["pairs"]]
    axes.set_xticks(places[::step], names[::step], rotation=20, ha="right")


def _legend(panels: Sequence[Axes]) -> tuple[list[Artist], list[str]]:
    """Each label once."""
    found: dict[str, Artist] = {}
    for axes in panels:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            found.setdefault(label, handle)
    return list(found.values()), list(found)
