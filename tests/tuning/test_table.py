"""Tables of trials: what is read, and that no bad row is passed over."""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.campaign.record import Outcome
from hazcam.errors import TrialsError
from hazcam.rover.profile import LimitName
from hazcam.tuning.cells import MOST_DEMAND, MOST_SIGMA
from hazcam.tuning.io import read_trials
from hazcam.tuning.record import Conditions, Trial, TrialTable
from hazcam.tuning.table import COLUMNS, REQUIRED, SCHEMA, parse_trials, write_trials_text
from tests.campaign.test_store import as_nobody, reachable_folder

ROOT = Path(__file__).parents[2]
ROW = {"schema": SCHEMA, "trial_id": "t-1", "date": "2031-05-04", "rover": "dunlin-em",
       "gait": "tripod", "ground": "black sand", "gravity_mps2": "9.81", "kind": "step",
       "demand": "0.046", "sigma": "0.0015", "outcome": "climbed", "simulated": "no", "note": ""}


def text_of(*rows: dict[str, str], columns: tuple[str, ...] = COLUMNS) -> str:
    """A table; rows get ids of their own unless they give one."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, extrasaction="ignore")
    writer.writeheader()
    writer.writerows({**ROW, "trial_id": f"t-{n}", **row} for n, row in enumerate(rows, start=1))
    return text.getvalue()


def parsed(*rows: dict[str, str], columns: tuple[str, ...] = COLUMNS) -> TrialTable:
    return parse_trials(text_of(*rows, columns=columns), "sand.csv")


def refused(text: str) -> str:
    with pytest.raises(TrialsError) as caught:
        parse_trials(text, "sand.csv")
    return str(caught.value)


def refused_rows(*rows: dict[str, str]) -> str:
    return refused(text_of(*rows))


# --- what is read --------------------------------------------------------------------------------


def test_a_row_is_a_trial() -> None:
    table = parsed({}, {"trial_id": "t-2", "outcome": "belly-hung", "simulated": "yes",
                        "note": 'went "over",\nnearly', "kind": "slope", "demand": "18",
                        "sigma": "1.5"})
    assert table.name == "sand.csv"
    first, second = table.trials
    assert first == Trial(
        id="t-1", date=datetime.date(2031, 5, 4), demand=0.046, sigma=0.0015, outcome="climbed",
        simulated=False, note="", where="sand.csv: line 2", conditions=Conditions(
            rover="dunlin-em", gait="tripod", ground="black sand", gravity_mps2=9.81, kind="step"))
    assert (second.conditions.kind, second.conditions.unit, second.demand) == ("slope", "deg", 18)
    assert (second.outcome, second.climbed, second.simulated) == ("belly-hung", False, True)
    assert (second.note, second.where) == ('went "over",\nnearly', "sand.csv: line 3")


def test_schema_and_note_may_be_left_out_and_columns_stand_in_any_order() -> None:
    table = parsed({"note": "lost"}, columns=tuple(reversed(REQUIRED)))
    assert table.trials[0].note == ""
    assert table.trials[0].conditions == parsed({}).trials[0].conditions


def test_cells_are_trimmed_and_blank_rows_passed_over() -> None:
    lines = text_of({"ground": "  black sand ", "demand": " 4.6e-2"}, {}).splitlines()
    table = parse_trials("\n".join(["", lines[0], ",,,,,,,,,,,,", lines[1], "  ", lines[2]]), "a")
    assert [(t.conditions.ground, t.demand, t.where) for t in table.trials] == [
        ("black sand", 0.046, "a: line 4"), ("black sand", 0.046, "a: line 6")]


@pytest.mark.parametrize(("word", "meant"), [
    ("yes", True), ("True", True), ("1", True), ("NO", False), ("false", False), ("0", False)])
def test_words_for_simulated(word: str, meant: bool) -> None:
    assert parsed({"simulated": word}).trials[0].simulated is meant


def test_read_from_a_file_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "sand.csv"
    path.write_bytes(b"\xef\xbb\xbf" + text_of({}).encode())
    table = read_trials(path)
    assert (table.name, table.file_name, len(table.trials)) == (str(path), "sand.csv", 1)
    assert table.trials[0].where == f"{path}: line 2"
    assert table.digest == hashlib.sha256(path.read_bytes()).hexdigest()


words = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1,
                max_size=20).map(str.strip).filter(bool)
_M = ("step", "drop", "gap", "belly")


@st.composite
def trials(draw: st.DrawFn) -> list[Trial]:
    rover, gait, ground = (draw(words) for _ in range(3))
    found = []
    for n in range(draw(st.integers(1, 4))):
        kind: LimitName = draw(st.sampled_from(get_args(LimitName)))
        unit = "m" if kind in _M else "deg"
        found.append(Trial(
            id=f"{draw(words)} {n}", where=f"a.csv: line {n + 2}", note=draw(words | st.just("")),
            date=draw(st.dates(datetime.date(1990, 1, 1), datetime.date(2199, 12, 31))),
            demand=draw(st.floats(0 if unit == "m" else 1, MOST_DEMAND[unit], exclude_max=True)),
            sigma=draw(st.floats(0, MOST_SIGMA[unit], exclude_max=True)),
            outcome=draw(st.sampled_from(get_args(Outcome))), simulated=draw(st.booleans()),
            conditions=Conditions(rover=rover, gait=gait, ground=ground, gravity_mps2=3.7,
                                  kind=kind)))
    return found


@given(trials())
def test_what_is_written_reads_back(found: list[Trial]) -> None:
    """All but the lines, since a note may go over several; angles that are none in radians."""
    read = parse_trials(write_trials_text(found), "a.csv").trials
    assert [{**vars(t), "where": ""} for t in read] == [{**vars(t), "where": ""} for t in found]


# --- cells ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("column", "cell", "said"), [
    ("date", "4.5.2031", "2031-05-04"),
    ("date", "20310504", "2031-05-04"),
    ("date", "2031-02-30", "ISO 8601"),
    ("date", "1970-01-01", "a year from 1990 to 2199"),
    ("gravity_mps2", "0", "9.81 on Earth, 1.62 on the Moon"),
    ("gravity_mps2", "31", "from 0.1 to 30"),
    ("gravity_mps2", "1 g", "a decimal number"),
    ("gravity_mps2", "9,81", "write a point for the comma: 9.81"),
    ("kind", "setp", "did you mean step?"),
    ("kind", "height", "one of step, drop, gap, belly, slope, roll, tip"),
    ("demand", "-0.01", "without the minus"),
    ("demand", "46", "write 0.046 for 46 mm, 0.46 for 46 cm"),
    ("demand", "46 mm", "write 0.046: in m or deg"),
    ("demand", "4.6cm", "write 0.046:"),
    ("demand", "nan", "remove the row"),
    ("demand", "1e999", "a decimal number"),
    ("demand", "about 5", "write digits with a point"),
    ("sigma", "-0.001", "write a spread, which has no sign: 0.6 x (greatest reading - least)"),
    ("sigma", "1.5", "write 0.0015 for 1.5 mm"),
    ("outcome", "Climed", "did you mean climbed?"),
    ("outcome", "fine", "one of climbed, stuck, tipped, belly-hung, slipped"),
    ("simulated", "maybe", "yes or no"),
    ("schema", "hazcam-trials/2", "expected: hazcam-trials/1"),
    ("ground", "x" * 2001, "at most 2000"),
    ("ground", "sand\0", "broken characters"),
    ("note", "x" * 2001, "close the quote"),
])
def test_a_cell_that_cannot_be_used(column: str, cell: str, said: str) -> None:
    message = refused_rows({}, {column: cell}, {})
    assert message.startswith(f"sand.csv: line 3: {column}: ")
    assert said in message
    assert "a limit chosen from part of the trials would be another limit" in message


@pytest.mark.parametrize("column", ["schema", *REQUIRED])
def test_an_empty_cell_is_refused_not_defaulted(column: str) -> None:
    message = refused_rows({}, {column: " "})
    assert f"line 3: {column}: is empty" in message
    assert "nothing is assumed" in message


def test_an_empty_sigma_says_how_to_get_one() -> None:
    message = refused_rows({"sigma": ""})
    assert "expected: one standard deviation of the measured demand; 0: it is known" in message
    assert "take 0.6 x (greatest reading - least) of three readings, and no less than" in message


@pytest.mark.parametrize(("demand", "sigma", "said"), [
    ("89.9", "3", ""), ("90", "3", "atan(per cent / 100)"), ("120", "3", "degrees below 90"),
    ("20", "46", "degrees below 45")])
def test_angles_lie_below_90_degrees(demand: str, sigma: str, said: str) -> None:
    row = {"kind": "slope", "demand": demand, "sigma": sigma}
    if said:
        assert said in refused_rows(row)
    else:
        assert parsed(row).trials[0].demand == float(demand)


def test_zero_demand_and_sigma_are_taken_and_a_metre_too() -> None:
    first, second = parsed({"demand": "0", "sigma": "0"}, {"demand": "1"}).trials
    assert (first.demand, first.sigma, second.demand) == (0, 0, 1)


# --- another unit throughout ---------------------------------------------------------------------


def test_a_table_in_mm_is_told_once() -> None:
    in_mm = [{"demand": f"{26 + n}", "sigma": "1.5"} for n in range(36)]
    message = refused_rows(*in_mm)
    assert message.startswith(
        "sand.csv: columns demand and sigma: all demands of lengths look like mm: 26 to 61\n"
        "  expected: metres, demand at most 1 and sigma at most 0.1")
    assert "remedy: divide the columns demand and sigma by 1000 (by 100 where they are" in message
    assert "line " not in message


def test_other_faults_are_told_beside_it() -> None:
    message = refused_rows({"demand": "46"}, {"demand": "50", "outcome": "ok"},
                           {"demand": "0"}, {"demand": "12", "sigma": "1", "kind": "slope"})
    assert message.startswith("sand.csv: a whole column and a row that cannot be used:\n  column "
                              "demand: all demands of lengths look like mm: 46 to 50; expected: ")
    assert "line 3: outcome: found 'ok'" in message
    assert "line 3: demand" not in message


def test_a_sigma_column_alone_may_be_in_mm() -> None:
    message = refused_rows({"sigma": "1.5"}, {"sigma": "2"})
    assert message.startswith("sand.csv: column sigma: all sigmas of lengths look like mm: 1.5 to")


def test_one_row_in_mm_is_told_at_its_line() -> None:
    assert "sand.csv: line 2: demand: found '46'" in refused_rows({"demand": "46"})
    assert "sand.csv: line 3: demand: found '46'" in refused_rows({}, {"demand": "46"})


@pytest.mark.parametrize("kind", ["slope", "roll", "tip"])
def test_angles_in_radians_are_refused(kind: str) -> None:
    rows = [{"kind": kind, "demand": cell, "sigma": "0.02"} for cell in ("0.18", "0.44", "0")]
    message = refused_rows({}, *rows)
    assert message.startswith(f"sand.csv: column demand, kind {kind}: all look like radians: 0.18 "
                              "to 0.44\n  expected: degrees: 0.44 rad is 25.2 deg")
    assert "multiply demand and sigma of these rows by 57.3" in message


@pytest.mark.parametrize("demands", [("0.9",), ("0", "0"), ("0.18", "1"), ("0.9", "12")])
def test_small_angles_among_others_are_taken(demands: tuple[str, ...]) -> None:
    rows = [{"kind": "slope", "demand": cell, "sigma": "0.5"} for cell in demands]
    assert [t.demand for t in parsed(*rows).trials] == [float(cell) for cell in demands]


# --- rows ----------------------------------------------------------------------------------------


def test_every_bad_row_is_told_and_nothing_is_read() -> None:
    message = refused_rows({}, {"demand": "46", "outcome": "ok"}, {}, {"date": "today"})
    assert message.startswith("sand.csv: 2 rows that cannot be used:")
    for told in ("line 3: demand: found '46'", "line 3: outcome: found 'ok'",
                 "line 5: date: found 'today'"):
        assert told in message
    assert "more, in line" not in message


def test_of_many_bad_rows_the_first_are_spelled_out() -> None:
    message = refused_rows(*[{"demand": "46"}] * 11, {}, *[{"demand": "46"}] * 22)
    assert "write 0.046 for 46 mm" in message
    assert message.startswith("sand.csv: 33 rows that cannot be used:")
    assert "line 9: demand" in message
    assert "line 10: demand" not in message
    assert "and 25 more, in lines 10, 11, 12, 14, " in message
    assert "and 5 more\n" in message


def test_an_id_is_there_once() -> None:
    message = refused_rows({}, {"trial_id": "t-1"})
    assert "line 3: trial_id: 't-1' is taken already by line 2" in message


@pytest.mark.parametrize("column", ["rover", "gait", "ground"])
@pytest.mark.parametrize("change", [str.upper, lambda name: f"{name[:3]}  {name[3:]}"])
def test_two_spellings_would_make_two_groups(column: str, change: object) -> None:
    assert callable(change)
    other = change(ROW[column])
    message = refused_rows({}, {column: other}, {column: other})
    assert f"line 3: {column}: {other!r} is {ROW[column]!r} of line 2 but for" in message
    assert "line 4" not in message


def test_other_names_are_other_groups() -> None:
    table = parsed({}, {"ground": "slag"}, {"ground": "black sand, wet"})
    assert len(table.groups()) == 3


def test_two_gravities_that_are_one() -> None:
    message = refused_rows({}, {"gravity_mps2": "9.8"}, {"gravity_mps2": "9.8"})
    assert "line 3: gravity_mps2: 9.8, but 9.81 in line 2" in message
    assert "line 4" not in message
    assert len(parsed({}, {"gravity_mps2": "1.62"}).groups()) == 2


def test_a_row_with_too_few_cells() -> None:
    lines = text_of({}, {}).splitlines()
    message = refused("\n".join([*lines[:2], "t-9,2031-05-04"]))
    assert "line 3: 2 cells" in message
    assert "13, one for each column" in message


def test_an_open_quote_is_told_with_the_lines_it_takes_in() -> None:
    lines = text_of({}, {}, {}).splitlines()
    lines[2] += '"fell'
    message = refused("\n".join(lines))
    assert "line 3: broken CSV: unexpected end of data, and goes on to line 4" in message


def test_rows_after_a_broken_one_are_still_looked_at() -> None:
    lines = text_of({}, {}, {"kind": "x"}).splitlines()
    lines[2] = lines[2].removesuffix(",") + ',"5" stones'
    message = refused("\n".join(lines))
    assert "line 3: broken CSV" in message
    assert "line 4: kind: found 'x'" in message


# --- no table ------------------------------------------------------------------------------------


HEADER = f"the header to copy: {','.join(COLUMNS)}"


@pytest.mark.parametrize("text", ["", " \n\n"])
def test_empty(text: str) -> None:
    message = refused(text)
    assert "sand.csv: is empty" in message
    assert HEADER in message


def test_a_header_only() -> None:
    assert "holds a header and no trial" in refused(text_of())


def test_missing_columns_are_named_with_the_header_to_copy() -> None:
    message = refused(text_of({}, columns=tuple(c for c in COLUMNS if c not in ("gait", "sigma"))))
    assert "missing columns: gait, sigma" in message
    assert HEADER in message


def test_an_unknown_column_may_be_a_missing_one() -> None:
    message = refused(text_of({}).replace("outcome", "Outcomes").replace("sigma", "error"))
    assert "unknown columns: 'error', 'Outcomes'; missing columns: sigma, outcome" in message
    assert "rename 'Outcomes' (did you mean outcome?); the header to copy" in message


def test_an_unknown_column_more() -> None:
    message = refused(text_of({}, columns=COLUMNS).replace("note", "weather"))
    assert "unknown column: 'weather'" in message
    assert "free words go into `note`" in message


def test_a_column_twice() -> None:
    assert "the column 'gait' is there 2 times" in refused(text_of({}).replace("ground", "gait"))


@pytest.mark.parametrize("sign", [";", "\t"])
def test_another_separator(sign: str) -> None:
    message = refused(text_of({}).replace(",", sign))
    assert f"columns separated by {sign!r}" in message
    assert "decimal points" in message


def test_a_header_that_cannot_be_read() -> None:
    assert "line 1: the header cannot be read" in refused('trial_id,"date')


@pytest.mark.parametrize(("file", "said"), [
    ("sample_pairs/ramp.left.jpg", "is a JPEG picture"),
    ("sample_pairs/ramp.pair.json", "is JSON (schema hazcam-pair/1)"),
    ("sample_pairs/ramp.scene.toml", "is TOML (schema hazcam-scene/1)"),
    ("hazcam/rover/dunlin-em.toml", "is TOML (schema hazcam-rover/1)"),
    ("calibration/dunlin-em.yaml", "missing columns: trial_id"),
    ("sample_pairs", "is a folder"),
    ("sample_pairs/none.csv", "does not exist"),
])
def test_another_file_by_mistake(file: str, said: str) -> None:
    with pytest.raises(TrialsError) as caught:
        read_trials(ROOT / file)
    assert said in str(caught.value)
    assert Path(file).name in str(caught.value)


@pytest.mark.parametrize(("data", "said"), [
    (b"schema,sidecar\nhazcam-manifest/1,a.pair.json\n", "hazcam tune trials RUN"),
    (b'"id","left","rig"\na,b,c\n', "is the manifest of a campaign"),
    (b"SQLite format 3\0", "is a run"),
    (b"PK\3\4", "save the sheet as CSV"),
    (b"trial_id,date\nd\xfcne,2031\n", "is not UTF-8 text (line 2, byte 15)"),
    (b"", "is empty"),
])
def test_other_bytes_by_mistake(data: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "sand.csv").write_bytes(data)
    with pytest.raises(TrialsError) as caught:
        read_trials(tmp_path / "sand.csv")
    assert said in str(caught.value)


def test_a_file_without_permission() -> None:
    with reachable_folder() as folder:
        path = folder / "sand.csv"
        path.write_text(text_of({}), encoding="utf-8")
        path.chmod(0)
        with as_nobody(), pytest.raises(TrialsError, match="cannot be read: Permission denied"):
            read_trials(path)
