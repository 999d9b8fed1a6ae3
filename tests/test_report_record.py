from __future__ import annotations

import copy
import json
import math
from dataclasses import replace
from typing import Any, NoReturn

import pytest

from hazcam import HazcamError, Settings, assess_pair, pair_from_arrays, read_rover
from hazcam.report import Record, as_record, read_record, same_record, to_json, to_json_line
from hazcam.rover import with_limits
from hazcam.verdict import Cause
from tests.folders import HEADINGS, assessment, pair
from tests.synthetic import ideal_rig


@pytest.fixture(scope="module")
def record() -> Record:
    return as_record(assessment(), inputs={"rover": "dunlin-em"})


def _numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [n for entry in value.values() for n in _numbers(entry)]
    if isinstance(value, list):
        return [n for entry in value for n in _numbers(entry)]
    return [value] if isinstance(value, float) else []


def test_holds_what_the_schema_promises(record: Record) -> None:
    assert record["schema"] == "hazcam-assessment/1"
    assert record["id"] == "synthetic"
    assert [h["heading_deg"] for h in record["headings"]] == list(HEADINGS)
    assert set(record["headings"][1]) == {"heading_deg", "verdict", "clear_m", "assumed_m",
                                          "strip_m", "seen_before_m", "causes", "probability",
                                          "bounded", "margin", "beyond_rig"}
    assert set(record["headings"][1]["causes"][0]) == {"kind", "at_m", "demand", "sigma", "limit",
                                                       "unit", "reason", "text"}
    assert record["inputs"] == {"rover": "dunlin-em"}
    assert all(len(record["digests"][name]) == 64
               for name in ("pair", "left", "right", "rover", "settings"))
    assert set(record["versions"]) == {"hazcam", "python", "platform", "opencv", "numpy", "scipy",
                                       "scikit-image", "numba"}


def test_shows_the_same_verdict_as_the_assessment(record: Record) -> None:
    for shown, verdict in zip(record["headings"], assessment().verdicts, strict=True):
        assert shown["verdict"] == verdict.verdict
        assert shown["clear_m"] == pytest.approx(verdict.clear_m, rel=1e-8)
        assert [c["kind"] for c in shown["causes"]] == [c.kind for c in verdict.causes]
    assert record["suggestion"]["text"] == assessment().suggestion.text


def test_says_the_noise_of_the_pictures_and_that_of_the_rig(record: Record) -> None:
    """The pictures are drawn with noise of one grey level; their fine texture adds to it."""
    assert set(record["intake"]["noise"]) == {"read_grey", "gain_grey"}
    assert 1.0 < record["intake"]["noise"]["read_grey"] < 2.0
    assert record["rig"]["noise"] == {"read_grey": None, "gain_grey": None}
    rig = replace(ideal_rig(), read_noise=0.6, noise_gain=0.01)
    stated = as_record(replace(assessment(), rig=rig), inputs={})
    assert stated["rig"]["noise"] == {"read_grey": 0.6, "gain_grey": 0.01}


def test_every_limit_has_unit_and_source(record: Record) -> None:
    assert record["limits"]["step"] == {"value": 0.05, "unit": "m",
                                        "source": "derived: leg length / 2"}
    assert record["limits"]["slope"]["unit"] == "deg"
    rover = with_limits(read_rover("dunlin-em"), {"step": 0.06})
    changed = as_record(replace(assessment(), rover=rover), inputs={})
    assert changed["limits"]["step"] == {"value": 0.06, "unit": "m", "source": "set by the user"}


def test_json_is_strict_and_round_trips(record: Record) -> None:
    def no_constant(word: str) -> NoReturn:
        raise AssertionError(word)

    for text in (to_json(record), to_json_line(record)):
        assert json.loads(text, parse_constant=no_constant) == record
    assert "\n" not in to_json_line(record)
    assert all(math.isfinite(n) for n in _numbers(record))


def test_same_assessment_gives_same_bytes(record: Record) -> None:
    again = assess_pair(pair(), ideal_rig(), read_rover("dunlin-em"),
                        Settings(headings_deg=HEADINGS))
    assert to_json(as_record(again, inputs={"rover": "dunlin-em"})) == to_json(record)


def test_a_demand_without_bound_is_null_with_words() -> None:
    cause = Cause(kind="hidden obstacle", at_m=0.4, demand=math.inf, sigma=0.0, limit=0.05,
                  unit="m", text="something of any height could hide at 0.40 m")
    verdicts = tuple(replace(v, verdict="ask-ground", causes=(cause,))
                     for v in assessment().verdicts)
    shown = as_record(replace(assessment(), verdicts=verdicts), inputs={})
    assert shown["headings"][0]["causes"][0] | {"text": ""} == {
        "kind": "hidden obstacle", "at_m": 0.4, "demand": None, "sigma": 0.0, "limit": 0.05,
        "unit": "m", "reason": "", "text": "",
    }
    assert "any height" in shown["headings"][0]["causes"][0]["text"]


@pytest.mark.parametrize(("level", "status", "words"), [
    (False, "unknown", "unknown within ±10°"), (True, "assumed level", "--assume-level"),
])
def test_an_attitude_that_is_not_stated(level: bool, status: str, words: str) -> None:
    silent = replace(assessment(), pair=replace(pair(), attitude=None),
                     settings=Settings(assume_level=level))
    shown = as_record(silent, inputs={})["attitude"]
    assert shown["status"] == status
    assert words in shown["text"]


def test_a_stated_attitude_says_its_signs(record: Record) -> None:
    assert record["attitude"]["status"] == "stated"
    assert "left side up" in record["attitude"]["text"]
    assert "nose down" in record["attitude"]["text"]


def test_each_picture_has_a_digest_of_its_own(record: Record) -> None:
    assert pair().right is not None
    changed = as_record(replace(assessment(), pair=replace(pair(), right=pair().left)), inputs={})
    assert changed["digests"]["left"] == record["digests"]["left"]
    assert changed["digests"]["right"] != record["digests"]["right"]
    alone = as_record(replace(assessment(), pair=replace(pair(), left=None)), inputs={})
    assert alone["digests"]["left"] is None
    assert alone["digests"]["right"] == record["digests"]["right"]


def test_one_picture_missing() -> None:
    alone = pair_from_arrays(pair().left, None, right_name="/secret/place/r.png",
                             notes=("right picture missing: /secret/place/r.png does not exist",))
    shown = as_record(assess_pair(alone, ideal_rig(), read_rover("dunlin-em")), inputs={})
    assert shown["pair"]["missing"] == "right"
    assert shown["terrain"] is None
    assert shown["disparity"] is None
    assert {h["verdict"] for h in shown["headings"]} == {"ask-ground"}
    assert shown["headings"][0]["causes"][0]["kind"] == "no stereo"
    assert shown["pair"]["notes"] == ["right picture missing: r.png does not exist"]
    assert "/secret" not in to_json(shown)


def test_settings_change_their_digest(record: Record) -> None:
    other = replace(assessment(), settings=Settings(headings_deg=HEADINGS, confidence=0.95))
    digests = as_record(other, inputs={})["digests"]
    assert digests["settings"] != record["digests"]["settings"]
    assert digests["pair"] == record["digests"]["pair"]


def _changed(record: Record, factor: float) -> Record:
    other = copy.deepcopy(record)
    other["headings"][1]["clear_m"] *= factor
    return other


def test_same_record_allows_a_millionth(record: Record) -> None:
    assert same_record(record, _changed(record, 1 + 5e-7)) == []
    [difference] = same_record(record, _changed(record, 1 + 5e-6))
    assert difference.startswith("headings[1].clear_m: ")


def test_same_record_lists_verdicts_keys_and_lengths(record: Record) -> None:
    other = copy.deepcopy(record)
    other["headings"][0]["verdict"] = "go"
    other["headings"][1]["causes"].append(other["headings"][1]["causes"][0])
    del other["near_strip"]["max_m"]
    found = same_record(record, other)
    assert "headings[0].verdict: 'ask-ground', then 'go'" in found
    assert any(d.startswith("headings[1].causes: ") for d in found)
    assert "near_strip.max_m: only in the first" in found
    assert len(found) == 3


def test_same_record_ignores_places_versions_and_texts(record: Record) -> None:
    other = copy.deepcopy(record)
    other["inputs"], other["versions"], other["hazcam"] = {}, {}, "9"
    other["suggestion"]["text"] = "0.62 rounded the other way"
    assert same_record(record, other) == []


@pytest.mark.parametrize(("text", "words"), [
    ("{", "broken JSON"), ('{"schema": "other/1"}', "schema: found 'other/1'"),
    ("[]", "schema: found None"), ('{"schema": "hazcam-assessment/1"}', "missing keys: hazcam"),
])
def test_reading_what_is_no_record(text: str, words: str, tmp_path: Any) -> None:
    path = tmp_path / "assessment.json"
    path.write_text(text)
    with pytest.raises(HazcamError, match=words):
        read_record(path)


def test_reading_a_record_that_is_not_there(tmp_path: Any) -> None:
    with pytest.raises(HazcamError, match="cannot be read: No such file"):
        read_record(tmp_path / "assessment.json")
