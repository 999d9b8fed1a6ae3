"""How often the intervals of a success curve hold the truth, on simulated campaigns.

    python -m tests.benchmarks.curves --out FILE.jsonl [--runs 500] [--workers 2]

Campaigns of 20, 40 and 80 trials are drawn from known curves (``CELLS``), seeded: curve, heights,
the error they are measured with. Of each campaign, as ``curve_of`` works them out: the 95 %
interval of the demand that half of the trials climb and of the one that 95 % climb (``band``: the
likelier link), and the one-sided 95 % bound of the latter (``HeightClimbed.low``: the lower of both
links), which is what the tool recommends. All with Jeffreys' penalty, without, and the wider of
both at either end, as in the tool.

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
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.special import expit, ndtr
from scipy.stats import chi2

from hazcam.frames import Floats
from hazcam.statistics import Interval, clopper_pearson
from hazcam.tuning.curve import FEWEST
from hazcam.tuning.fit import likeliest_curve
from hazcam.tuning.likelihood import LINKS, Link, Responses, quantile, responses
from hazcam.tuning.profile import HeightProfile
from tests.benchmarks.matching.tables import Table

SEED = 20_260_802  # 20_260_801 was looked at while the intervals were made
SIZES = (20, 40, 80)
WIDTHS = 100
RELIABILITY, CONFIDENCE = 0.95, 0.95
LEAST_M, GREATEST_M, RUNGS = 0.02, 0.065, 8
HOW: dict[str, tuple[bool, ...]] = {"with": (True,), "without": (False,), "both": (True, False)}
_NOTE = """Held, width and no end: of the 95 % intervals of the demand that half of the trials
climb, then of the height that 95 % climb. Low: the one-sided 95 % bound of that height; how often
it lies beyond the truth, of all runs, with the exact one-sided bound of that rate (Clopper and
Pearson), how often there is none, and its median distance from the truth. Infinite: no finite curve
is the likeliest. Agree: holding, asked at the truth, against the ends."""
_TITLES = {"with": "Intervals with Jeffreys' penalty", "without": "Intervals without a penalty",
           "both": "The wider of both at either end: the tool"}
# By name: probability and two-sided confidence.
_QUESTIONS = {"half": (0.5, 0.95), "climbed": (RELIABILITY, 0.95),
              "low": (RELIABILITY, 2 * CONFIDENCE - 1)}
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
    if any(fit.slope >= 0 for fit in fits.values()):
        return None
    likelier = max(LINKS, key=lambda link: fits[link].log_likelihood)
    profiles = {(link, penalised): HeightProfile(data, link, penalised=penalised)
                for link in LINKS for penalised in (True, False)}
    bounds = {(link, penalised, p, confidence): _Asked(
        profile, p, confidence, cell.demand_at(p), float(data.mean.std()))
        for (link, penalised), profile in profiles.items() for p, confidence in _QUESTIONS.values()}
    found: Row = {"infinite": fits[likelier].penalised, "right": likelier == cell.link}
    for how, penalties in HOW.items():
        found[how] = {name: _both_ends([bounds[likelier, penalised, *_QUESTIONS[name]]
                                        for penalised in penalties], seed < WIDTHS)
                      for name in ("half", "climbed")}
        found[how] |= _low([bounds[link, penalised, *_QUESTIONS["low"]]
                            for link in LINKS for penalised in penalties], seed < WIDTHS)
    return found


@dataclass(frozen=True)
class _Asked:
    """An interval and the truth, asked without working out its ends."""

    profile: HeightProfile
    reliability: float
    confidence: float
    truth: float
    spread: float

    @cached_property
    def _estimate(self) -> float | None:
        return self.profile.estimate(self.reliability)

    @cached_property
    def _least(self) -> float:
        assert self._estimate is not None
        return (self.profile.level(self._estimate, self.reliability)
                - float(chi2.ppf(self.confidence, 1)) / 2)

    @cached_property
    def side(self) -> int:
        """Of the truth: -1 below the interval, 0 in it, 1 above it."""
        if self._estimate is None or self.profile.level(self.truth, self.reliability) >= (
                self._least):
            return 0
        return 1 if self.truth > self._estimate else -1

    def ends(self, way: int) -> bool:
        return self._estimate is not None and self.profile.level(
            self._estimate + way * _FAR * self.spread, self.reliability) < self._least

    @cached_property
    def interval(self) -> Interval:
        return self.profile.interval(self.reliability, self.confidence)


def _both_ends(asked: Sequence[_Asked], whole: bool) -> Row:
    """Of the wider of some intervals at either end."""
    sides = {one.side for one in asked}
    found: Row = {"side": sides.pop() if len(sides) == 1 else 0,
                  "ends": all(one.ends(way) for one in asked for way in (-1, 1))}
    if whole:
        low = min(one.interval.low for one in asked)
        high = max(one.interval.high for one in asked)
        held = low <= asked[0].truth <= high
        found |= {"width": high - low, "agrees": held == (found["side"] == 0)}
    return found


def _low(asked: Sequence[_Asked], whole: bool) -> Row:
    """Of the least of some lower ends."""
    found: Row = {"beyond": all(one.side == -1 for one in asked),
                  "no low": not all(one.ends(-1) for one in asked)}
    if whole:
        over = min(one.interval.low for one in asked) - asked[0].truth
        found |= {"low": over, "agrees": (over > 0) == found["beyond"]}
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
            widths = np.array([run["width"] for run in of if "width" in run])
            row |= {f"{how} {name} holds": sum(run["side"] == 0 for run in of),
                    f"{how} {name} below": sum(run["side"] == -1 for run in of),
                    f"{how} {name} ends": sum(run["ends"] for run in of),
                    f"{how} {name} width": float(widths[np.isfinite(widths)].mean()),
                    f"{how} {name} agrees": float(np.mean([r["agrees"] for r in of
                                                           if "width" in r]))}
        lows: Floats = np.array([run["low"] for run in each if "low" in run])
        row |= {f"{how} beyond": sum(run["beyond"] for run in each),
                f"{how} no low": sum(run["no low"] for run in each),
                f"{how} low": float(np.median(lows)),
                f"{how} low agrees": float(np.mean([r["agrees"] for r in each if "low" in r]))}
    return row


def table_of(rows: Sequence[Row], how: str) -> Table:
    """Of all cells, with the penalty or without."""
    shares = dict.fromkeys(("no curve", "infinite", "half held", "no end", "height held",
                            "no end ", "low beyond", "at most", "no low", "agree"), ".1%")
    table = Table(title=_TITLES[how], note=_NOTE, rows=[], columns={
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
