"""By what a run is judged again, in words."""

from __future__ import annotations

import pytest

from hazcam.report.judgement_terms import (
    Terms,
    nothing_differs,
    terms_of,
    terms_record,
    terms_statements,
)
from hazcam.report.record import limits_record, rover_record, settings_record
from hazcam.rover import read_rover
from hazcam.settings import Settings

SETTINGS = settings_record(Settings())


def terms(name: str) -> Terms:
    rover = read_rover(name)
    return terms_of({"rover": rover_record(rover), "limits": limits_record(rover)}, SETTINGS)


EM, FM = terms("dunlin-em"), terms("dunlin-fm")


def told(*of: tuple[Terms, Terms, int]) -> dict[str, list[str]]:
    """What is said by label, of pairs with their terms then and now, and their count."""
    keys = [(str(n), "") for n in range(len(of))]
    rows = terms_record({key: one[:2] for key, one in zip(keys, of, strict=True)},
                        {key: one[2] for key, one in zip(keys, of, strict=True)})
    found: dict[str, list[str]] = {}
    for label, text in terms_statements(rows):
        found.setdefault(label, []).append(text)
    return found


def test_pairs_that_were_assessed_for_the_rover_already_come_first() -> None:
    said = told((EM, FM, 60), (FM, FM, 24))
    assert said["rover"] == ["dunlin-fm: 24 pairs were assessed for dunlin-fm already, "
                             "60 for dunlin-em"]
    assert "step 0.055 m, assessed with 0.05 m (60 pairs)" in said["differs"]


def test_each_rover_keeps_its_limits_but_those_that_are_set() -> None:
    said = told(*((one, one.changed({"step": 0.05}, None, {}), n) for one, n in ((EM, 6), (FM, 1))))
    assert said["rover"] == ["as assessed: dunlin-em (6 pairs), dunlin-fm (1 pair)"]
    assert [text.split(", drop ")[1][:7] for text in said["limits"]] == ["0.05 m,", "0.055 m"]
    assert [text[-9:] for text in said["limits"]] == ["(6 pairs)", " (1 pair)"]
    assert said["differs"] == ["step 0.05 m, assessed with 0.055 m (1 pair)"]


def test_one_pair() -> None:
    assert told((EM, FM, 1))["rover"] == ["dunlin-fm: 1 pair was assessed for dunlin-em"]


def test_another_body_of_the_same_name() -> None:
    other = Terms(**{**vars(EM), "shape": {**EM.shape, "body": {"length_m": 0.4}}})
    assert told((EM, other, 2))["rover"] == [
        "dunlin-em: 2 pairs were assessed for dunlin-em of another body or legs"]
    key = ("", "")
    assert not nothing_differs(terms_record({key: (EM, other)}, {key: 2}))
    assert nothing_differs(terms_record({key: (EM, EM)}, {key: 2}))


@pytest.mark.parametrize(("settings", "words"), [
    ({"near_strip": "ask", "near_strip_max_m": None}, "near strip ask, assessed with assume"),
    ({"near_strip_max_m": 0.3},
     "near strip up to 0.3 m, assessed with the strip straight ahead"),
    ({"headings_deg": (0.0, -5.0)}, "headings 0° and -5°, assessed with 19 from -45° to 45°"),
    ({"look_ahead_m": 0.7}, "look-ahead 0.7 m, assessed with 1 m"),
])
def test_settings_that_differ(settings: dict[str, object], words: str) -> None:
    said = told((EM, EM.changed({}, None, settings), 3))
    assert said["differs"] == [f"{words} (3 pairs)"]


def test_the_same_headings_are_no_other_ones() -> None:
    """The options give tuples, a run holds lists."""
    assert "differs" not in told((EM, EM.changed({}, 0.03, {
        "headings_deg": tuple(SETTINGS["headings_deg"])}), 3))


def test_what_differs_by_less_than_is_shown_is_told_with_all_digits() -> None:
    said = told((EM, EM.changed({"step": 0.050001}, None, {}), 3))
    assert said["differs"] == ["step 0.050001, assessed with 0.05 (3 pairs)"]


def test_pairs_that_were_not_judged_do_not_count() -> None:
    assert told((EM, EM, 0)) == {}
