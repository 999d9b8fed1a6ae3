from dataclasses import replace

import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.rover import read_rover, with_limits
from hazcam.settings import Settings
from hazcam.verdict import Margin, decide, margin_of
from tests.synthetic import Box, Scene, ideal_rig, render

ROVER = read_rover("dunlin-em")
STEP = Box(0.8, 1.4, -1.0, 1.0, 0.03)


@pytest.fixture(scope="module")
def over_a_step() -> Assessment:
    return assess_pair(render(Scene(boxes=(STEP,))), ideal_rig(), ROVER,
                       Settings(headings_deg=(0.0,)))


def margin(found: Assessment, **values: float) -> Margin | None:
    limits = with_limits(found.rover, values).limits
    demand = found.demands[0]
    return margin_of(demand, limits, 0.99, decide(demand, limits, 0.99))


def test_the_verdict_flips_at_the_margin_and_not_beside_it(over_a_step: Assessment) -> None:
    found = margin(over_a_step)
    assert found is not None
    assert found.at < found.value
    for factor, verdict in ((1.01, "go"), (0.97, "ask-ground")):
        limits = replace(ROVER.limits, **{found.limit: replace(
            getattr(ROVER.limits, found.limit), value=factor * found.at)})
        assert decide(over_a_step.demands[0], limits, 0.99).verdict == verdict


def test_an_ask_for_one_limit_alone_says_from_where_it_would_go(over_a_step: Assessment) -> None:
    """A step of 3 cm against a limit of 2 cm: it would be go from somewhat over 3 cm."""
    found = margin(over_a_step, step=0.02)
    assert found is not None
    assert (found.limit, found.unit) == ("step", "m")
    assert 0.029 < found.at < 0.045
    assert found.text.startswith("would be go from a step limit of 0.03")


def test_an_ask_for_two_limits_has_no_margin(over_a_step: Assessment) -> None:
    assert margin(over_a_step, step=0.02, belly=0.02) is None
