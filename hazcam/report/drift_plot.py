"""Plot of the drift of a rig against time. No clock, no randomness."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hazcam.drift import NAMES
from hazcam.report.drawing import BLACK, BLUE, ORANGE, WHITE, png
from hazcam.report.record import Record

_FONT_PT = 10.0
_MOST_NAMES = 12  # along the axis


def drift_plot(record: Record) -> bytes:
    """PNG: pitch, vergence and roll of each pair with one and three sigma, and of all."""
    figure = Figure(figsize=(8.6, 7.2), facecolor=WHITE, layout="constrained")
    panels = figure.subplots(len(NAMES), 1, sharex=True)
    places, labels = _places(record)
    for axes, name in zip(panels, NAMES, strict=True):
        _angle(axes, record, name, places)
    panels[-1].set_xticks(places[:: max(1, len(places) // _MOST_NAMES)],
                          labels[:: max(1, len(places) // _MOST_NAMES)], rotation=20, ha="right")
    panels[-1].set_xlabel("hours since the first pair" if record["order"]["by"] == "time"
                          else "pair, in the order of names", fontsize=_FONT_PT)
    panels[0].set_title(f"Turn of the right camera of rig {record['rig']['name']} since its "
                        "calibration; bars: 1 and 3 sigma", fontsize=_FONT_PT + 1)
    return png(figure)


def _places(record: Record) -> tuple[np.ndarray, list[str]]:
    """Where the pairs are along the axis, and how they are named there."""
    pairs = record["pairs"]
    if record["order"]["by"] != "time":
        return np.arange(len(pairs), dtype=float), [pair["id"] for pair in pairs]
    moments = [datetime.fromisoformat(pair["taken_at"]).replace(tzinfo=None) for pair in pairs]
    hours = np.array([(m - moments[0]).total_seconds() / 3600 for m in moments])
    return hours, [f"{h:.1f}" for h in hours]


def _angle(axes: Axes, record: Record, name: str, places: np.ndarray) -> None:
    pairs, combined = record["pairs"], record["combined"]
    turn = np.array([pair["turn_deg"][name] for pair in pairs])
    sigma = np.array([pair["sigma_deg"][name] for pair in pairs])
    kept = np.array([not pair["left_out"] for pair in pairs])
    for mask, colour, marker, word in ((kept, BLUE, "o", "pair"),
                                       (~kept, ORANGE, "x", "pair, left out")):
        if mask.any():
            axes.errorbar(places[mask], turn[mask], yerr=3 * sigma[mask], fmt="none",
                          ecolor=colour, elinewidth=0.8)
            axes.errorbar(places[mask], turn[mask], yerr=sigma[mask], fmt=marker, color=colour,
                          elinewidth=2.2, markersize=4.5, label=word)
    axes.axhline(0.0, color=BLACK, linewidth=0.8, linestyle=":", label="as calibrated")
    if not combined["moved"] and len(pairs) > 1:
        axes.axhline(combined["turn_deg"][name], color=BLACK, linewidth=1.2, linestyle="--",
                     label="all pairs")
    axes.set_ylabel(f"{name} [°]", fontsize=_FONT_PT)
    axes.tick_params(labelsize=_FONT_PT - 1)
    axes.legend(fontsize=_FONT_PT - 1, frameon=False, loc="upper right", ncol=4)
    axes.margins(y=0.3)
