"""How often the intervals of a success curve hold the truth, on simulated campaigns.

    python -m tests.benchmarks.curves --out FILE.jsonl [--runs 500] [--workers 2]

Campaigns of 20, 40 and 80 trials are drawn from known curves (``CELLS``), seeded: curve, heights,
the error they are measured with. Of each campaign, as ``curve_of`` works them out: the 95 %
interval of the demand that half of the trials climb and of the one that 95 % climb (``band``: the
likelier link), and the one-sided 95 % bound of the latter (``HeightClimbed.low``: the lower of both
links), which is what the tool recommends. All with Jeffreys' penalty, as in the tool, and without.

Whether an interval holds the truth is asked of the profile there. Intervals are worked out for the
first ``WIDTHS`` campaigns of each cell, for their width, and held against that. A campaign without
a curve has no interval and recommends nothing; shares of intervals are over those with one.

What is done is kept in FILE.jsonl, a line per cell: an interrupted run goes on from there.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.special import expit, ndtr
from scipy.stats import chi2

from hazcam.frames import Floats
from hazcam.statistics import Interval, clopper_pearson
from hazcam.tuning.curve import FEWEST
from hazcam.tuning.fit import InfiniteSlopeError, fit_curve, likeliest_curve
from hazcam.tuning.likelihood import LINKS, Link, Responses, quantile, responses
from hazcam.tuning.profile import HeightProfile
from tests.benchmarks.matching.tables import Table

SEED = 20_260_801
SIZES = (20, 40, 80)
WIDTHS = 100
RELIABILITY, CONFIDENCE = 0.95, 0.95
LEAST_M, GREATEST_M, RUNGS = 0.02, 0.065, 8
HOW = ("with", "without")
_NOTE = """Held, width and no end: of the 95 % intervals of the demand that half of the trials
climb, then of the height that 95 % climb. Low: the one-sided 95 % bound of that height; how often
it lies beyond the truth, of all runs, with the exact one-sided bound of that rate (Clopper and
Pearson), how often there is none, and its median distance from the truth. Infinite: no finite curve
is the likeliest. Agree: holding, asked at the truth, against the ends."""
_FAR = 100.0  # standard deviations of the demand: as far as HeightProfile looks for an end
Row = dict[str, Any]


class Cell(NamedTuple):
    """A truth, and how it is tried."""

    link: Link
    half_m: float
    scale_m: float
    heights: Literal["uniform", "ladder"]
    sigma_m: float

    @property
    def name(self) -> str:
        return (f"{self.link} {1000 * self.half_m:g} / {1000 * self.scale_m:g} mm, {self.heights}, "
                f"sigma {1000 * self.sigma_m:g} mm")

    def demand_at(self, probability: float) -> float:
        return self.half_m - self.scale_m * quantile(self.link, probability)


CELLS = (
    Cell("logit", 0.045, 0.001, "uniform", 0.0),
    Cell("logit", 0.045, 0.001, "ladder", 0.0015),
    Cell("logit", 0.045, 0.003, "ladder", 0.0),
    Cell("logit", 0.045, 0.003, "uniform", 0.0015),
    Cell("logit", 0.045, 0.007, "uniform", 0.0),
    Cell("probit", 0.042, 0.0015, "ladder", 0.0),
    Cell("probit", 0.042, 0.0015, "uniform", 0.0015),
    Cell("probit", 0.042, 0.005, "ladder", 0.0015),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    done = [json.loads(line) for line in asked.out.read_text().splitlines()] if (
        asked.out.exists()) else []
    known = {(row["cell"], row["trials"]) for row in done}
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(asked.workers, context, _be_nice) as pool, asked.out.open("a") as out:
        for trials in SIZES:
            for cell in CELLS:
                if (cell.name, trials) in known:
                    continue
                runs = list(pool.map(partial(one, cell, trials), range(asked.runs), chunksize=5))
                done.append(summary(cell, trials, runs))
                out.write(json.dumps(done[-1]) + "\n")
                out.flush()
    for how in HOW:
        print(table_of(done, how).markdown())


def _be_nice() -> None:
    os.nice(5)


def campaign(cell: Cell, trials: int, seed: int) -> Responses:
    """Trials of a known curve, with their heights as measured."""
    rng = np.random.default_rng([SEED, CELLS.index(cell), trials, seed])
    if cell.heights == "uniform":
        height = rng.uniform(LEAST_M, GREATEST_M, trials)
    else:
        height = np.linspace(LEAST_M, GREATEST_M, RUNGS)[np.arange(trials) % RUNGS]
    eta = (cell.half_m - height) / cell.scale_m
    climbed = rng.random(trials) < (expit(eta) if cell.link == "logit" else ndtr(eta))
    measured = height + cell.sigma_m * rng.standard_normal(trials)
    return responses(measured, np.full(trials, cell.sigma_m), climbed)


def one(cell: Cell, trials: int, seed: int) -> Row | None:
    """What the tool makes of a campaign; None where there is no curve."""
    data = campaign(cell, trials, seed)
    if trials < FEWEST or data.climbed.all() or not data.climbed.any() or np.ptp(data.mean) == 0:
        return None
    fits = {link: likeliest_curve(data, link) for link in LINKS}
    penalised = {link: fit_curve(data, link, penalised=True) for link in LINKS}
    if any(fit.slope >= 0 for fit in fits.values()):
        return None
    likelier = max(LINKS, key=lambda link: fits[link].log_likelihood)
    found: Row = {"infinite": fits[likelier].penalised, "right": likelier == cell.link}
    found["with"] = _bounds(cell, data, likelier, seed < WIDTHS, {
        (link, p): penalised[link].demand_at(p) if penalised[link].slope < 0 else float("nan")
        for link in LINKS for p in (0.5, RELIABILITY)}, True)
    found["without"] = _bounds(cell, data, likelier, seed < WIDTHS, {
        (link, p): _likeliest(data, link, p) for link in LINKS for p in (0.5, RELIABILITY)}, False)
    return found


def _likeliest(data: Responses, link: Link, probability: float) -> float:
    """Without the penalty; where no finite curve is the likeliest, a step of the likeliest ones."""
    try:
        return fit_curve(data, link, penalised=False).demand_at(probability)
    except InfiniteSlopeError:
        profile = HeightProfile(data, link, penalised=False)
        steps = np.sort(data.mean)
        tried = (steps[1:] + steps[:-1]) / 2
        return float(max(tried, key=lambda height: profile.level(height, probability)))


def _bounds(
    cell: Cell, data: Responses, likelier: Link, whole: bool,
    estimates: dict[tuple[Link, float], float], penalised: bool,
) -> Row:
    profiles = {link: HeightProfile(data, link, penalised=penalised) for link in LINKS}
    found: Row = {}
    for name, p in (("half", 0.5), ("climbed", RELIABILITY)):
        asked = _Asked(profiles[likelier], estimates[likelier, p], p, 0.95, float(data.mean.std()))
        found[name] = asked.of(cell.demand_at(p), whole)
    both = [_Asked(profiles[link], estimates[link, RELIABILITY], RELIABILITY, 2 * CONFIDENCE - 1,
                   float(data.mean.std())) for link in LINKS]
    truth = cell.demand_at(RELIABILITY)
    found["beyond"] = all(asked.beyond(truth) for asked in both)
    found["no_low"] = any(not asked.ends(-1.0) for asked in both)
    if whole:
        low = min(asked.interval().low for asked in both)
        found |= {"low": low - truth, "agrees": (low > truth) == found["beyond"]}
    return found


class _Asked(NamedTuple):
    """An interval, asked without working out its ends."""

    profile: HeightProfile
    estimate: float
    reliability: float
    confidence: float
    spread: float

    def holds(self, height: float) -> bool:
        if np.isnan(self.estimate):  # even the penalised curve rises: nothing is ruled out
            return True
        least = (self.profile.level(self.estimate, self.reliability)
                 - float(chi2.ppf(self.confidence, 1)) / 2)
        return self.profile.level(height, self.reliability) >= least

    def ends(self, way: float) -> bool:
        return not self.holds(self.estimate + way * _FAR * self.spread)

    def beyond(self, truth: float) -> bool:
        """Whether the lower end lies above the truth."""
        return truth < self.estimate and not self.holds(truth)

    def interval(self) -> Interval:
        if np.isnan(self.estimate):
            return Interval(-np.inf, np.inf)
        return self.profile.interval(self.reliability, self.confidence, estimate=self.estimate)

    def of(self, truth: float, whole: bool) -> Row:
        found: Row = {"holds": self.holds(truth), "ends": self.ends(-1.0) and self.ends(1.0)}
        if whole:
            low, high = self.interval()
            found |= {"width": high - low, "agrees": (low <= truth <= high) == found["holds"]}
        return found


def summary(cell: Cell, trials: int, runs: Sequence[Row | None]) -> Row:
    """Shares and means of a cell."""
    curves = [run for run in runs if run is not None]
    row: Row = {"cell": cell.name, "trials": trials, "runs": len(runs), "curves": len(curves),
                "infinite": sum(run["infinite"] for run in curves),
                "right": sum(run["right"] for run in curves)}
    for how in HOW:
        each = [run[how] for run in curves]
        for name in ("half", "climbed"):
            of = [run[name] for run in each]
            row |= {f"{how} {name} {key}": sum(run[key] for run in of) for key in ("holds", "ends")}
            widths = np.array([run["width"] for run in of if "width" in run])
            row[f"{how} {name} width"] = float(widths[np.isfinite(widths)].mean())
            row[f"{how} {name} agrees"] = float(np.mean([r["agrees"] for r in of if "width" in r]))
        lows: Floats = np.array([run["low"] for run in each if "low" in run])
        row |= {f"{how} beyond": sum(run["beyond"] for run in each),
                f"{how} no low": sum(run["no_low"] for run in each),
                f"{how} low": float(np.median(lows)),
                f"{how} low agrees": float(np.mean([r["agrees"] for r in each if "low" in r]))}
    return row


def table_of(rows: Sequence[Row], how: str) -> Table:
    """Of all cells, with the penalty or without."""
    shares = dict.fromkeys(("no curve", "infinite", "half held", "no end", "height held",
                            "no end ", "low beyond", "at most", "no low", "agree"), ".1%")
    table = Table(title=f"Intervals {how} Jeffreys' penalty", note=_NOTE, rows=[], columns={
        "curve": "", "trials": "d", **{name: shares[name] for name in (
            "no curve", "infinite", "half held")}, "width, mm": ".1f", "no end": ".1%",
        "height held": ".1%", "width, mm ": ".1f", "no end ": ".1%", "low beyond": ".1%",
        "at most": ".1%", "no low": ".1%", "low - truth, mm": ".1f", "agree": ".1%"})
    for row in rows:
        curves, runs, beyond = row["curves"], row["runs"], row[f"{how} beyond"]
        cells = [cell for name in ("half", "climbed") for cell in (
            row[f"{how} {name} holds"] / curves, 1000 * row[f"{how} {name} width"],
            1 - row[f"{how} {name} ends"] / curves)]
        table.rows.append((
            row["cell"], row["trials"], 1 - curves / runs, row["infinite"] / curves, *cells,
            beyond / runs, clopper_pearson(beyond, runs).high, row[f"{how} no low"] / curves,
            1000 * row[f"{how} low"],
            min(row[f"{how} {name} agrees"] for name in ("half", "climbed", "low"))))
    return table


if __name__ == "__main__":
    main()
