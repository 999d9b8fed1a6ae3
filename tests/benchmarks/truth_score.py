"""Score the verdicts of a rendered set against its truth: both mistakes, false-go first.

    python -m tests.benchmarks.truth_score sample_pairs

Step, drop and belly limits are set together to 4, 6 and 8 cm. A heading is ``blocked`` or
``free`` by ``hazcam.scene.judge``, which shares no code with the stages; what is neither is not
scored. Every heading is judged as the rover would walk it: beyond its stated near strip and
inside the look-ahead. Two columns: the default, where only the straight-ahead near strip may be
assumed clear, and a team that assumes each heading's own strip (``near_strip_max_m`` = 1 m).
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import beta

from hazcam import Settings, assess_pair, read_pair, read_rig, read_rover
from hazcam.assess import Assessment
from hazcam.imagery import find_sidecars, read_sidecar
from hazcam.rover import RoverProfile, with_limits
from hazcam.scene import HeadingLabel, label_heading, read_truth
from hazcam.verdict import HeadingDemand, HeadingVerdict, decide, demand_along

LIMITS_M = (0.04, 0.06, 0.08)
LOOK_AHEAD_M = 1.0
OWN_STRIP_M = 1.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """One heading of one pair at one limit."""

    pair: str
    limit_m: float
    own_strip: bool
    in_view: bool
    label: HeadingLabel
    verdict: HeadingVerdict
    demand: HeadingDemand


def assess_file(sidecar_path: Path) -> tuple[Assessment, RoverProfile]:
    """Assess one pair of a set with its own rig and rover."""
    sidecar = read_sidecar(sidecar_path)
    rover = read_rover(sidecar.rover)
    settings = Settings(look_ahead_m=LOOK_AHEAD_M)
    return assess_pair(read_pair(sidecar_path), read_rig(sidecar.rig), rover, settings), rover


def rows_of(sidecar_path: Path) -> Iterator[Row]:
    """All rows of one pair: the limits are only compared, the pictures are read once."""
    found, rover = assess_file(sidecar_path)
    truth = read_truth(sidecar_path.with_name(sidecar_path.name.replace(".pair.", ".truth.")))
    assert found.terrain is not None
    assert found.near_strip_max_m is not None
    for own_strip, strip_max in ((False, found.near_strip_max_m), (True, OWN_STRIP_M)):
        for heading in found.settings.headings_deg:
            demand = demand_along(found.terrain, rover, heading, look_ahead_m=LOOK_AHEAD_M,
                                  near_strip_max_m=strip_max)
            for limit in LIMITS_M:
                limits = with_limits(rover, dict.fromkeys(("step", "drop", "belly"), limit)).limits
                label = label_heading(
                    truth, heading_deg=heading, body_width_m=rover.body.width_m,
                    margin_m=rover.margin_m, nose_m=rover.body.nose_m,
                    strip_m=demand.assumed_m, look_ahead_m=LOOK_AHEAD_M, limits=limits)
                yield Row(pair=found.pair.id, limit_m=limit, own_strip=own_strip, label=label,
                          verdict=decide(demand, limits, found.settings.confidence),
                          demand=demand, in_view=demand.strip_m <= demand.assumed_m)


def upper_bound(failures: int, trials: int) -> float:
    """One-sided 95 % Clopper-Pearson bound. Source: Clopper and Pearson 1934, Biometrika 26:404."""
    if trials == 0 or failures == trials:
        return 1.0
    return float(beta.ppf(0.95, failures + 1, trials - failures))


def table(rows: list[Row]) -> str:
    """Both mistakes by limit and strip, as a Markdown table."""
    lines = ["| near strip | limit | blocked | false-go | bound 95 % | free | needless ask | "
             "free in view | needless ask in view |", "|---|---|---|---|---|---|---|---|---|"]
    for own_strip in (False, True):
        for limit in LIMITS_M:
            here = [r for r in rows if r.own_strip == own_strip and r.limit_m == limit]
            blocked = [r for r in here if r.label.label == "blocked"]
            free = [r for r in here if r.label.label == "free"]
            seen = [r for r in free if r.in_view]
            wrong = sum(r.verdict.verdict == "go" for r in blocked)
            lines.append(
                f"| {'own' if own_strip else 'straight ahead'} | {limit * 100:.0f} cm | "
                f"{len(blocked)} | {wrong} | {upper_bound(wrong, len(blocked)):.1%} | "
                f"{len(free)} | {_asked(free)} | {len(seen)} | {_asked(seen)} |")
    return "\n".join(lines)


def _asked(rows: list[Row]) -> str:
    asked = sum(r.verdict.verdict == "ask-ground" for r in rows)
    return f"{asked} ({asked / len(rows):.0%})" if rows else "-"


def why_needless(rows: list[Row]) -> str:
    """First causes of the needless asks in view."""
    first = Counter(r.verdict.causes[0].kind for r in rows
                    if r.label.label == "free" and r.in_view and r.verdict.causes)
    return ", ".join(f"{kind} {count}" for kind, count in first.most_common())


def main(folder: str) -> None:
    """Print the tables of a set."""
    rows: list[Row] = []
    for path in find_sidecars(Path(folder)):
        rows += rows_of(path)
    print(table(rows))
    print(f"\nfirst causes of the needless asks in view: {why_needless(rows)}")
    for row in rows:
        if row.label.label == "blocked" and row.verdict.verdict == "go":
            print(f"FALSE GO {row.pair} {row.verdict.heading_deg:+.0f} deg, limit {row.limit_m} m, "
                  f"own strip {row.own_strip}: {row.label.reasons}")
    shares = Counter(r.label.label for r in rows)
    print("labels: " + ", ".join(f"{k} {v / len(rows):.0%}" for k, v in shares.items()))
    clear = [r.verdict.clear_m / r.label.clear_m for r in rows
             if r.in_view and r.label.clear_m > 0]
    print(f"median of clear distance over true clear distance, in view: {np.median(clear):.2f}")


if __name__ == "__main__":
    main(sys.argv[1])
