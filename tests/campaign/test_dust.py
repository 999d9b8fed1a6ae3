"""Dust on a lens, from the spots of many pictures."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.campaign.summary.dust import FALSE_ALARM, DustSpot, campaign_dust, dust_spots
from hazcam.imagery import check_pictures, pair_from_arrays
from hazcam.imagery.spots import pair_spots

SIZE = (640, 480)
DTYPE = [("pair", "U12"), ("side", "U5"), ("column_px", "f8"), ("row_px", "f8"),
         ("radius_px", "f8"), ("depth", "f8")]
Table = NDArray[Any]


def ids(count: int) -> list[str]:
    return [f"pair-{i:04d}" for i in range(count)]


def rows(pairs: Sequence[str], places: Any, *, side: str = "left", depth: float = 0.3) -> Table:
    """A row for each pair and place beside it."""
    table = np.zeros(len(pairs), DTYPE)
    table["pair"], table["side"], table["radius_px"], table["depth"] = pairs, side, 10.0, depth
    table["column_px"], table["row_px"] = np.reshape(places, (-1, 2)).T
    return table


def ground(pairs: Sequence[str], seed: int, each: int = 40) -> Table:
    """Spots anywhere, other ones in each picture."""
    places = np.random.default_rng(seed).uniform((0, 0), SIZE, (len(pairs) * each, 2))
    return rows(np.repeat(pairs, each).tolist(), places)


def dust(
    pairs: Sequence[str], place: tuple[float, float], share: float, seed: int, depth: float = 0.2
) -> Table:
    """A speck that is found in a share of the pictures, to within 1.5 px or so."""
    rng = np.random.default_rng(seed)
    hit = [p for p in pairs if rng.random() < share]
    return rows(hit, place + 1.5 * rng.standard_normal((len(hit), 2)), depth=depth)


def test_dust_is_found_with_what_is_told_of_it() -> None:
    pairs = ids(80)
    table = np.concatenate([ground(pairs, 0), dust(pairs, (200.3, 150.8), 0.4, 1),
                            dust(pairs, (500.0, 400.0), 0.8, 2, depth=0.5)])
    found = dust_spots(table, pairs, SIZE, rig="r", side="left")
    assert len(found) == 2
    strong, weak = found  # the surest first
    for spot, place, share, depth in ((strong, (500, 400), 0.8, 0.5),
                                      (weak, (200.3, 150.8), 0.4, 0.2)):
        assert (spot.column_px, spot.row_px) == pytest.approx(place, abs=1.0)
        assert spot.share == pytest.approx(share, abs=0.12)
        assert spot.depth == pytest.approx(depth)
        assert spot.radius_px == 10.0
        assert (spot.looked, spot.looks, spot.rig, spot.side) == (80, 80, "r", "left")
        assert spot.pairs == len({str(p) for p in table["pair"][_near(table, spot)]})
    assert strong.chance < weak.chance < 1e-6


def _near(table: Table, spot: DustSpot) -> NDArray[np.bool_]:
    """Within the tolerance of a sensor of 640 columns, 6.4 px each way."""
    away = np.maximum(np.abs(table["column_px"] - spot.column_px),
                      np.abs(table["row_px"] - spot.row_px))
    return np.asarray(away <= 6.4)


def test_no_dust_by_chance() -> None:
    """Far fewer than FALSE_ALARM of the campaigns: the correction is for dependent windows."""
    least = [min((s.chance for s in dust_spots(ground(ids(30), seed), ids(30), SIZE,
                                               false_alarm=1.0)), default=1.0)
             for seed in range(60)]
    # With a probability of 0.1 each at most, more than 13 of 60 are less likely than 0.5 %.
    assert sum(c < 0.1 for c in least) <= 13
    assert min(least) > FALSE_ALARM / 60


def test_stones_along_the_horizon_are_no_dust() -> None:
    """Dense in a strip of 8 rows, a tenth of the picture's spots in a sixtieth of it."""
    pairs = ids(60)
    rng = np.random.default_rng(3)
    strip = rng.uniform((0, 100), (640, 108), (60 * 25, 2))
    table = np.concatenate([ground(pairs, 4, each=15),
                            rows(np.repeat(pairs, 25).tolist(), strip)])
    assert dust_spots(table, pairs, SIZE) == ()


def test_standing_rover_shows_no_dust() -> None:
    """One scene 30 times with half a pixel of noise, between 10 others: shadows stay put too."""
    pairs = ids(40)
    still = pairs[5:35]
    scene = ground(["scene"], 6)
    rng = np.random.default_rng(7)
    places = np.column_stack([scene["column_px"], scene["row_px"]])
    again = [rows([p] * 40, places + 0.5 * rng.standard_normal((40, 2))) for p in still]
    table = np.concatenate([*again, ground([p for p in pairs if p not in still], 8)])
    assert dust_spots(table, pairs, SIZE) == ()
    # The same spots in pairs that never follow each other would be dust: the order is what tells.
    spread = [p for both in zip(still, ids(80)[40:70], strict=True) for p in both]
    mixed = np.concatenate([*again, ground(ids(80)[40:70], 9)])
    assert len(dust_spots(mixed, spread, SIZE)) > 20


def test_dust_is_found_though_the_rover_stands_between() -> None:
    """20 stops of 5 pictures each: 20 looks, the dust in most of them."""
    pairs, tables = ids(100), []
    for stop in range(20):
        here = pairs[5 * stop:5 * stop + 5]
        scene = ground(["x"], 100 + stop, each=30)
        tables += [rows([p] * 30, np.column_stack([scene["column_px"], scene["row_px"]]))
                   for p in here]
    tables.append(dust(pairs, (300.0, 200.0), 0.9, 5))
    (found,) = dust_spots(np.concatenate(tables), pairs, SIZE)
    assert (found.column_px, found.row_px) == pytest.approx((300, 200), abs=1.5)
    assert (found.looks, found.looked) == (20, 100)


def test_dust_that_came_and_went() -> None:
    pairs = ids(400)
    there = pairs[120:300]
    table = np.concatenate([ground(pairs, 10), dust(there, (222.0, 333.0), 0.6, 11)])
    (found,) = dust_spots(table, pairs, SIZE)
    assert abs(pairs.index(found.first_pair) - 120) <= 10
    assert abs(pairs.index(found.last_pair) - 299) <= 10
    hits = {str(p) for p in table["pair"][_near(table, found)]}
    assert min(hits) < pairs[100]  # by chance a spot was there before, which is not told as dust


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_order_of_pairs_changes_only_first_and_last(seed: int) -> None:
    """Of pairs that each show another scene; and the order of the rows changes nothing at all."""
    pairs = ids(50)
    table = np.concatenate([ground(pairs, 12), dust(pairs, (100.0, 90.0), 0.5, 13)])
    rng = np.random.default_rng(seed)
    shuffled, order = rng.permutation(pairs).tolist(), rng.permutation(len(table))
    first = dust_spots(table, pairs, SIZE)
    assert len(first) == 1
    assert dust_spots(table[order], pairs, SIZE) == first
    other = dust_spots(table, shuffled, SIZE)
    assert [_without_span(s) for s in other] == [_without_span(s) for s in first]


def _without_span(spot: DustSpot) -> tuple[Any, ...]:
    return (spot.column_px, spot.row_px, spot.radius_px, spot.depth, spot.pairs, spot.looked,
            spot.looks, spot.chance)


def test_moved_dust_moves_its_place() -> None:
    """Wherever it lies between the windows, and close to a rim."""
    pairs = ids(60)
    for place in ((3.0, 3.0), (636.5, 476.0), (320.1, 243.2), (316.8, 240.0)):
        table = np.concatenate([ground(pairs, 14), dust(pairs, place, 0.6, 15)])
        (found,) = dust_spots(table, pairs, SIZE)
        assert (found.column_px, found.row_px) == pytest.approx(place, abs=1.2)


def test_planted_on_pictures() -> None:
    """Through the pictures: other ground each time, a speck of 0.5 of the light on it."""
    rng = np.random.default_rng(20)
    v, u = np.indices((240, 320))
    speck = 1 - 0.5 * np.cos(np.pi / 2 * np.minimum(np.hypot(v - 100, u - 200) / 12, 1)) ** 2
    tables: dict[bool, list[Table]] = {True: [], False: []}
    pairs = ids(15)
    for pair in pairs:
        light = 110 * np.exp(0.25 * _rough(rng))
        for dusty, parts in tables.items():
            picture = np.clip(np.rint(light * speck if dusty else light), 0, 255).astype(np.uint8)
            taken = pair_from_arrays(picture, None, id=pair)
            spots = pair_spots(taken, check_pictures(taken))["left"]
            parts.append(rows([pair] * len(spots), [(s.column_px, s.row_px) for s in spots]))
    (found,) = dust_spots(np.concatenate(tables[True]), pairs, (320, 240))
    assert (found.column_px, found.row_px) == pytest.approx((200, 100), abs=2)
    assert dust_spots(np.concatenate(tables[False]), pairs, (320, 240)) == ()


def _rough(rng: np.random.Generator) -> NDArray[np.float64]:
    import cv2

    texture = sum(cv2.GaussianBlur(rng.standard_normal((240, 320)), (0, 0), s) * s
                  for s in (1, 3, 8))
    return np.asarray(texture / np.std(texture))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("place", [(-40.0, 100.0), (100.0, 530.0), (700.0, -30.0)])
def test_what_lies_beyond_the_rim_is_no_dust(place: tuple[float, float]) -> None:
    pairs = ids(60)
    table = np.concatenate([ground(pairs, 14), dust(pairs, place, 0.6, 15)])
    assert dust_spots(table, pairs, SIZE) == ()


def test_nothing_to_look_at() -> None:
    empty = np.zeros(0, DTYPE)
    assert dust_spots(empty, [], SIZE) == ()
    assert dust_spots(empty, ids(3), SIZE) == ()
    assert dust_spots(ground(ids(1), 0), ids(1), SIZE) == ()


@pytest.mark.parametrize(("pairs", "words"), [
    (["pair-0000"], "pair-0001.*was not looked at"),
    (["pair-0000", "pair-0001", "pair-0000"], "named twice")])
def test_wrong_pairs_are_refused(pairs: list[str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        dust_spots(ground(ids(2), 0), pairs, SIZE)


# --- all lenses -----------------------------------------------------------------------------------


def campaign(order: Sequence[int], *, timed: bool = True) -> dict[str, Table]:
    """Two rigs of 60 pairs each, dust on the right lens of the second, from its 30th pair on.

    ``order``: place in the manifest of each pair; the times are in the order of the ids.
    """
    pairs = ids(120)
    of_rig = {"rig-a": pairs[:60], "rig-b": pairs[60:]}
    table = [ground(pairs, 30), ground(pairs, 31)]
    table[1]["side"] = "right"
    speck = dust(of_rig["rig-b"][30:], (77.0, 66.0), 0.9, 32)
    speck["side"] = "right"
    times = [f"2031-05-01T09:{i // 60:02d}:{i % 60:02d}Z" if timed else "" for i in range(120)]
    return {
        "pairs": np.array(list(zip(pairs, order, times, strict=True)),
                          [("pair", "U12"), ("place", "i8"), ("taken_at", "U20")]),
        "assessments": np.array([(p, rig, "em") for rig, some in of_rig.items() for p in some],
                                [("pair", "U12"), ("rig", "U8"), ("rover", "U8")]),
        "pictures": np.array([(p, side) for p in pairs for side in ("left", "right")],
                             [("pair", "U12"), ("side", "U5")]),
        "spots": np.concatenate([*table, speck]),
        "rigs": np.array([("rig-a", 640, 480), ("rig-b", 640, 480)],
                         [("digest", "U8"), ("width_px", "i8"), ("height_px", "i8")])}


def test_every_lens_of_a_campaign_in_order_of_time() -> None:
    (found,) = campaign_dust(**campaign(range(119, -1, -1)))
    assert (found.rig, found.side, found.looked) == ("rig-b", "right", 60)
    assert ids(120).index(found.first_pair) == pytest.approx(90, abs=3)
    assert ids(120).index(found.last_pair) == pytest.approx(119, abs=2)


def test_rovers_that_share_the_file_of_a_rig_do_not_share_its_lenses() -> None:
    tables = campaign(range(120))
    tables["assessments"]["rig"] = "rig-a"
    tables["assessments"]["rover"][60:] = "fm"
    (found,) = campaign_dust(**tables)
    assert (found.rig, found.rover, found.side, found.looked) == ("rig-a", "fm", "right", 60)


def test_times_are_in_order_whatever_their_zone_and_fractions() -> None:
    """The same moments written otherwise: every second pair two hours ahead of UTC."""
    tables = campaign(range(119, -1, -1))
    as_text = tables["pairs"].astype([("pair", "U12"), ("place", "i8"), ("taken_at", "U32")])
    for i in range(0, 120, 2):
        as_text["taken_at"][i] = f"2031-05-01T11:{i // 60:02d}:{i % 60:02d}.000+02:00"
    assert campaign_dust(**{**tables, "pairs": as_text}) == campaign_dust(**tables)


def test_without_times_the_manifest_tells_the_order() -> None:
    (found,) = campaign_dust(**campaign(range(119, -1, -1), timed=False))
    assert ids(120).index(found.first_pair) == pytest.approx(119, abs=2)
    assert ids(120).index(found.last_pair) == pytest.approx(90, abs=3)
