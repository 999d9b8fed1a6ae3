from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hazcam.scene.rehearsal.heights import HeightRow, height_rows
from hazcam.scene.rehearsal.record import HeightErrors, SceneScore
from tests.rehearsal.synthetic import scene

Rock = tuple[float, float, float, float]  # error, sigma, range, true height [m]


def score(pair: str, *rocks: Rock) -> SceneScore:
    error, sigma, range_m, true_m = np.array(rocks, np.float32).reshape(-1, 4).T
    return replace(scene(pair), obstacle_height=HeightErrors(
        error=error, sigma=sigma, range_m=range_m, true_m=true_m))


def near_and_far(*given: SceneScore) -> list[HeightRow]:
    return [row for row in height_rows(given) if row.sensor == "matched"]


def test_errors_of_two_bands_by_hand() -> None:
    """Near: -2, 1 and 4 mm at a sigma of 2 mm; far: 6 mm at 5 mm."""
    near, far = near_and_far(
        score("a", (-0.002, 0.002, 0.5, 0.05), (0.001, 0.002, 0.9, 0.03)),
        score("b", (0.005, 0.002, 0.4, 0.10), (0.006, 0.005, 1.2, 0.10)), scene("c"))
    assert (near.from_m, near.to_m, far.from_m, far.to_m) == (0.3, 1.0, 1.0, 1.5)
    assert (near.scenes, near.rocks, far.scenes, far.rocks) == (2, 3, 1, 1)
    assert (near.median_m, near.bias_m) == pytest.approx((0.002, 0.001))
    assert (near.within_1, near.within_2) == pytest.approx((2 / 3, 2 / 3))
    assert (far.median_m, far.bias_m) == pytest.approx((0.006, 0.006))
    assert (far.within_1, far.within_2) == (0.0, 1.0)


@pytest.mark.parametrize(("range_m", "true_m", "counts"), [
    (0.3, 0.05, (1, 0)), (0.29, 0.05, (0, 0)), (1.0, 0.05, (0, 1)), (1.5, 0.05, (0, 0)),
    (0.5, 0.02, (1, 0)), (0.5, 0.12, (1, 0)), (0.5, 0.019, (0, 0)), (0.5, 0.121, (0, 0)),
])
def test_distance_and_true_height_decide_what_counts(
    range_m: float, true_m: float, counts: tuple[int, int]
) -> None:
    near, far = near_and_far(score("a", (0.001, 0.002, range_m, true_m)))
    assert (near.rocks, far.rocks) == counts


def test_without_rocks_nothing_is_known() -> None:
    for row in near_and_far(scene("a")):
        assert (row.scenes, row.rocks) == (0, 0)
        assert all(math.isnan(v) for v in (row.median_m, row.bias_m, row.within_1, row.within_2))


def test_the_ideal_sensor_has_rows_of_its_own() -> None:
    one = score("a", (0.001, 0.002, 0.5, 0.05))
    both = replace(one, ideal_obstacle_height=one.obstacle_height, obstacle_height=score("b").
                   obstacle_height)
    assert [(row.sensor, row.rocks) for row in height_rows([both])] == [
        ("matched", 0), ("matched", 0), ("ideal", 1), ("ideal", 0)]
