"""The record of a solved rig as text: plain, of a fixed width, the same on every terminal."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Sequence

from rich.table import Table

from hazcam.report.calibration_bend import FEWEST_VIEWS
from hazcam.report.record import Record, counted
from hazcam.report.text import WIDTH, rendered

_LABEL_WIDTH = 16


def calibration_text(record: Record) -> str:
    """Verdict, what to photograph next, the numbers to trust, and what they rest on."""
    parts = [
        "\n".join(_labelled(label, text) for label, text in statements(record)),
        "Held out: each view by a rig that was solved without it. The numbers to trust.\n"
        + "\n".join(_labelled(label, text) for label, text in trusted(record)),
        textwrap.fill(f"Lens models, {choice_text(record)}", WIDTH) + "\n"
        + _models_table(record["models"]),
        textwrap.fill("Numbers of the rig, and one standard deviation of each: by chance (noise of "
                      "the corners, spread between views), by the choice of the corner method, and "
                      "both together", WIDTH) + "\n" + _parameters_table(record["parameters"]),
        "Views: residuals [px]\n" + _views_table(record),
        "What the calibration alone leaves open, one sigma [mm], over what both cameras see;\n"
        f"height: {record['height_is']}\n" + _effects_table(record["effects"]),
    ]
    return "\n\n".join(parts) + "\n"


def statements(record: Record) -> list[tuple[str, str]]:
    """What every output says first: label and text, in order."""
    rig, target = record["rig"], record["target"]
    width, height = rig["size_px"]
    return [
        ("verdict", record["verdict"]),
        *((("what next" if i == 0 else ""), f"{i + 1}. {text}")
          for i, text in enumerate(record["advice"])),
        ("rig", f"{rig['name']}, {width} x {height} px, {rig['model']} lenses, baseline "
                f"{1000 * rig['baseline_m']:.2f} mm, digest {rig['digest'][:12]}"),
        ("scale", scale_text(record)),
        ("target", f"{target['kind']}, {target['columns']} x {target['rows']} points, "
                   f"{1000 * target['pitch_m']:g} mm apart as given"),
        ("views", fates_text(record)),
        ("coverage", coverage_text(record)),
        ("corners", corners_text(record)), ("flatness", flatness_text(record)),
    ]


def scale_text(record: Record) -> str:
    """What the length of the baseline rests on: nothing but the pitch that was given."""
    printed = {"circles": "distances of the printed circles",
               "circles-asymmetric": "distances of the printed rows"}
    return ("the baseline is as right as the pitch of the target: measure the "
            f"{printed.get(record['target']['kind'], 'printed squares')}, and the distance of the "
            "lenses by hand")


def fates_text(record: Record) -> str:
    """How many views there are, and how many met each fate."""
    counts = Counter(view["fate"] for view in record["views"])
    return (f"{counted(len(record['views']), 'view')}: "
            + "; ".join(f"{count} {fate}" for fate, count in counts.items()))


def coverage_text(record: Record) -> str:
    """Share of the pictures, distances and tilts that the views hold."""
    coverage = record["coverage"]
    near, far = coverage["distance_m"]
    least, most = coverage["tilt_deg"]
    return (f"corners in {100 * coverage['share']:.0f} % of the cells of both pictures; target "
            f"{near:.2f} to {far:.2f} m away, tilted by {least:.0f} to {most:.0f}°")


def flatness_text(record: Record) -> str:
    """How far the target is from a plane."""
    flat = record["flatness"]
    bow = f"{1000 * flat['bow_m']:.3f} ± {1000 * flat['sigma_m']:.3f} mm"
    if flat["significant"]:
        return f"the target is bowed by {bow} over its middle, and all sigmas are widened by it"
    return f"the target is flat as far as the views tell (a bow of {bow} over its middle)"


def corners_text(record: Record) -> str:
    """Noise of the corners, and how the views agree."""
    fitted = record["fitted"]
    times = math.sqrt(fitted["spread_between_views"])
    agree = ("the views disagree no more than that explains" if times == 1 else
             f"the views disagree {times:.1f} times as much as that explains, and all sigmas "
             "are widened by it")
    return (f"noise {fitted['corner_left_px']:.2f} px left, {fitted['corner_right_px']:.2f} px "
            f"right, along one axis; {agree}")


def trusted(record: Record) -> list[tuple[str, str]]:
    """The numbers on views that the rig was solved without: label and text."""
    row, edge = record["trust"]["epipolar"], record["trust"]["edge"]
    return [
        ("row offset", f"mean {row['mean_abs_px']:.3f} px, rms {row['rms_px']:.3f} px, largest "
                       f"{row['largest_px']:+.2f} px in view {row['largest_view']} "
                       f"({row['corners']} corners; limit of the mean "
                       f"{record['limits']['epipolar_px']:g} px)"),
        ("edge of target", f"bias {1000 * edge['bias_m']:+.3f} mm ({100 * edge['bias']:+.2f} %), "
                           f"spread {1000 * edge['spread_m']:.3f} mm "
                           f"({100 * edge['spread']:.2f} %) on {1000 * edge['pitch_m']:g} mm "
                           f"({edge['edges']} edges; limit of the bias "
                           f"{100 * record['limits']['edge_bias']:g} %)"),
        ("reprojection", f"rms {record['fitted']['held_out_rms_px']:.3f} px "
                         f"(fitted {record['fitted']['rms_px']:.3f} px)"),
    ]


def choice_text(record: Record) -> str:
    """How the lens model was chosen."""
    if record["choice"] == "prescribed":
        return "the model as prescribed"
    unsolved = [m["model"] for m in record["models"] if m["parameters"] is None]
    return ("compared by what each foretells of views that it was not fitted to"
            + (f"; not solved, so not compared: {', '.join(unsolved)}" if unsolved else ""))


def bend_text(record: Record) -> str:
    """Do the medians of the row offset bend over the picture, beyond what chance gives."""
    row = record["trust"]["epipolar"]
    parts = (("column", row["along_columns"]), ("row", row["along_rows"]))
    if any(bend["chance"] is None for _, bend in parts):
        return (f"fewer than {FEWEST_VIEWS} views: whether the medians bend beyond what chance "
                "gives cannot be told")
    bent = [f"against the {word} they run {_run(bend)}" for word, bend in parts
            if bend["beyond_chance"]]
    if not bent:
        return "the medians bend no more than chance gives"
    return ("the medians bend more than chance gives in 99 of 100 cases: "
            f"{' and '.join(bent)}; check the lens model, and that the target is flat")


def _run(bend: Record) -> str:
    """From which median to which, and where they are."""
    ends = sorted(zip(bend["medians_px"], bend["places_px"], strict=True))
    low, high = (f"{median:+.2f} px (at {place:.0f} px)" for median, place in (ends[0], ends[-1]))
    return f"from {low} to {high}"


def number(value: float | None, digits: int) -> str:
    """A number, or a dash where it is not known."""
    return "-" if value is None else f"{value:.{digits}f}"


def in_mm(length_m: float | None) -> str:
    """A length in millimetres: to a tenth, from 100 on without; a dash where it is not known."""
    if length_m is None:
        return "-"
    return f"{1000 * length_m:.{1 if abs(length_m) < 0.1 else 0}f}"


def parameter_cells(parameter: Record) -> tuple[str, str, str, str]:
    """Value, both sigmas together, by chance, by the method: two digits of the sigma."""
    digits = _digits(parameter["sigma"])
    method = parameter["method"]
    return (f"{parameter['value']:.{digits}f}", f"{parameter['sigma']:.{digits}f}",
            f"{parameter['chance']:.{digits}f}",
            "not known" if method is None else f"{method:.{digits}f}")


def _digits(sigma: float) -> int:
    return 6 if sigma <= 0 else min(max(1 - math.floor(math.log10(sigma)), 0), 6)


def is_plain(view: Record) -> bool:
    """Is there nothing to say of a view but its numbers?"""
    return not view["reason"]


# --- tables ---------------------------------------------------------------------------------------


def _labelled(label: str, text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=f"{label}  ".ljust(_LABEL_WIDTH),
                         subsequent_indent=" " * _LABEL_WIDTH, break_long_words=False)


def _models_table(models: Sequence[Record]) -> str:
    table = _table(("model", "numbers", "fitted\n[px]", "held out\n[px]", "why"), left=(0, 4),
                   wrapped=4)
    for m in models:
        count = "-" if m["parameters"] is None else str(m["parameters"])
        table.add_row(m["model"], count, number(m["fitted_px"], 3), number(m["held_out_px"], 3),
                      m["why"])
    return rendered(table)


def _parameters_table(parameters: Sequence[Record]) -> str:
    table = _table(("number", "value", "unit", "sigma", "by chance", "by method"), left=(0, 2))
    for p in parameters:
        value, sigma, chance, method = parameter_cells(p)
        table.add_row(p["name"], value, p["unit"], sigma, chance, method)
    return rendered(table)


def _views_table(record: Record) -> str:
    table = _table(("view", "points\nleft", "\nright", "rms\nleft", "\nright", "held\nout",
                    "row\noffset", "away\n[m]", "tilt\n[°]", "fate"), left=(0, 9))
    for v in record["views"]:
        table.add_row(
            v["id"], str(v["points_left"]), str(v["points_right"]), number(v["rms_left_px"], 2),
            number(v["rms_right_px"], 2), number(v["held_out_px"], 2),
            number(v["epipolar_mean_abs_px"], 2), number(v["distance_m"], 2),
            number(v["tilt_deg"], 0), v["fate"])
    reasons = [_labelled(f"view {v['id']}", f"{v['fate']}: {v['reason']}")
               for v in record["views"] if not is_plain(v)]
    return "\n".join([rendered(table), *reasons])


def _effects_table(effects: Sequence[Record]) -> str:
    table = _table(("distance", "seen by\nboth [%]", "range\nmedian", "\nlargest", "\nwhere",
                    "height\nmedian", "\nlargest", "\nwhere"), left=(0, 4, 7))
    for e in effects:
        table.add_row(f"{e['distance_m']:g} m", f"{100 * e['seen_share']:.0f}",
                      *_length_cells(e["range"]), *_length_cells(e["height"]))
    return rendered(table)


def _length_cells(length: Record) -> tuple[str, str, str]:
    if length["median_m"] is None:
        return "-", "-", "not seen by both"
    return in_mm(length["median_m"]), in_mm(length["largest_m"]), length["largest_at"]


def _table(headers: Sequence[str], *, left: Sequence[int], wrapped: int | None = None) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in left else "right", no_wrap=i != wrapped)
    return table
