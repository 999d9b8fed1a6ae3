"""Reading a run: arrays of its tables, records of its pairs, and what cannot be read."""

from __future__ import annotations

import json
import shutil
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import hazcam
from hazcam.campaign import Run, open_run
from hazcam.campaign.record import PairEntry
from hazcam.campaign.store.schema import TABLES
from hazcam.campaign.store.writer import Store
from hazcam.campaign.summary.summary import READ
from hazcam.errors import HazcamError
from hazcam.stored_npz import demands_bytes, terrain_bytes
from tests.campaign.entries import ABOUT, HEADINGS, MadeUp, make_campaign, make_run
from tests.campaign.test_store import as_nobody, reachable_folder
from tests.folders import assessment
from tests.synthetic import ideal_rig

PAIRS = 12


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("campaign") / "RUN"


@pytest.fixture(scope="module")
def made(folder: Path) -> MadeUp:
    """A run; its first pair has the stores of a real assessment."""
    made = make_campaign(folder.parent, pairs=PAIRS, failures=2, bad_rows=1)
    entries = (with_stores(made.entries[0]), *made.entries[1:])
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(made.manifest)
        for entry in entries:
            store.add(entry)
        store.fail(made.failures[0], {})
        store.finish()
    return replace(made, entries=entries)


@pytest.fixture
def run(folder: Path, made: MadeUp) -> Iterator[Run]:
    with open_run(folder) as run:
        yield run


def with_stores(entry: PairEntry) -> PairEntry:
    a = assessment()
    assert a.terrain is not None
    record = hazcam_record()
    return replace(entry, rows={
        **entry.rows,
        "demands": [{"pair": entry.id, "npz": demands_bytes(a, record), "gist": b"gist"}],
        "terrains": [{"pair": entry.id, "npz": terrain_bytes(a, a.terrain, record)}]})


def hazcam_record() -> dict[str, Any]:
    from hazcam.report import as_record

    return as_record(assessment(), inputs={})


# --- tables ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TABLES)
def test_a_table_holds_what_was_written_in_the_order_of_its_key(
    run: Run, made: MadeUp, name: str
) -> None:
    array = run.table(name)
    table = TABLES[name]
    assert array.dtype.names == tuple(c.name for c in table.plain)
    assert array.dtype.names is not None
    kinds = {"text": "U", "real": "f", "integer": "i"}
    assert [array.dtype[n].kind for n in array.dtype.names] == [kinds[c.kind] for c in table.plain]
    rows = [tuple(row) for row in array]
    keys = [tuple(row[array.dtype.names.index(k)] for k in table.key) for row in rows]
    assert keys == sorted(keys)
    written = [row for e in made.entries for row in e.rows.get(name, ())]
    if name not in ("about", "pairs", "failures", "timings"):
        assert set(keys) == {tuple(row[k] for k in table.key) for row in written}
        for row in written:
            found = array[keys.index(tuple(row[k] for k in table.key))]
            for column in table.plain:
                value = row[column.name]
                expected = {"real": np.nan, "text": ""}.get(column.kind) if value is None else value
                np.testing.assert_equal(found[column.name].item(), expected)


def test_not_known_is_nan_or_empty(run: Run, made: MadeUp) -> None:
    pairs, headings = run.table("pairs"), run.table("headings")
    bad = pairs[pairs["pair"] == made.manifest.bad[0].failure.id][0]
    assert bad["left_file"] == bad["rover"] == ""
    assert np.isnan(bad["roll_deg"])
    go = headings["verdict"] == "go"
    assert go.any()
    np.testing.assert_array_equal(np.isnan(headings["cause_limit"]), go)


def assert_same_rows(rows: NDArray[np.void], others: NDArray[np.void]) -> None:
    """NaN equals NaN, which numpy says of single fields only."""
    assert rows.dtype.names == others.dtype.names
    for name in rows.dtype.names or ():
        np.testing.assert_array_equal(rows[name], others[name])


def test_the_rows_of_some_pairs(run: Run, made: MadeUp) -> None:
    some = [made.entries[4].id, made.entries[1].id, made.failures[0].id]
    rows = run.table("headings", some)
    assert rows["pair"].tolist() == sorted(some[:2] * len(HEADINGS))
    whole = run.table("headings")
    assert_same_rows(rows, whole[np.isin(whole["pair"], some)])
    assert run.table("headings", []).shape == (0,)


def test_more_pairs_than_one_question_holds(tmp_path: Path) -> None:
    made = make_run(tmp_path / "RUN", pairs=620, failures=0, bad_rows=0)
    with open_run(tmp_path / "RUN") as run:
        every = run.table("pictures")
        assert_same_rows(run.table("pictures", [e.id for e in made.entries]), every)
    assert len(every) == 2 * 620


def test_a_table_that_is_none(run: Run) -> None:
    with pytest.raises(ValueError, match="no table 'verdicts': there are about, pairs"):
        run.table("verdicts")
    with pytest.raises(ValueError, match="belong to no pair"):
        run.table("rigs", ["a"])


def test_some_columns_of_a_table(run: Run, made: MadeUp) -> None:
    whole = run.table("pairs")
    some = run.table("pairs", columns=("site", "pair"))
    assert some.dtype.names == ("pair", "site")
    assert_same_rows(some, whole[["pair", "site"]])
    numbers = run.table("headings", [made.entries[0].id], columns=["heading_deg"])
    assert numbers["heading_deg"].tolist() == list(HEADINGS)
    assert some.itemsize < whole.itemsize / 4
    for wrong in (["pair", "colour"], []):
        with pytest.raises(ValueError, match="give some of pair, place"):
            run.table("pairs", columns=wrong)


@pytest.mark.parametrize("name", TABLES)
def test_rows_one_by_one_are_those_of_the_table(run: Run, name: str) -> None:
    rows, array = list(run.rows(name)), run.table(name)
    assert len(rows) == len(array) > 0
    for row, expected in zip(rows, array.tolist(), strict=True):
        for value, other in zip(row, expected, strict=True):
            assert value == other or (value is None and (other == "" or other != other))


def test_long_texts_do_not_widen_what_a_summary_reads(tmp_path: Path) -> None:
    """A thousand pairs of which one has a row of 1 MB would be 4 GB."""
    made = make_campaign(tmp_path, pairs=3, failures=0, bad_rows=0)
    first, *rest = made.manifest.pairs
    long = replace(first, given={**first.given, "note": "x" * 100_000})
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=(long, *rest)))
        for entry in made.entries:
            drift = [{**row, "json": "x" * 100_000} for row in entry.rows["drifts"]]
            store.add(replace(entry, rows={**entry.rows, "drifts": drift}))
    with open_run(tmp_path / "RUN") as run:
        assert run.table("pairs").itemsize > 400_000
        for name, columns in READ.items():
            assert run.table(name, columns=columns).itemsize < 5000, name


def test_what_the_run_is(run: Run, made: MadeUp) -> None:
    assert not run.done, "a pair was never tried"
    assert run.about["manifest"] == "manifest.csv"
    assert json.loads(run.about["options"])["settings"] == {"look_ahead_m": 1.0}
    assert run.ids() == tuple(e.id for e in made.entries)


# --- single pairs ---------------------------------------------------------------------------------


def test_what_is_kept_of_a_pair(run: Run, made: MadeUp) -> None:
    entry, a = made.entries[0], assessment()
    assert run.record(entry.id)["id"] == entry.id
    assert run.overlay(entry.id) == entry.rows["overlays"][0]["jpeg"]
    demands, terrain = run.demands(entry.id), run.terrain(entry.id)
    assert [d.heading_deg for d in demands.demands] == [d.heading_deg for d in a.demands]
    for kept, judged in zip(demands.demands, a.demands, strict=True):
        np.testing.assert_array_equal(kept.step, judged.step)
    assert a.terrain is not None
    for field in fields(terrain.terrain):
        if isinstance(value := getattr(a.terrain, field.name), np.ndarray):
            np.testing.assert_array_equal(getattr(terrain.terrain, field.name), value)
    rover = entry.rows["assessments"][0]["rover"]
    assert list(run.gists()) == [(entry.id, rover, b"gist")]


def test_a_rig_comes_back_as_it_was(run: Run) -> None:
    rigs = run.table("rigs")
    for row in rigs:
        rig = run.rig(str(row["digest"]))
        assert (rig.digest, rig.name) == (row["digest"], row["name"])
        np.testing.assert_array_equal(rig.K1, ideal_rig().K1)
        assert rig.baseline_m == pytest.approx(row["baseline_m"], rel=1e-12)
    with pytest.raises(HazcamError, match="no rig of digest 00ff"):
        run.rig("00ff")


def test_why_a_pair_has_no_assessment(run: Run, made: MadeUp) -> None:
    failed, pending = made.failures
    assert run.failure(failed.id) == failed
    assert run.failure(made.manifest.bad[0].failure.id) == made.manifest.bad[0].failure
    assert run.failure(made.entries[0].id) is run.failure(pending.id) is None
    for ask in (run.record, run.demands, run.terrain, run.overlay):
        with pytest.raises(HazcamError, match="was not assessed \\(failed\\)") as caught:
            ask(failed.id)
        assert caught.value.remedy == failed.remedy
        with pytest.raises(HazcamError, match="was not tried yet"):
            ask(pending.id)
    with pytest.raises(HazcamError, match="a pair that was assessed in stereo"):
        run.demands(made.entries[1].id)


def test_an_unknown_id_names_near_ones(run: Run) -> None:
    for ask in (run.record, run.demands, run.failure):
        with pytest.raises(HazcamError, match="no pair of this id") as caught:
            ask("pair-0001")
        assert "of 13 ids, perhaps pair-0001" in caught.value.expected


def test_a_damaged_record_is_named(tmp_path: Path) -> None:
    made = make_run(tmp_path, pairs=2, failures=0)
    id_ = made.entries[0].id
    for data in (b"no zlib", zlib.compress(b"{no json")):
        with sqlite3.connect(tmp_path / "run.sqlite") as db:
            db.execute("UPDATE records SET json = ? WHERE pair = ?", (data, id_))
        with open_run(tmp_path) as run, pytest.raises(HazcamError, match=f"{id_}: its record is"):
            run.record(id_)


def test_a_closed_run_says_so(folder: Path, made: MadeUp) -> None:
    run = open_run(folder)
    run.close()
    run.close()
    for ask in (lambda: run.about, run.ids, lambda: run.table("pairs"),
                lambda: run.record("a"), lambda: next(run.gists())):
        with pytest.raises(ValueError, match="is closed: open it again"):
            ask()


# --- opening --------------------------------------------------------------------------------------


def test_the_package_offers_it() -> None:
    assert hazcam.open_run is open_run
    assert hazcam.Run is Run


def test_the_file_does_as_well_as_the_folder(folder: Path, made: MadeUp) -> None:
    with open_run(str(folder / "run.sqlite")) as run:
        assert run.ids() == tuple(e.id for e in made.entries)


def test_reading_writes_nothing(folder: Path, made: MadeUp) -> None:
    before = {p.name: p.stat().st_mtime_ns for p in folder.iterdir()}
    with open_run(folder) as run:
        for name in TABLES:
            run.table(name)
    assert {p.name: p.stat().st_mtime_ns for p in folder.iterdir()} == before


def test_a_run_is_read_while_it_is_written(tmp_path: Path) -> None:
    made = make_campaign(tmp_path, pairs=4, failures=0)
    with Store.open(tmp_path / "RUN", ABOUT) as store, open_run(tmp_path / "RUN") as run:
        assert run.ids() == ()
        store.add_pairs(made.manifest)
        for n, entry in enumerate(made.entries):
            store.add(entry)
            assert run.ids() == tuple(e.id for e in made.entries[:n + 1])
            assert len(run.table("headings")) == (n + 1) * len(HEADINGS)


def read_only_copy(folder: Path, to: Path, names: tuple[str, ...]) -> None:
    to.mkdir()
    for name in names:
        shutil.copy(folder / name, to / name)
        (to / name).chmod(0o444)
    to.chmod(0o555)


def test_a_read_only_copy_opens(folder: Path, made: MadeUp) -> None:
    with reachable_folder() as place:
        read_only_copy(folder, place / "RUN", ("run.sqlite",))
        with as_nobody(), open_run(place / "RUN") as run:
            assert run.ids() == tuple(e.id for e in made.entries)
        assert [p.name for p in (place / "RUN").iterdir()] == ["run.sqlite"]


def test_a_read_only_copy_opens_where_a_reader_kept_the_log(tmp_path: Path) -> None:
    """A reader that was open when the run was finished kept SQLite from taking its log away."""
    made = make_campaign(tmp_path, pairs=4, failures=0)
    with Store.open(tmp_path / "RUN", ABOUT) as store, open_run(tmp_path / "RUN") as reader:
        store.add_pairs(made.manifest)
        for entry in made.entries:
            store.add(entry)
        assert len(reader.ids()) == 4
        store.finish()
    with reachable_folder() as place:
        for names in (("run.sqlite",), ("run.sqlite", "run.sqlite-wal")):
            to = place / str(len(names))
            read_only_copy(tmp_path / "RUN", to, names)
            with as_nobody(), open_run(to) as run:
                assert len(run.ids()) == 4
                assert run.done


def killed(folder: Path) -> tuple[str, ...]:
    """A run as a killed process leaves it: what was committed is in the log only."""
    made = make_campaign(folder, pairs=4, failures=0)
    store = Store.open(folder / "live", ABOUT)
    store.add_pairs(made.manifest)
    for entry in made.entries:
        store.add(entry)
    (folder / "RUN").mkdir()
    for name in ("run.sqlite", "run.sqlite-wal"):
        shutil.copy(folder / "live" / name, folder / "RUN" / name)
    store.close()
    return tuple(e.id for e in made.entries)


def test_the_run_of_a_killed_process_is_read(tmp_path: Path) -> None:
    ids = killed(tmp_path)
    with open_run(tmp_path / "RUN") as run:
        assert run.ids() == ids
        assert not run.done


def test_a_read_only_copy_of_it_says_how_to_close_it() -> None:
    with reachable_folder() as place:
        killed(place)
        (place / "RUN").chmod(0o555)
        with as_nobody(), pytest.raises(HazcamError, match="cannot be read as it is") as caught:
            open_run(place / "RUN")
        assert "same `hazcam batch` command again" in caught.value.remedy


def test_a_copy_without_its_log_is_refused_as_maybe_not_all(tmp_path: Path) -> None:
    killed(tmp_path)
    (tmp_path / "RUN" / "run.sqlite-wal").unlink()
    with pytest.raises(HazcamError, match="may not be all") as caught:
        open_run(tmp_path / "RUN")
    assert "copy both" in caught.value.remedy
    assert [p.name for p in (tmp_path / "RUN").iterdir()] == ["run.sqlite"]


def test_reading_a_finished_copy_that_had_a_log_writes_nothing(tmp_path: Path) -> None:
    """A reader that was open at the end left the file with the sign of a log, here not copied."""
    make_run(tmp_path / "RUN", pairs=4)
    with sqlite3.connect(tmp_path / "RUN" / "run.sqlite") as db:
        db.execute("PRAGMA journal_mode = WAL")
    db.close()
    (tmp_path / "copy").mkdir()
    shutil.copy(tmp_path / "RUN" / "run.sqlite", tmp_path / "copy" / "run.sqlite")
    assert (tmp_path / "copy" / "run.sqlite").read_bytes()[18:20] == b"\x02\x02"
    with open_run(tmp_path / "copy") as run:
        assert run.done
        assert len(run.table("pairs")) == 6
        assert [p.name for p in (tmp_path / "copy").iterdir()] == ["run.sqlite"]


def missing(folder: Path) -> None:
    pass


def without_run(folder: Path) -> None:
    folder.mkdir()


def of_text(folder: Path) -> None:
    folder.mkdir()
    (folder / "run.sqlite").write_text("no database, but long enough to be looked at" * 50)


def of_another_program(folder: Path) -> None:
    folder.mkdir()
    with sqlite3.connect(folder / "run.sqlite") as db:
        db.execute("CREATE TABLE notes (text)")


def newer(folder: Path) -> None:
    make_run(folder, pairs=2, failures=0)
    with sqlite3.connect(folder / "run.sqlite") as db:
        db.execute("PRAGMA user_version = 7")


@pytest.mark.parametrize(("make", "told"), [
    (missing, "does not exist"), (without_run, "holds no run.sqlite"),
    (of_text, "is no SQLite database"), (of_another_program, "a database of something else"),
    (newer, "is of version 7 of the schema, newer"),
])
def test_what_is_no_run_is_refused(
    tmp_path: Path, make: Callable[[Path], None], told: str
) -> None:
    make(tmp_path / "RUN")
    with pytest.raises(HazcamError, match=told):
        open_run(tmp_path / "RUN")


def test_a_damaged_page_is_named(tmp_path: Path) -> None:
    make_run(tmp_path, pairs=8, failures=0)
    file = tmp_path / "run.sqlite"
    data = bytearray(file.read_bytes())
    half = len(data) // 8192 * 4096
    data[4096 * 8:half] = b"\xa5" * (half - 4096 * 8)
    file.write_bytes(data)
    with pytest.raises(HazcamError, match=r"run\.sqlite: is damaged"), open_run(file) as run:
        [run.table(name) for name in TABLES]
