from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.errors import OutputError
from hazcam.scene.rehearsal.files import (
    COLUMNS,
    RecordError,
    RowsError,
    read_record,
    read_rows,
    read_score,
    write_record,
    write_rows,
    write_score,
)
from hazcam.scene.rehearsal.record import Errors, HeightErrors, SceneScore
from tests.rehearsal.synthetic import heading_row, scene, scores


def same(a: SceneScore, b: SceneScore) -> bool:
    """NaN is NaN, arrays to the bit."""
    for field in fields(SceneScore):
        x, y = getattr(a, field.name), getattr(b, field.name)
        if isinstance(x, Errors):
            if type(x) is not type(y) or not all(
                    np.array_equal(getattr(x, f.name), getattr(y, f.name), equal_nan=True)
                    for f in fields(x)):
                return False
        elif repr(x) != repr(y):
            return False
    return True


# --- rows.csv -------------------------------------------------------------------------------------


def test_rows_come_back_as_they_were(tmp_path: Path) -> None:
    """To the last digit; NaN and a missing sun as well."""
    given = [*scores(3), scene("odd", (heading_row(ratio=math.nan, limit_m=1 / 30),),
                               sun_elevation_deg=None, failure='no, "usable"\npicture')]
    write_rows(tmp_path, given)
    back = read_rows(tmp_path)
    assert [repr(s.rows) for s in back] == [repr(s.rows) for s in given]
    about = [(s.pair, s.mixture, s.digest, s.sun_elevation_deg, s.compression, s.rig, s.failure)
             for s in back]
    assert about == [(s.pair, s.mixture, s.digest, s.sun_elevation_deg, s.compression, s.rig,
                      s.failure) for s in given]


@pytest.mark.parametrize("exceeds", [True, False, None])
def test_what_was_stated_and_what_is_true_come_back(
    tmp_path: Path, exceeds: bool | None
) -> None:
    row = heading_row("borderline", probability=math.nan, bounded=False, exceeds=exceeds)
    write_rows(tmp_path, [scene("a", (row,))])
    back = read_rows(tmp_path)[0].rows[0]
    assert math.isnan(back.probability)
    assert (back.bounded, back.exceeds) == (False, exceeds)


def test_rows_of_version_1_are_read_with_what_they_lack_not_known(tmp_path: Path) -> None:
    given = scores(2)
    path = write_rows(tmp_path, given)
    short = [",".join(line.split(",")[:-3]) for line in path.read_text().splitlines()]
    assert short[0].endswith(",cause,state")
    path.write_text("\n".join(short) + "\n")
    for now, then in zip(given, read_rows(tmp_path), strict=True):
        expected = [replace(row, probability=math.nan, bounded=False, exceeds=None)
                    for row in now.rows]
        assert repr(list(then.rows)) == repr(expected)


def test_each_line_is_a_heading(tmp_path: Path) -> None:
    path = write_rows(tmp_path, [scene("a", (heading_row("blocked", "go"),), rig="mast")])
    header, line = path.read_text().splitlines()
    values = dict(zip(header.split(","), line.split(","), strict=True))
    assert tuple(values) == COLUMNS
    assert values["pair"] == "a"
    assert values["rig"] == "mast"
    assert values["limit_m"] == "0.06"
    assert values["observable"] == "yes"
    assert values["strip_only"] == "no"


@pytest.mark.parametrize(("old", "new", "match"), [
    ("limit_m", "limit_cm", "line 1: another header"),
    (",0.06,", ",six,", r"row 2: could not convert string to float: 'six'"),
    (",yes,", ",maybe,", r"row 2: 'maybe' is neither yes nor no"),
    (",0.06,", ",", "row 2"),
])
def test_rows_that_are_none_are_refused(tmp_path: Path, old: str, new: str, match: str) -> None:
    path = write_rows(tmp_path, [scene("a", (heading_row(),))])
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(RowsError, match=match):
        read_rows(path)


def test_a_folder_without_rows_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RowsError, match=r"rows\.csv: cannot be read"):
        read_rows(tmp_path)
    (tmp_path / "rows.csv").write_text("")
    with pytest.raises(RowsError, match="another header"):
        read_rows(tmp_path)


# --- scores of single scenes ----------------------------------------------------------------------


def test_a_score_comes_back_as_it_was(tmp_path: Path) -> None:
    score = replace(scores(1)[0], sun_elevation_deg=None,
                    rows=(heading_row(ratio=math.nan), heading_row("blocked", "go")))
    write_score(tmp_path, "a", "key", score)
    back = read_score(tmp_path, "a", "key")
    assert back is not None
    assert same(back, score)
    assert not same(back, replace(score, rig="other"))


def test_all_errors_of_a_score_are_kept(tmp_path: Path) -> None:
    """Each has numbers of its own, so that none can stand for another, or be left out."""
    given = scores(1)[0]
    kinds = {f.name: type(getattr(given, f.name)) for f in fields(SceneScore)
             if isinstance(getattr(given, f.name), Errors)}
    errors = {name: kind(**{f.name: np.full(2, 10 * i + j, np.float32)
                            for j, f in enumerate(fields(kind))})
              for i, (name, kind) in enumerate(kinds.items())}
    assert list(kinds.values()).count(HeightErrors) == 2
    assert len(errors) == 5
    score = replace(scores(1)[0], **errors)
    write_score(tmp_path, "a", "key", score)
    back = read_score(tmp_path, "a", "key")
    assert back is not None
    assert same(back, score)


def test_a_score_of_another_key_is_of_no_use(tmp_path: Path) -> None:
    write_score(tmp_path, "a", "key", scores(1)[0])
    assert read_score(tmp_path, "a", "other") is None
    assert read_score(tmp_path, "b", "key") is None


def test_files_of_two_runs_are_not_mixed(tmp_path: Path) -> None:
    """A run stopped between the two files leaves arrays of one key beside rows of another."""
    write_score(tmp_path, "a", "old", scores(1)[0])
    rows = (tmp_path / "scores" / "a.json").read_bytes()
    write_score(tmp_path, "a", "new", scores(1, seed=1)[0])
    (tmp_path / "scores" / "a.json").write_bytes(rows)
    assert read_score(tmp_path, "a", "old") is None
    assert read_score(tmp_path, "a", "new") is None


@pytest.mark.parametrize("name", ["a.json", "a.npz"])
def test_a_torn_score_is_scored_again(tmp_path: Path, name: str) -> None:
    write_score(tmp_path, "a", "key", scores(1)[0])
    path = tmp_path / "scores" / name
    path.write_bytes(path.read_bytes()[:200])
    assert read_score(tmp_path, "a", "key") is None
    path.unlink()
    assert read_score(tmp_path, "a", "key") is None


def test_a_score_with_other_fields_is_scored_again(tmp_path: Path) -> None:
    write_score(tmp_path, "a", "key", scores(1)[0])
    path = tmp_path / "scores" / "a.json"
    record = json.loads(path.read_text())
    record["columns"][0] = "camera"
    path.write_text(json.dumps(record))
    assert read_score(tmp_path, "a", "key") is None


# --- writing --------------------------------------------------------------------------------------


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        write_rows(tmp_path / "file", [])


def test_a_record_holds_no_nan(tmp_path: Path) -> None:
    assert json.loads(write_record(tmp_path, {"a": [1.5, None]}).read_text()) == {"a": [1.5, None]}
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_record(tmp_path, {"a": math.nan})


def test_a_record_comes_back_and_none_is_empty(tmp_path: Path) -> None:
    assert read_record(tmp_path) == {}
    write_record(tmp_path, {"run": {"rig": "bench"}})
    assert read_record(tmp_path) == {"run": {"rig": "bench"}}


@pytest.mark.parametrize(("text", "match"), [("{", "cannot be read"), ("[]", "holds a list")])
def test_a_record_that_is_none_is_refused(tmp_path: Path, text: str, match: str) -> None:
    (tmp_path / "rehearsal.json").write_text(text)
    with pytest.raises(RecordError, match=match) as found:
        read_record(tmp_path)
    assert "hazcam rehearse -o" in found.value.remedy
