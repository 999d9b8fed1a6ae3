"""The table of made-up trials that ships."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hazcam.tuning.io import read_trials
from hazcam.tuning.table import write_trials_text
from tests import demonstration_trials

SAMPLE = Path(__file__).parents[2] / "sample_pairs" / demonstration_trials.NAME


def test_the_table_that_ships_is_what_its_maker_makes() -> None:
    assert SAMPLE.read_bytes().decode() == write_trials_text(demonstration_trials.trials())


def test_the_table_that_ships_is_one_group_of_36_drawn_as_stated() -> None:
    group, = read_trials(SAMPLE).groups()
    assert (len(group.trials), group.simulated) == (36, False)
    assert group.conditions == demonstration_trials.CONDITIONS
    assert {t.note for t in group.trials} == {"made up"}
    assert len({t.date for t in group.trials}) == 3
    nearest = np.abs(group.demand[:, None] - demonstration_trials.LADDER_M).min(axis=1)
    assert nearest.max() < 4 * demonstration_trials.SIGMA_M
    assert 0 < group.climbed[group.demand > demonstration_trials.HALF_M].mean() < 0.5 < (
        group.climbed[group.demand < demonstration_trials.HALF_M].mean()) < 1
