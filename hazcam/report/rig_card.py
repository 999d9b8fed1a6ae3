"""The rig card as a record (schema ``hazcam-rig-card/1``), as text, and as one figure. Pure.

- Lengths are in m, angles in deg, disparities in px; shares are of 1.
- ``null`` stands for what is not known (ground that is not in both pictures) or has no bound (a
  near strip that never ends, ground hidden to the horizon).
- ``headings`` run from right to left, ``rows`` of each by the distance from the nose along it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator
from rich.table import Table

from hazcam import __version__
from hazcam.flat_ground import HIDING_HEIGHTS_M, OBSTACLE_ROWS, OBSTACLE_SIGMAS
from hazcam.frames import Floats, heading_text
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, cased_line, png
from hazcam.report.record import Record, plain
from hazcam.report.text import WIDTH, rendered
from hazcam.rig_card import (
    CARD_END_M,
    DISPARITY_SIGMA_PX,
    DISPARITY_SIGMA_SOURCE,
    HeadingCard,
    RigCard,
)
from hazcam.versions import versions

SCHEMA = "hazcam-rig-card/1"
_COLUMNS = tuple(name for name in HeadingCard.__dataclass_fields__ if name != "reach")
_ENDS = {"card": "the end of the card", "grid": "the edge of the grid",
         "pictures": "the rim of the pictures"}
_FONT_PT = 10.0
_PART_GREY, _NONE_GREY = "#F0F0F0", "#C4C4C4"
_LOOKS: tuple[dict[str, Any], ...] = (
    {"color": BLUE, "ls": "-"}, {"color": ORANGE, "ls": "--"}, {"color": PURPLE, "ls": "-."},
    {"color": BLACK, "ls": ":"})


def rig_card_record(card: RigCard) -> Record:
    """The card as plain values ready for JSON."""
    given = card.disparity_sigma_px != DISPARITY_SIGMA_PX
    computed = {
        "rig": {"name": card.rig.name, "size_px": card.rig.size, "focal_px": card.camera.focal_px,
                "baseline_m": card.camera.baseline_m, "camera_height_m": card.camera_height_m},
        "rover": {"name": card.rover.name, "nose_m": card.rover.body.nose_m,
                  "swath_m": card.rover.swath_m},
        "rules": {
            "disparity_sigma_px": card.disparity_sigma_px,
            "disparity_sigma_source": "as given" if given else DISPARITY_SIGMA_SOURCE,
            "tilt_sigma_deg": card.tilt_sigma_deg, "scale_sigma": card.scale_sigma,
            "obstacle_sigmas": OBSTACLE_SIGMAS, "obstacle_rows": OBSTACLE_ROWS,
            "hiding_heights_m": HIDING_HEIGHTS_M, "card_end_m": CARD_END_M,
        },
        "headings": [_heading(h, card.distance_m) for h in card.headings],
    }
    return {"schema": SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"rig": card.rig.digest, "rover": card.rover.digest},
            "versions": versions()}


def _heading(heading: HeadingCard, distance_m: Floats) -> Record:
    reach = heading.reach
    columns = {name: getattr(heading, name).tolist() for name in _COLUMNS}
    rows = [{"distance_m": distance} | {name: column[i] for name, column in columns.items()}
            for i, distance in enumerate(distance_m.tolist())]
    return {"heading_deg": reach.heading_deg, "near_m": reach.near_m, "far_m": reach.far_m,
            "far_limit": reach.far_limit, "rows": rows}


# --- text -----------------------------------------------------------------------------------------


def rig_card_text(record: Record) -> str:
    """What the card rests on, and its tables; plain and of a fixed width."""
    said = [textwrap.fill(text, WIDTH) for text in statements(record)]
    ahead = next(h for h in record["headings"] if h["heading_deg"] == 0)
    parts = [
        "\n\n".join(said),
        "Where the whole swath lies in both pictures, from the nose\n" + _reach_table(record),
        "Straight ahead, on the middle line\n" + _ahead_table(ahead["rows"]),
        "Smallest obstacle that can be told from the ground [mm] (our own rule), by distance [m] "
        "and heading\n" + _by_heading(record, lambda row: _mm(row["smallest_m"], 0)),
        "Own sigma of the height of one matched point [mm], by distance [m] and heading\n"
        + _by_heading(record, lambda row: _mm(row["height_sigma_m"], 1)),
        textwrap.fill("* only part of the swath lies in both pictures there. - the middle line "
                      "does not.", WIDTH),
    ]
    return "\n\n".join(parts) + "\n"


def statements(record: Record) -> list[str]:
    """What every output of the card says beside its numbers."""
    rig, rover, rules = record["rig"], record["rover"], record["rules"]
    width, height = rig["size_px"]
    return [
        f"Rig card: rig {rig['name']} on rover {rover['name']}. {width} x {height} px, focal "
        f"length {rig['focal_px']:.0f} px, baseline {rig['baseline_m']:.3f} m, left camera "
        f"{rig['camera_height_m']:.3f} m up; swath {rover['swath_m']:.2f} m. What the geometry "
        "allows of flat ground under a level rover; texture, light and rough ground only take "
        "from it.",
        f"Own errors are those of one matched point at a disparity sigma of "
        f"{rules['disparity_sigma_px']:g} px ({rules['disparity_sigma_source']}). Shared errors "
        "move the ground and what stands on it together: an attitude known to "
        f"{rules['tilt_sigma_deg']:g}°, a scale (focal length, baseline) known to "
        f"{100 * rules['scale_sigma']:.1f} %; each one sigma.",
        f"Smallest obstacle, our own rule: the larger of {rules['obstacle_sigmas']:g} own sigma of "
        f"height and what covers {rules['obstacle_rows']} picture rows, the whole of the matching "
        "window; it must be as wide. Hidden ground: h d / (H - h) behind the far edge of a thing "
        "of height h at distance d from the left camera, which is H up.",
    ]


def _reach_table(record: Record) -> str:
    table = _table(("heading", "from", "to", "which is"), left=(0, 3))
    for heading in reversed(record["headings"]):
        far = heading["far_m"]
        cells = (("never", "", "") if far is None else
                 (f"{heading['near_m']:.2f} m", f"{far:.2f} m", _ENDS[heading["far_limit"]]))
        table.add_row(heading_text(heading["heading_deg"]), *cells)
    return rendered(table)


def _ahead_table(rows: Sequence[Record]) -> str:
    small, large = (f"by\n{100 * h:g} cm\n[m]" for h in HIDING_HEIGHTS_M)
    table = _table((
        "from\nnose\n[m]", "swath\nin view\n[%]", "sample\nalong\n[mm]", "sample\nacross\n[mm]",
        "range σ\nown\n[mm]", "\nscale\n[mm]", "height σ\nown\n[mm]", "\nattitude\n[mm]",
        "\nscale\n[mm]", "smallest\nobstacle\n[mm]", f"hidden {small}", f"hidden {large}"), gap=1)
    for row in rows:
        table.add_row(
            f"{row['distance_m']:.1f}", f"{int(100 * row['swath_share'])}",
            *(_mm(row[f"{name}_m"], 1) for name in (
                "gsd_along", "gsd_across", "range_sigma", "scale_range_sigma", "height_sigma",
                "tilt_height_sigma", "scale_height_sigma", "smallest")),
            *("-" if length is None else f"{length:.2f}" for length in row["hidden_m"]))
    return rendered(table)


def _by_heading(record: Record, cell: Callable[[Record], str]) -> str:
    """One row for each distance, one column for each heading, from left to right."""
    headings = list(reversed(record["headings"]))
    table = _table(("", *(_short(h["heading_deg"]) for h in headings)), gap=1)
    for i, first in enumerate(headings[0]["rows"]):
        rows = [heading["rows"][i] for heading in headings]
        table.add_row(f"{first['distance_m']:.1f}", *(_marked(cell(r), r) for r in rows))
    return rendered(table)


def _marked(text: str, row: Record) -> str:
    return text if row["swath_share"] == 1 or text == "-" else f"*{text}"


def _short(heading_deg: float) -> str:
    return f"{abs(heading_deg):g}" + ("" if heading_deg == 0 else "L" if heading_deg > 0 else "R")


def _mm(length_m: float | None, digits: int) -> str:
    return "-" if length_m is None else f"{1000 * length_m:.{digits}f}"


def _table(headers: Sequence[str], *, left: Sequence[int] = (), gap: int = 2) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in left else "right", no_wrap=True)
    return table


# --- figure ---------------------------------------------------------------------------------------


def rig_card_figure(card: RigCard) -> bytes:
    """PNG: where the swath is in view, ground sample distance, sigmas, hidden ground."""
    figure = Figure(figsize=(11.0, 9.0), facecolor=WHITE, layout="constrained")
    (view, height), (ground, hidden) = figure.subplots(2, 2)
    ahead = next(h for h in card.headings if h.reach.heading_deg == 0)
    _draw_view(view, card)
    _draw_lines(height, card, {
        "smallest obstacle (our own rule)": ahead.smallest_m,
        "σ of one point, own": ahead.height_sigma_m,
        "σ shared: attitude": ahead.tilt_height_sigma_m,
        "σ shared: scale": ahead.scale_height_sigma_m,
    })
    height.set(title="height, straight ahead", ylabel="height [mm]")
    _draw_lines(ground, card, {
        "ground sample distance along (row to row)": ahead.gsd_along_m,
        "ground sample distance across (column to column)": ahead.gsd_across_m,
        "σ of range of one point, own": ahead.range_sigma_m,
        "σ of range shared: scale": ahead.scale_range_sigma_m,
    })
    ground.set(title="along the ground, straight ahead", ylabel="length [mm]")
    _draw_lines(hidden, card, {f"behind {100 * h:g} cm": ahead.hidden_m[:, i]
                               for i, h in enumerate(HIDING_HEIGHTS_M)}, unit=1.0)
    hidden.set(title="flat ground hidden behind a thing, straight ahead",
               ylabel="hidden length [m]")
    for axes in figure.axes:
        _finish(axes)
    figure.suptitle(f"Rig card: rig {card.rig.name} on rover {card.rover.name}, flat ground, "
                    f"disparity sigma {card.disparity_sigma_px:g} px", fontsize=13,
                    fontweight="bold")
    return png(figure)


def _draw_lines(axes: Axes, card: RigCard, lines: dict[str, Floats], unit: float = 1000.0) -> None:
    """Lines over the distance, and where the whole swath is in view."""
    for (label, values), look in zip(lines.items(), _LOOKS, strict=False):
        axes.plot(card.distance_m, unit * values, lw=2.0, label=label, **look)
    near = card.reach_at(0.0).near_m
    if np.isfinite(near):
        axes.axvline(near, color="#606060", lw=1.0, ls=(0, (1, 2)),
                     label=f"end of the near strip, {near:.2f} m")
    axes.set(xlabel="distance from the nose [m]", xlim=(0, CARD_END_M))
    axes.set_ylim(bottom=0)
    axes.legend(loc="upper left", fontsize=_FONT_PT - 1, framealpha=0.9)


def _draw_view(axes: Axes, card: RigCard) -> None:
    """Share of the swath in both pictures, near strip and smallest obstacle, heading by distance.

    The left is on the left, as seen from the rover.
    """
    heading = np.array([h.reach.heading_deg for h in card.headings])
    # Between the headings of the card too, so that its edges are no stairs.
    reaches = [card.reach_at(h) for h in np.arange(heading.min(), heading.max() + 0.5, 1.0)]
    fine = [reach.heading_deg for reach in reaches]
    share = np.stack([reach.swath_share for reach in reaches], axis=1)
    axes.contourf(fine, reaches[0].station_m, share, levels=(-1.0, 0.001, 0.999),
                  colors=(_NONE_GREY, _PART_GREY), hatches=("//", ".."))
    smallest = 1000 * np.stack([h.smallest_m for h in card.headings], axis=1)
    levels = _levels(smallest)
    if levels:
        drawn = axes.contour(heading, card.distance_m, smallest, colors=BLUE, linewidths=1.4,
                             levels=levels)
        axes.clabel(drawn, fmt="%g mm", fontsize=_FONT_PT - 1)
    near = [reach.near_m if np.isfinite(reach.near_m) else np.nan for reach in reaches]
    axes.plot(fine, near, color=PURPLE, lw=2.0, ls="-.", path_effects=cased_line(3.6))
    axes.set(title="smallest obstacle, and where the swath is in both pictures",
             xlabel="heading [deg], left on the left", ylabel="distance from the nose [m]",
             xlim=(heading.max(), heading.min()), ylim=(0, CARD_END_M))
    axes.set_xticks(heading[::3], [_short(h) for h in heading[::3]])
    axes.legend(handles=[
        Line2D([], [], color=BLUE, lw=1.4, label="smallest obstacle"),
        Line2D([], [], color=PURPLE, lw=2.0, ls="-.", label="end of the near strip"),
        Patch(facecolor=_PART_GREY, edgecolor=BLACK, hatch="..", label="part of the swath in view"),
        Patch(facecolor=_NONE_GREY, edgecolor=BLACK, hatch="//", label="none of it in view"),
    ], loc="upper center", bbox_to_anchor=(0.5, -0.13), ncol=2, fontsize=_FONT_PT - 1,
        frameon=False)


def _levels(values: Floats) -> list[float]:
    """Some round values within those that are known; none where nothing is."""
    known = values[np.isfinite(values)]
    if not known.size:
        return []
    round_ones = MaxNLocator(7).tick_values(known.min(), known.max())
    return [float(v) for v in round_ones if known.min() < v < known.max()]


def _finish(axes: Axes) -> None:
    for text in (axes.xaxis.label, axes.yaxis.label):
        text.set_fontsize(_FONT_PT)
    axes.title.set_fontsize(_FONT_PT + 1)
    axes.tick_params(labelsize=_FONT_PT - 0.5)
    axes.grid(lw=0.4, color="#CCCCCC")
    axes.set_axisbelow(True)
