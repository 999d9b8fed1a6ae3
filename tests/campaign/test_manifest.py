"""A manifest as text: each row becomes a pair or says why not, and nothing is lost."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.campaign.manifest.rows import parse_manifest
from hazcam.campaign.manifest.text import COLUMNS, SCHEMA, Form, write_manifest_text
from hazcam.campaign.record import BadRow, Manifest, Walked
from hazcam.errors import PairError
from hazcam.frames import Attitude
from hazcam.imagery import Sidecar, Window

CSV = Path("field/campaign.csv")
JSONL = Path("field/campaign.jsonl")
ROW: dict[str, Any] = {"schema": SCHEMA, "id": "dune-1", "left": "l.png", "right": "r.png",
                       "rig": "../rig.yaml", "rover": "dunlin-em"}


def sidecar(path: Path) -> Sidecar:
    """Stands for reading a file: the id is the name of the sidecar."""
    if path.name.startswith("no-"):
        raise PairError(f"{path}", "does not exist", "the sidecar of a pair (JSON)",
                        "check the path")
    return Sidecar(path=path, id=path.name.removesuffix(".pair.json"), left=None, right=None,
                   rig=Path("rig.yaml"), rover="dunlin-em")


def parsed(*rows: dict[str, Any], form: Form = "csv") -> Manifest:
    path = CSV if form == "csv" else JSONL
    return parse_manifest(write_manifest_text(rows, form), path, sidecar)


def row(**changes: Any) -> dict[str, Any]:
    return {k: v for k, v in {**ROW, **changes}.items() if v is not None}


def only_bad(manifest: Manifest) -> BadRow:
    assert len(manifest.bad) == 1
    return manifest.bad[0]


# --- good rows -----------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_a_row_holds_what_a_sidecar_holds(form: Form) -> None:
    manifest = parsed(row(
        roll_deg=1.5, pitch_deg=-2.0, roll_sigma_deg=0.3, pitch_sigma_deg=0.4,
        taken_at="2031-05-04T09:30:00Z", site="slag heap, lower edge", exposure_s=0.01, gain=2.0,
        sun_elevation_deg=12.0, window_column=8, window_row=16, window_width=320,
        window_height=240, binning=2, onboard_verdict="go", onboard_value_m=0.7,
        note='said "go",\nthen stopped', walked_heading_deg=-10.0, walked_outcome="slipped",
    ), form=form)
    pair, = manifest.pairs
    about = pair.sidecar
    assert (pair.id, pair.place, pair.where) == ("dune-1", 0, f"{manifest.path.name}: line 2"
                                                 if form == "csv" else "campaign.jsonl: line 1")
    assert about.left == Path("field/l.png")
    assert about.rig == Path("field/../rig.yaml")
    assert about.attitude == Attitude(roll_deg=1.5, pitch_deg=-2.0, roll_sigma_deg=0.3,
                                      pitch_sigma_deg=0.4)
    assert about.window == Window(column=8, row=16, width=320, height=240)
    assert about.binning == 2
    assert about.details == {
        "taken_at": "2031-05-04T09:30:00Z", "site": "slag heap, lower edge", "exposure_s": 0.01,
        "gain": 2.0, "sun_elevation_deg": 12.0, "note": 'said "go",\nthen stopped',
        "onboard": {"verdict": "go", "value_m": 0.7}}
    assert pair.walked == Walked(heading_deg=-10.0, outcome="slipped")
    assert not pair.from_file


def test_a_row_is_the_same_in_both_forms() -> None:
    whole = row(roll_deg=1.0, pitch_deg=2.0, binning=1)
    text = json.dumps({**whole, "roll_deg": 1, "site": None}) + "\n"
    in_json = parse_manifest(text, JSONL, sidecar).pairs[0]
    in_csv = parsed(whole).pairs[0]
    assert in_json.given == in_csv.given
    assert in_json.digest == in_csv.digest
    assert parsed(row(roll_deg=1.0, pitch_deg=2.5)).pairs[0].digest != in_csv.digest


def test_one_picture_may_be_missing() -> None:
    manifest = parsed(row(right=None), row(id="dune-2", left=None))
    assert [p.sidecar.right for p in manifest.pairs] == [None, Path("field/r.png")]
    assert manifest.pairs[1].sidecar.left is None


def test_a_row_may_name_a_sidecar() -> None:
    manifest = parsed({"schema": SCHEMA, "sidecar": "day1/beach.pair.json"},
                      {"schema": SCHEMA, "sidecar": "day1/heap.pair.json", "id": "heap",
                       "walked_heading_deg": 5.0, "walked_outcome": "climbed"})
    assert [p.id for p in manifest.pairs] == ["beach", "heap"]
    assert all(p.from_file for p in manifest.pairs)
    assert manifest.pairs[0].sidecar.path == Path("field/day1/beach.pair.json")
    assert manifest.pairs[1].walked == Walked(heading_deg=5.0, outcome="climbed")


def test_the_rover_may_state_what_it_decided_without_a_number() -> None:
    pair, = parsed(row(onboard_verdict="stop")).pairs
    assert pair.sidecar.details["onboard"] == {"verdict": "stop"}


def test_lines_are_those_of_the_file() -> None:
    text = write_manifest_text(
        [row(note="one\ntwo"), row(id="b"), row(id="c", gain="x")], "csv")
    text = text.replace("\r\n", "\r\n\r\n", 1)  # an empty line behind the header
    manifest = parse_manifest(text + ",,,,,,,\r\n", CSV, sidecar)
    assert [p.where for p in manifest.pairs] == ["campaign.csv: line 3", "campaign.csv: line 5"]
    assert only_bad(manifest).failure.where == "campaign.csv: line 6: gain"


# --- bad rows ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("changes", "where", "words"), [
    ({"schema": None}, "schema", "missing"),
    ({"schema": "hazcam-manifest/2"}, "schema", "found 'hazcam-manifest/2'"),
    ({"id": None}, "", "missing: id"),
    ({"left": None, "right": None}, "", "left, right (one of them at least) or sidecar"),
    ({"rig": None, "rover": None}, "", "missing: rig; rover"),
    ({"id": "a/b"}, "id", "cannot name the folder"),
    ({"roll_deg": 1.0}, "", "roll_deg without pitch_deg"),
    ({"roll_sigma_deg": 1.0}, "", "a sigma of the attitude without the attitude"),
    ({"roll_deg": "two", "pitch_deg": 1.0}, "roll_deg", "found 'two'"),
    ({"roll_deg": "nan", "pitch_deg": 1.0}, "roll_deg", "found 'nan'"),
    ({"gain": "1e999"}, "gain", "found inf"),
    ({"gain": "1_000"}, "gain", "found '1_000'"),
    ({"exposure_s": 0.0}, "exposure_s", "found 0.0"),
    ({"sun_elevation_deg": 91.0}, "sun_elevation_deg", "found 91.0"),
    ({"binning": "1.5"}, "binning", "found '1.5'"),
    ({"window_column": 3}, "window", "missing keys: row, width, height"),
    ({"window_column": -1, "window_row": 0, "window_width": 8, "window_height": 8},
     "window_column", "found -1"),
    ({"onboard_value_m": 0.5}, "onboard", "missing key: verdict"),
    ({"taken_at": "yesterday"}, "taken_at", "found 'yesterday'"),
    ({"taken_at": "1970-01-01T00:03:00"}, "taken_at", "found '1970"),
    ({"taken_at": "2931-05-04"}, "taken_at", "found '2931"),
    ({"roll_deg": 1.0, "pitch_deg": 1.0, "roll_sigma_deg": 91.0}, "roll_sigma_deg", "found 91.0"),
    ({"roll_deg": 1.0, "pitch_deg": 1.0, "pitch_sigma_deg": 0.0}, "pitch_sigma_deg", "found 0.0"),
    ({"gain": 1e300}, "gain", "found 1e+300"),
    ({"exposure_s": 1e-300}, "exposure_s", "found 1e-300"),
    ({"binning": 65}, "binning", "found 65"),
    ({"onboard_verdict": "go", "onboard_value_m": 1e9}, "onboard_value_m", "found 1000000000.0"),
    ({"note": "x" * 2001}, "note", "is 2001 characters long"),
    ({"site": "x" * 2001}, "site", "is 2001 characters long"),
    ({"id": "-1"}, "id", "'-1' cannot name"),
    ({"id": "nul.2"}, "id", "'nul.2' cannot name"),
    ({"id": "COM1"}, "id", "'COM1' cannot name"),
    ({"id": "a."}, "id", "'a.' cannot name"),
    ({"id": "x" * 101}, "id", "(101 characters) cannot name"),
    ({"note": " "}, "note", "found ' '"),
    ({"left": "a\0b.png"}, "left", "found 'a\\x00b.png'"),
    ({"sidecar": "a.pair.json"}, "", "a sidecar, and left, right, rig, rover beside it"),
])
def test_a_row_that_cannot_be_used_says_why(
    changes: dict[str, Any], where: str, words: str
) -> None:
    manifest = parsed(row(id="good"), row(**changes), row(id="too"))
    assert [p.id for p in manifest.pairs] == ["good", "too"]
    bad = only_bad(manifest)
    assert bad.place == 1
    assert bad.failure.kind == "bad row"
    assert bad.failure.where == f"campaign.csv: line 3{': ' if where else ''}{where}"
    assert words in bad.failure.found
    assert bad.failure.expected
    assert bad.failure.remedy
    usable = changes.get("id", "dune-1") == "dune-1"
    assert bad.failure.id == ("dune-1" if usable else "l" if "left" not in changes else "line-3")


@pytest.mark.parametrize(("changes", "words"), [
    ({"walked_outcome": "climbed"}, "line 2: walked_outcome without walked_heading_deg"),
    ({"walked_heading_deg": 1.0}, "line 2: walked_heading_deg without walked_outcome"),
    ({"walked_heading_deg": 200.0, "walked_outcome": "stuck"},
     "line 2: walked_heading_deg: found 200.0"),
    ({"walked_heading_deg": 1.0, "walked_outcome": "flew"},
     "line 2: walked_outcome: found 'flew'; expected: climbed, stuck"),
])
def test_a_label_that_is_none_is_dropped_and_the_pair_stays(
    changes: dict[str, Any], words: str
) -> None:
    manifest = parsed(row(**changes))
    pair, = manifest.pairs
    assert not manifest.bad
    assert pair.walked is None
    assert words in pair.bad_label
    assert "remedy: " in pair.bad_label
    assert parsed(row()).pairs[0].bad_label == ""


@pytest.mark.parametrize(("given", "name"), [
    ({"sidecar": "day1/beach.pair.json", "site": "x"}, "beach"),  # can be read: its own id
    ({"sidecar": "day 1/no-such 2.pair.json"}, "no-such_2"),
    ({"left": "day1/IMG_0010_L.png"}, "IMG_0010"),
    ({"right": "IMG_0010_R.png", "left": None}, "IMG_0010"),
    ({"left": "view 7.png"}, "view_7"),
    ({"left": None, "right": None, "rig": "rig.yaml"}, "line-2"),
])
def test_a_bad_row_without_id_is_called_by_what_it_names(given: dict[str, Any], name: str) -> None:
    said = {"schema": SCHEMA, **{k: v for k, v in given.items() if v is not None}}
    assert only_bad(parsed(said)).failure.id == name


LATER = {
    "taken_at": "2031-05-04T09:30:00Z", "site": "slag heap", "exposure_s": 0.01, "gain": 2.0,
    "sun_elevation_deg": 12.0, "onboard_verdict": "go", "note": "later",
    "walked_heading_deg": 1.0, "walked_outcome": "stuck",
}


@pytest.mark.parametrize("key", LATER)
def test_what_may_be_added_to_an_assessed_pair(key: str) -> None:
    keys = [k for k in LATER if k.startswith("walked")] if key.startswith("walked") else [key]
    pair, = parsed(row(**{k: LATER[k] for k in keys})).pairs
    assert not pair.bad_label
    assert pair.digest == parsed(row()).pairs[0].digest
    assert pair.digest == parsed(row(id="Dune-1")).pairs[0].digest


def test_all_that_assessing_goes_by_is_in_the_digest() -> None:
    window = {"window_column": 0, "window_row": 0, "window_width": 64, "window_height": 48}
    angles: dict[str, Any] = {"roll_deg": 1.0, "pitch_deg": 2.0}
    ways: list[dict[str, Any]] = [
        {}, {"left": "x.png"}, {"right": "x.png"}, {"rig": "x.yaml"}, {"binning": 2}, window,
        {**window, "window_row": 8}, angles, {**angles, "roll_deg": 1.5},
        {**angles, "roll_sigma_deg": 0.3}, {**angles, "roll_sigma_deg": 0.5},
        {**angles, "pitch_sigma_deg": 0.5, "roll_sigma_deg": 0.5}, {"right": None}]
    digests = [parsed(row(**way)).pairs[0].digest for way in ways]
    # One angle's sigma stated as what is assumed, with the other still assumed, says nothing new.
    assert digests[9 + 1] == digests[7]
    assert len(set(digests)) == len(ways) - 1


def test_paths_are_the_same_however_they_are_written() -> None:
    assert (parsed(row(left="./day/../l.png")).pairs[0].digest
            == parsed(row(left="l.png")).pairs[0].digest)


@pytest.mark.parametrize(("changes", "remedy"), [
    ({"exposure_s": "1/60"}, "write 0.0167: seconds as a decimal number with a point"),
    ({"exposure_s": "1/0"}, "write seconds as a decimal number with a point"),
    ({"exposure_s": 4000.0}, "write seconds, not milliseconds"),
    ({"exposure_s": "0,02"}, "write a point for the comma: 0.02"),
    ({"gain": "1,5"}, "write a point for the comma: 1.5"),
    ({"gain": "2x"}, "write digits with a point and nothing else, no unit"),
    ({"gain": "1e999"}, "leave it out where it is not known"),
    ({"binning": "1.0"}, "write a whole number without a point: 1"),
    ({"binning": "two"}, "digits only"),
    ({"roll_deg": 1.0, "pitch_deg": 1.0, "roll_sigma_deg": 0.0}, "no sensor is without error"),
    ({"taken_at": "1970-01-01"}, "leave the time out where the clock was not set"),
    ({"taken_at": "04.05.2031"}, "write year-month-day"),
    ({"id": "day 1"}, "give the pair another id: day_1"),
    ({"note": "x" * 3000}, "shorten it"),
])
def test_the_remedy_is_one_that_helps(changes: dict[str, Any], remedy: str) -> None:
    assert remedy in only_bad(parsed(row(**changes))).failure.remedy


def test_a_long_value_is_cut_off_in_its_message() -> None:
    assert len(only_bad(parsed(row(gain="9" * 50_000 + "x"))).failure.found) < 300


def test_a_number_in_quotes_is_to_be_without() -> None:
    for key in ("gain", "binning"):
        text = json.dumps(row(**{key: "1"}))
        bad = only_bad(parse_manifest(text, JSONL, sidecar))
        assert bad.failure.remedy == "write it without quotes: 1"


@pytest.mark.parametrize(("line", "words"), [
    ("{", "broken JSON at line 2, column"),
    ('{"schema": "hazcam-manifest/1", "gain": NaN}', "the value NaN"),
    ('{"id": "a", "id": "b"}', "the key 'id' is given twice"),
    ("[1]", "found [1]"),
    ("[" * 9000, "cannot be read as JSON"),
    ('{"gain": ' + "1" * 9000 + "}", "cannot be read as JSON"),
    (json.dumps(row(tilt=1)), "unknown key: 'tilt'"),
    (json.dumps(row(gain=10**400)), "found 1000"),
    (json.dumps(row(gain=True)), "found True"),
    (json.dumps(row(gain="1")), "found '1'"),
    (json.dumps(row(left=["a"])), "found ['a']"),
    (json.dumps(row(left="\ud800")), "found '\\ud800'"),
    (json.dumps({"schema": SCHEMA, "sidecar": 3}), "found 3"),
])
def test_a_line_of_json_that_cannot_be_used_says_why(line: str, words: str) -> None:
    text = "\n".join([json.dumps(row(id="good")), line, "", json.dumps(row(id="too"))])
    manifest = parse_manifest(text, JSONL, sidecar)
    assert [(p.id, p.where) for p in manifest.pairs] == [
        ("good", "campaign.jsonl: line 1"), ("too", "campaign.jsonl: line 4")]
    failure = only_bad(manifest).failure
    assert failure.where.startswith("campaign.jsonl: line 2")
    assert words in failure.found


@pytest.mark.parametrize(("line", "words"), [
    ("hazcam-manifest/1,x,l.png", "3 cells"),
    ("hazcam-manifest/1,x,l.png,r.png,rig.yaml,dunlin-em,more", "7 cells"),
    ('hazcam-manifest/1,x,"l.png"x,r.png,rig.yaml,dunlin-em', "broken CSV"),
])
def test_a_line_of_csv_that_cannot_be_used_says_why(line: str, words: str) -> None:
    header, good = write_manifest_text([row()], "csv").splitlines()
    manifest = parse_manifest("\n".join([header, line, good]), CSV, sidecar)
    assert [p.where for p in manifest.pairs] == ["campaign.csv: line 3"]
    assert words in only_bad(manifest).failure.found


def test_a_quote_that_is_never_closed_says_how_far_it_goes() -> None:
    header, good = write_manifest_text([row()], "csv").splitlines()
    manifest = parse_manifest("\n".join([header, good, '"hazcam', "and", "more"]), CSV, sidecar)
    assert len(manifest.pairs) == 1
    failure = only_bad(manifest).failure
    assert failure.where == "campaign.csv: line 3"
    assert "the row goes on to line 5" in failure.found


def noted(notes: dict[int, str], first: str = "schema") -> str:
    """CSV of 100 rows p0, p1, ... in lines 2, 3, ..., with cells for notes as given."""
    columns = [first, *(c for c in ("schema", "id", "left", "rig", "rover", "note") if c != first)]
    rows = [{"schema": SCHEMA, "id": f"p{i}", "left": "l.png", "rig": "r.yaml",
             "rover": "dunlin-em", "note": notes.get(i, "")} for i in range(100)]
    return "\r\n".join([",".join(columns), *(",".join(r[c] for c in columns) for r in rows)])


@pytest.mark.parametrize("first", ["schema", "note", "id"])
@pytest.mark.parametrize(("notes", "lost", "last"), [
    ({5: '"5 stones', 90: 'saw 5"'}, [5], 92),
    ({5: '"5 stones', 90: '"6 stones'}, [5, 90], 92),
    ({5: '"5 stones'}, [5], 101),
    ({5: '"5 stones', 90: '"5"" high"'}, [5], 92),
    ({99: '"5 stones'}, [99], 101),
])
def test_a_stray_quote_swallows_no_row(
    notes: dict[int, str], lost: list[int], last: int, first: str
) -> None:
    manifest = parse_manifest(noted(notes, first), CSV, sidecar)
    assert [p.id for p in manifest.pairs] == [f"p{i}" for i in range(100) if i not in lost]
    assert [b.failure.where for b in manifest.bad] == [f"campaign.csv: line {i + 2}" for i in lost]
    found = manifest.bad[0].failure.found
    if lost != [99]:
        assert f"opened in line {lost[0] + 2} goes on to line {last}" in found
        assert "close the quote" in manifest.bad[0].failure.remedy
    if first != "note":
        assert manifest.bad[0].failure.id == (f"p{lost[0]}" if lost != [99] else "line-101")


def test_a_note_of_several_lines_may_speak_of_the_schema() -> None:
    note = "one line\nrows of hazcam-manifest/1 are in the other file\nthree"
    pair, = parsed(row(note=note)).pairs
    assert pair.given["note"] == note


def test_of_rows_with_one_id_the_first_stays() -> None:
    manifest = parsed(row(), row(left="other.png"), row(gain=-1.0))
    assert [p.place for p in manifest.pairs] == [0]
    assert [b.failure.id for b in manifest.bad] == ["other", "l"]
    assert manifest.bad[0].failure.where == "campaign.csv: line 3: id"
    assert "taken already by campaign.csv: line 2" in manifest.bad[0].failure.found


def test_ids_that_differ_in_capitals_only_are_one_folder_on_some_systems() -> None:
    manifest = parsed(row(id="a1"), row(id="A1"), row(id="b", gain=-1.0), row(id="B"))
    assert [p.id for p in manifest.pairs] == ["a1"]
    twin, _, other = (b.failure for b in manifest.bad)
    assert (twin.id, twin.where) == ("l", "campaign.csv: line 3: id")
    assert twin.found == "'A1' is 'a1' of campaign.csv: line 2 but for capitals"
    assert "'B' is 'b' of campaign.csv: line 4" in other.found


def test_a_bad_row_keeps_its_id_and_no_name_is_given_twice() -> None:
    manifest = parsed(row(gain=-1.0), row(), row(id="l"))
    assert [p.id for p in manifest.pairs] == ["l"]
    assert [b.failure.id for b in manifest.bad] == ["dune-1", "l_"]


@pytest.mark.parametrize(("changes", "words"), [
    ({"sidecar": "no-such.pair.json"}, "line 2: no-such.pair.json"),
    ({"sidecar": "beach.pair.json", "id": "heap"}, "'heap', but beach.pair.json is of the pair"),
    ({"sidecar": "beach.pair.json", "site": "heap"}, "a sidecar, and site beside it"),
])
def test_a_row_with_a_sidecar_that_cannot_be_used(changes: dict[str, Any], words: str) -> None:
    assert words in only_bad(parsed({"schema": SCHEMA, **changes})).failure.text


# --- no manifest ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "words"), [
    ("", "is empty"),
    (" \n", "is empty"),
    ("schema,id,left,right,rig,rover\n", "a header and no rows"),
    ("schema,id,tilt\na,b,c\n", "line 1: unknown column: 'tilt'\n.*the known columns"),
    ("schema,id,id\na,b,c\n", "the column 'id' is there 2 times"),
    ("schema;id;left\na;b;c\n", "columns separated by ';'"),
    ('schema,"id\n', "its header cannot be read"),
    ("id,left\nx,y\n", f"none of its 1 rows is of the schema {SCHEMA}"),
    ("schema,id\nhazcam-pair/1,y\n", "the first has 'hazcam-pair/1'"),
    ('{"schema": "hazcam-pair/1"}', "is JSON by its text"),
])
def test_what_is_no_manifest_is_refused(text: str, words: str) -> None:
    with pytest.raises(PairError, match=f"campaign.csv.*{words}"):
        parse_manifest(text, CSV, sidecar)


def test_lines_none_of_which_is_a_row_are_refused() -> None:
    with pytest.raises(PairError, match=r"none of its 2 rows.*broken JSON at line 1"):
        parse_manifest("beach\nheap\n", JSONL, sidecar)


def test_a_row_of_no_manifest_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="tilt"):
        write_manifest_text([row(tilt=1)], "csv")


# --- laws ----------------------------------------------------------------------------------------


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1,
                max_size=12).filter(str.strip)
FLOATS = st.floats(-80, 80)
GIVEN = st.fixed_dictionaries(
    {"left": TEXTS, "rig": TEXTS, "rover": TEXTS},
    optional={"right": TEXTS, "note": TEXTS, "site": TEXTS, "gain": st.floats(0, 1e6),
              "sun_elevation_deg": FLOATS, "binning": st.integers(1, 64),
              "taken_at": st.datetimes(datetime(1990, 1, 1), datetime(2199, 12, 31)).map(
                  lambda t: t.isoformat())},
)


@given(st.lists(GIVEN, min_size=1, max_size=5), st.sampled_from(["csv", "jsonl"]))
def test_rows_come_back_as_written(rows: list[dict[str, Any]], form: Form) -> None:
    rows = [{"schema": SCHEMA, "id": f"p{i}", **values} for i, values in enumerate(rows)]
    manifest = parsed(*rows, form=form)
    assert not manifest.bad
    assert [dict(p.given) for p in manifest.pairs] == rows


@given(st.text(max_size=60), st.sampled_from([CSV, JSONL]))
def test_any_text_is_a_manifest_or_refused(text: str, path: Path) -> None:
    start = (",".join(COLUMNS) + f"\n{SCHEMA}" + "," * (len(COLUMNS) - 1) if path == CSV
             else json.dumps({"schema": SCHEMA}))
    manifest = parse_manifest(f"{start}\n{text}", path, sidecar)
    names = [p.id for p in manifest.pairs] + [b.failure.id for b in manifest.bad]
    assert len(set(names)) == len(names) >= 1
