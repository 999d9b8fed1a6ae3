"""The writer of a run: each pair whole and once, whatever happens to the process or the disk."""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.campaign.record import CampaignPair, Manifest, PairEntry, Walked
from hazcam.campaign.store import migrate
from hazcam.campaign.store.insert import UnfitRowError
from hazcam.campaign.store.lock import WriterLock
from hazcam.campaign.store.schema import SCHEMA, SCHEMA_VERSION, TABLES
from hazcam.campaign.store.writer import Ending, Store
from hazcam.errors import HazcamError, OutputError
from hazcam.imagery import Sidecar
from tests.campaign.entries import ABOUT, MadeUp, make_campaign, make_run, write

PAIRS = 8
NOBODY = 65534


@pytest.fixture
def made(tmp_path: Path) -> MadeUp:
    return make_campaign(tmp_path, pairs=PAIRS, failures=2, bad_rows=1)


def rows_of(folder: Path, but: tuple[str, ...] = ("timings",)) -> dict[str, list[Any]]:
    """Every row of every table, in the order of its key."""
    with sqlite3.connect(folder / "run.sqlite") as db:
        return {t.name: db.execute(f"SELECT * FROM {t.name} ORDER BY {', '.join(t.key)}").fetchall()
                for t in TABLES.values() if t.name not in but}


def with_pairs(made: MadeUp, pairs: tuple[CampaignPair, ...]) -> Manifest:
    return replace(made.manifest, pairs=pairs)


@contextmanager
def reachable_folder() -> Iterator[Path]:
    """A folder that every user may look into, which pytest's own is not."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def as_nobody() -> Iterator[None]:
    """As a user that may not write here; root may write anywhere."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(was)


# --- what is written ------------------------------------------------------------------------------


def test_every_row_of_an_entry_is_there(tmp_path: Path, made: MadeUp) -> None:
    entry = made.entries[0]
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add(entry)
    with sqlite3.connect(tmp_path / "RUN" / "run.sqlite") as db:
        for name, rows in entry.rows.items():
            for row in rows:
                columns = list(row)
                found = db.execute(f"SELECT {', '.join(columns)} FROM {name} WHERE "
                                   f"{TABLES[name].key[-1]} = ?", (row[TABLES[name].key[-1]],))
                assert tuple(row.values()) in found.fetchall()


def test_pairs_are_settled_by_an_assessment_a_failure_or_a_bad_row(
    tmp_path: Path, made: MadeUp
) -> None:
    bad = {row.failure.id for row in made.manifest.bad}
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        assert store.settled() == bad
        store.add(made.entries[0])
        store.fail(made.failures[0], {})
        assert store.settled() == bad | {made.entries[0].id, made.failures[0].id}


@pytest.mark.parametrize("how", ["add", "fail"])
def test_a_settled_pair_is_refused(tmp_path: Path, made: MadeUp, how: str) -> None:
    entry, failure = made.entries[0], made.failures[0]
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add(entry)
        store.fail(failure, {})
        again = partial(store.add, replace(entry, id=failure.id)) if how == "add" else partial(
            store.fail, replace(failure, id=entry.id), {})
        with pytest.raises(ValueError, match="settled already"):
            again()
        with pytest.raises(ValueError, match="in no manifest"):
            store.fail(replace(failure, id="elsewhere"), {})


def broken_rows(entry: PairEntry) -> dict[str, PairEntry]:
    overlay = entry.rows["overlays"][0]
    return {
        "unknown column": replace(entry, rows={**entry.rows, "overlays": [{**overlay, "x": 1}]}),
        "missing column": replace(entry, rows={**entry.rows, "overlays": [{"pair": entry.id}]}),
        "same key twice": replace(entry, rows={**entry.rows, "overlays": [overlay, overlay]}),
        "no plain value": replace(entry, rows={**entry.rows, "overlays": [
            {**overlay, "jpeg": object()}]}),  # type: ignore[dict-item]  # on purpose
        "beyond 64 bits": replace(entry, rows={**entry.rows, "overlays": [
            {**overlay, "jpeg": 2**63}]}),
        "half a character": replace(entry, rows={**entry.rows, "overlays": [
            {**overlay, "jpeg": "\ud800"}]}),
    }


@pytest.mark.parametrize("what", ["unknown column", "missing column", "same key twice",
                                  "no plain value", "beyond 64 bits", "half a character"])
def test_an_entry_is_there_whole_or_not_at_all(tmp_path: Path, made: MadeUp, what: str) -> None:
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        before = rows_of(tmp_path, but=())
        with pytest.raises(UnfitRowError, match="overlays"):
            store.add(broken_rows(made.entries[0])[what])
        assert rows_of(tmp_path, but=()) == before
        store.add(made.entries[0])


def test_a_whole_number_of_any_size_is_a_real_one(tmp_path: Path, made: MadeUp) -> None:
    entry = made.entries[0]
    (row,) = entry.rows["assessments"]
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        with pytest.raises(UnfitRowError, match="clear_m"):
            store.add(replace(entry, rows={**entry.rows,
                                           "assessments": [{**row, "clear_m": 10**400}]}))
        store.add(replace(entry, rows={**entry.rows, "assessments": [{**row, "clear_m": 2**70}]}))
    with open_run(tmp_path) as run:
        assert run.table("assessments")["clear_m"].tolist() == [2.0**70]


def test_what_pairs_share_is_there_once(tmp_path: Path) -> None:
    make_run(tmp_path / "RUN", pairs=9, rovers=3)
    rows = rows_of(tmp_path / "RUN")
    assert [len(rows[name]) for name in ("rigs", "rovers", "settings")] == [3, 3, 1]


@pytest.mark.parametrize("order", [1, -1])
def test_one_of_two_names_of_the_same_numbers_stays_in_any_order(
    tmp_path: Path, made: MadeUp, order: int
) -> None:
    (rover,) = made.entries[0].rows["rovers"]
    twins = [replace(e, rows={**e.rows, "rovers": [{**rover, "name": name}]})
             for e, name in zip(made.entries, ("twin-b", "twin-a"), strict=False)]
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        for twin in twins[::order]:
            store.add(twin)
        assert [row[1] for row in rows_of(tmp_path)["rovers"]] == ["twin-a"]


def test_how_long_writing_took_is_known_of_every_pair(tmp_path: Path) -> None:
    make_run(tmp_path / "RUN", pairs=PAIRS, failures=2)
    with open_run(tmp_path / "RUN") as run:
        timings = run.table("timings")
    assert len(timings) == PAIRS
    assert np.all(timings["write_s"] > 0)


def test_a_row_of_a_manifest_says_what_its_sidecar_says(tmp_path: Path) -> None:
    folder = tmp_path / "campaign"
    said = Sidecar(
        path=folder / "day/a.pair.json", id="a", left=folder / "day/a.left.png", right=None,
        rig=tmp_path / "rigs/em.yaml", rover=str(folder / "rover.toml"),
        details={"taken_at": "2031-05-04T09:30:00Z", "gain": 2.0, "note": "dusk",
                 "onboard": {"verdict": "stop", "value_m": 0.07}})
    pair = CampaignPair(id="a", place=3, where="m.csv: line 5", sidecar=said, from_file=True,
                        walked=Walked(heading_deg=-15.0, outcome="stuck"), digest="d",
                        given={"sidecar": "day/a.pair.json"})
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(Manifest(path=folder / "m.csv", pairs=(pair,)))
        store.finish()
    with open_run(tmp_path / "RUN") as run:
        row = run.table("pairs")[0]
    told = {name: row[name] for name in row.dtype.names}
    assert {k: v for k, v in told.items() if v == v and v != ""} == {
        "pair": "a", "place": 3, "row_digest": "d", "manifest": "m.csv",
        "source": "m.csv: line 5", "files": '{"left": null, "right": null}',
        "sidecar": "day/a.pair.json", "left_file": "day/a.left.png",
        "rig_file": "../rigs/em.yaml", "rover": "rover.toml",
        "taken_at": "2031-05-04T09:30:00Z", "gain": 2.0, "onboard_verdict": "stop",
        "onboard_value_m": 0.07, "walked_heading_deg": -15.0, "walked_outcome": "stuck",
        "note": "dusk", "given": '{"sidecar": "day/a.pair.json"}'}


# --- a manifest again -----------------------------------------------------------------------------


def test_the_same_manifest_again_changes_nothing(tmp_path: Path, made: MadeUp) -> None:
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        before = rows_of(tmp_path, but=())
        store.add_pairs(made.manifest)
        assert rows_of(tmp_path, but=()) == before


def test_a_campaign_grows_and_rows_that_are_gone_stay(tmp_path: Path, made: MadeUp) -> None:
    first, rest = made.manifest.pairs[:3], made.manifest.pairs[2:]
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(with_pairs(made, first))
        store.add_pairs(with_pairs(made, tuple(replace(p, place=p.place - 2) for p in rest)))
        places = {row[0]: row[1] for row in rows_of(tmp_path)["pairs"]}
    assert {p.id for p in made.manifest.pairs} <= set(places)
    assert places[rest[0].id] == 0


def test_a_changed_row_of_an_assessed_pair_is_refused(tmp_path: Path, made: MadeUp) -> None:
    ids = {entry.id for entry in made.entries}
    changed = tuple(replace(p, digest="other") if p.id in ids else p for p in made.manifest.pairs)
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        before = rows_of(tmp_path)
        with pytest.raises(OutputError, match=made.entries[0].id) as caught:
            store.add_pairs(with_pairs(made, changed))
        assert rows_of(tmp_path) == before
    assert str(len(ids)) in caught.value.found
    assert "another id" in caught.value.remedy


def test_a_changed_row_of_a_failed_pair_is_tried_again(tmp_path: Path, made: MadeUp) -> None:
    failed = made.failures[0].id
    changed = tuple(replace(p, digest="other") if p.id == failed else p
                    for p in made.manifest.pairs)
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        store.add_pairs(with_pairs(made, changed))
        assert failed not in store.settled()
        assert made.failures[1].id in store.settled()


def test_a_mended_row_is_tried_and_one_gone_bad_is_not(tmp_path: Path, made: MadeUp) -> None:
    bad = made.manifest.bad[0]
    mended = replace(made.manifest.pairs[0], id=bad.failure.id, digest=bad.digest)
    gone_bad = replace(bad, failure=replace(bad.failure, id=made.manifest.pairs[-1].id))
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add_pairs(Manifest(path=made.manifest.path, bad=(gone_bad,),
                                 pairs=(*made.manifest.pairs[:-1], mended)))
        assert store.settled() == {gone_bad.failure.id}
    with open_run(tmp_path) as run:
        row = run.table("pairs", [gone_bad.failure.id])[0]
        assert (row["left_file"], row["given"], row["files"]) == ("", "", "")


def test_a_row_gone_bad_takes_no_assessment_away(tmp_path: Path, made: MadeUp) -> None:
    entry = made.entries[0]
    pair = next(p for p in made.manifest.pairs if p.id == entry.id)
    gone_bad = replace(made.manifest.bad[0], digest=pair.digest,
                       failure=replace(made.manifest.bad[0].failure, id=pair.id))
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add(entry)
        taken = store.add_pairs(Manifest(path=made.manifest.path, pairs=(), bad=(gone_bad,)))
        assert taken.kept == (pair.id,)
        assert set(taken.gone) == {p.id for p in made.manifest.pairs} - {pair.id}
        rows = rows_of(tmp_path)
    assert [row[0] for row in rows["assessments"]] == [pair.id]
    assert rows["failures"] == []


def test_failures_are_forgotten_but_not_bad_rows(tmp_path: Path, made: MadeUp) -> None:
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        ids = [*(p.id for p in made.manifest.pairs), made.manifest.bad[0].failure.id]
        assert store.forget_failures(ids) == len(made.failures)
        assert store.settled() == {*(e.id for e in made.entries), made.manifest.bad[0].failure.id}
        assert store.forget_failures(ids) == 0
        store.fail(made.failures[0], {"finished_at": "later", "tries": 1})


def test_only_failures_that_are_tried_again_are_forgotten(tmp_path: Path, made: MadeUp) -> None:
    again, other = made.failures
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        assert store.forget_failures([again.id]) == 1
        assert again.id not in store.settled()
        assert other.id in store.settled()
        ending = store.finish()
    assert ending.untried == 1
    with open_run(tmp_path) as run:
        assert not run.done
        assert run.failure(other.id) == other


def test_a_bad_row_stays_until_its_manifest_is_read_again(tmp_path: Path, made: MadeUp) -> None:
    first, bad = made.manifest, made.manifest.bad[0]
    found = replace(bad.failure, found="is no number")
    other = Manifest(path=first.path.with_name("other.csv"), pairs=(),
                     bad=(replace(bad, failure=found, digest="other"),))
    twin = f"{bad.failure.id} of other.csv"
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(first)
        write(store, made)
        for _ in range(2):
            store.add_pairs(other)
            found_bad = {row[0]: row[3] for row in rows_of(tmp_path / "RUN")["failures"]
                         if row[1] == "bad row"}
            assert found_bad == {bad.failure.id: bad.failure.found, twin: "is no number"}
        store.add_pairs(replace(first, bad=()))
        assert bad.failure.id not in store.settled()
        assert twin in store.settled()
        assert store.finish().untried == 0
    with open_run(tmp_path / "RUN") as run:
        assert run.done
        assert bad.failure.id not in run.table("pairs")["pair"]


# --- the pictures of a manifest -------------------------------------------------------------------


def place_pictures(made: MadeUp) -> None:
    for pair in made.manifest.pairs:
        for path in (pair.sidecar.left, pair.sidecar.right):
            assert path is not None
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(f"{path.name} as it was".encode())


def recorded(folder: Path, made: MadeUp) -> CampaignPair:
    """A run with pictures in its folder; the first pair that was assessed."""
    place_pictures(made)
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        store.finish()
    return next(p for p in made.manifest.pairs if p.id == made.entries[0].id)


def left_of(pair: CampaignPair) -> Path:
    assert pair.sidecar.left is not None
    return pair.sidecar.left


def never(pair: CampaignPair) -> str:
    raise AssertionError(f"the pictures of {pair.id} were read")


def test_pictures_as_before_are_not_read(tmp_path: Path, made: MadeUp) -> None:
    recorded(tmp_path / "RUN", made)
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest, never)


def test_a_picture_of_another_time_is_compared_once(tmp_path: Path, made: MadeUp) -> None:
    pair = recorded(tmp_path / "RUN", made)
    os.utime(left_of(pair), ns=(1, 1))
    asked: list[str] = []

    def as_assessed(pair: CampaignPair) -> str:
        asked.append(pair.id)
        return str(made.entries[0].rows["assessments"][0]["pictures"])

    with Store.open(tmp_path / "RUN", ABOUT) as store:
        for _ in range(2):
            store.add_pairs(made.manifest, as_assessed)
    assert asked == [pair.id]
    with open_run(tmp_path / "RUN") as run:
        files = json.loads(str(run.table("pairs", [pair.id])["files"][0]))
    assert files["left"] == [left_of(pair).stat().st_size, 1]


def unreadable(pair: CampaignPair) -> str:
    raise HazcamError(str(left_of(pair)), "is truncated", "a picture", "fetch it again")


@pytest.mark.parametrize(("digest", "told"), [
    (lambda pair: "other", "other pictures"), (unreadable, "is truncated"),
    (None, "another size or time of change"),
])
def test_other_pictures_of_the_same_name_are_refused(
    tmp_path: Path, made: MadeUp, digest: Callable[[CampaignPair], str] | None, told: str
) -> None:
    pair = recorded(tmp_path / "RUN", made)
    left_of(pair).write_bytes(b"another picture")
    before = rows_of(tmp_path / "RUN")
    with (Store.open(tmp_path / "RUN", ABOUT) as store,
          pytest.raises(OutputError, match=f"{pair.id} .{told}") as caught):
        store.add_pairs(made.manifest, digest)
    assert "of 1 pair are not" in caught.value.found
    assert "-o" in caught.value.remedy
    after = rows_of(tmp_path / "RUN")
    assert after == before


def test_the_same_rows_of_another_folder_are_another_campaign(
    tmp_path: Path, made: MadeUp
) -> None:
    recorded(tmp_path / "RUN", made)
    (tmp_path / "elsewhere").mkdir()
    other = make_campaign(tmp_path / "elsewhere", pairs=PAIRS, failures=2, bad_rows=1)
    place_pictures(other)
    with Store.open(tmp_path / "RUN", ABOUT) as store, pytest.raises(OutputError) as caught:
        store.add_pairs(other.manifest, lambda pair: "other")
    assert f"of {len(made.entries)} pairs are not those assessed" in caught.value.found


def test_pictures_that_are_gone_are_no_error(tmp_path: Path, made: MadeUp) -> None:
    pair = recorded(tmp_path / "RUN", made)
    before = rows_of(tmp_path / "RUN")
    left_of(pair).unlink()
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest, never)
        store.finish()
    assert rows_of(tmp_path / "RUN") == before


# --- interrupted ----------------------------------------------------------------------------------


def write_until_interrupted(folder: Path, made: MadeUp) -> None:
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(made.manifest)
        for entry in reversed(made.entries[3:]):
            store.add(entry)
        raise KeyboardInterrupt


def test_an_interrupted_run_ends_as_an_uninterrupted_one(tmp_path: Path, made: MadeUp) -> None:
    with Store.open(tmp_path / "A", ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        store.finish()
    with pytest.raises(KeyboardInterrupt):
        write_until_interrupted(tmp_path / "B", made)
    with open_run(tmp_path / "B") as run:
        assert not run.done
    with Store.open(tmp_path / "B", ABOUT) as store:
        store.add_pairs(made.manifest)
        left = [e for e in made.entries if e.id not in store.settled()]
        assert len(left) == 3
        write(store, replace(made, entries=tuple(left)))
        store.finish()
    assert rows_of(tmp_path / "A") == rows_of(tmp_path / "B")


def test_a_run_is_not_done_while_it_goes_on(tmp_path: Path, made: MadeUp) -> None:
    for _ in range(2):
        with Store.open(tmp_path, ABOUT) as store, open_run(tmp_path) as run:
            store.add_pairs(made.manifest)
            assert not run.done
            if not store.settled() >= {p.id for p in made.manifest.pairs}:
                write(store, made)
            assert store.finish() == Ending(untried=0, whole=True)
            assert run.done


def test_a_run_with_a_pair_that_was_never_tried_is_not_done(tmp_path: Path, made: MadeUp) -> None:
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, replace(made, entries=made.entries[2:]))
        assert store.finish().untried == 2
    with open_run(tmp_path) as run:
        assert not run.done


def alone(folder: Path, to: Path) -> Run:
    """The file of a run without its log, as if it never had one."""
    to.mkdir()
    data = bytearray((folder / "run.sqlite").read_bytes())
    data[18:20] = b"\x01\x01"
    (to / "run.sqlite").write_bytes(data)
    return open_run(to)


def test_the_file_alone_lags_by_few_pairs(
    tmp_path: Path, made: MadeUp, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hazcam.campaign.store.writer._PAIRS_IN_LOG", 2)
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest)
        for n, entry in enumerate(made.entries[:5]):
            with alone(tmp_path / "RUN", tmp_path / str(n)) as run:
                assert len(run.table("pairs")) == PAIRS + 1
                assert len(run.ids()) == n - n % 2
            store.add(entry)


def test_a_copy_of_a_run_that_goes_on_does_not_say_that_it_is_done(tmp_path: Path) -> None:
    made = make_run(tmp_path / "RUN", pairs=4)
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest)
        with alone(tmp_path / "RUN", tmp_path / "copy") as run:
            assert not run.done
            assert len(run.ids()) == 1


@pytest.mark.parametrize("reads", [True, False])
def test_who_finishes_learns_whether_the_file_holds_all(
    tmp_path: Path, made: MadeUp, monkeypatch: pytest.MonkeyPatch, reads: bool
) -> None:
    """A program in the midst of reading keeps the log; one that only has the file open does not."""
    monkeypatch.setattr("hazcam.campaign.store.writer._CLOSING_MS", 10)
    with Store.open(tmp_path, ABOUT) as store, sqlite3.connect(
            tmp_path / "run.sqlite", isolation_level=None) as reader:
        store.add_pairs(made.manifest)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM pairs").fetchone()
        if not reads:
            reader.execute("COMMIT")
        write(store, made)
        assert store.finish() == Ending(untried=0, whole=not reads)
        assert store.close() is not reads
    reader.close()


@pytest.mark.parametrize("how", ["finish", "close"])
def test_a_closed_run_is_one_file(tmp_path: Path, made: MadeUp, how: str) -> None:
    store = Store.open(tmp_path, ABOUT)
    store.add_pairs(made.manifest)
    write(store, made)
    assert (tmp_path / "run.sqlite-wal").exists()
    getattr(store, how)()
    assert {p.name for p in tmp_path.iterdir()} <= {"run.sqlite", "writer.lock"}
    with sqlite3.connect(tmp_path / "run.sqlite") as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


HOLDER = """
import sys, time
from pathlib import Path
from hazcam.campaign.store.writer import Store
from tests.campaign.entries import ABOUT, make_campaign
folder = Path(sys.argv[1])
made = make_campaign(folder, pairs=8, failures=2, bad_rows=1)
store = Store.open(folder / "RUN", ABOUT)
store.add_pairs(made.manifest)
for entry in made.entries[:4]:
    store.add(entry)
print("ready", flush=True)
time.sleep(60)
"""


def test_a_second_process_is_refused_until_the_first_is_killed(
    tmp_path: Path, made: MadeUp
) -> None:
    process = subprocess.Popen([sys.executable, "-c", HOLDER, str(tmp_path)],
                               stdout=subprocess.PIPE, cwd=Path(__file__).parents[2])
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        with pytest.raises(OutputError) as caught:
            Store.open(tmp_path / "RUN", ABOUT)
        for told in (f"process {process.pid} ", socket.gethostname(), "since 20"):
            assert told in caught.value.found
        assert "same command again" in caught.value.remedy
    finally:
        process.send_signal(signal.SIGKILL)
        process.communicate()
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        assert store.settled() >= {entry.id for entry in made.entries[:4]}
        store.add_pairs(made.manifest)
        write(store, replace(made, entries=made.entries[4:]))


def test_a_second_writer_of_the_same_process_is_refused(tmp_path: Path) -> None:
    with Store.open(tmp_path, ABOUT), pytest.raises(OutputError, match=f"process {os.getpid()} "):
        Store.open(tmp_path, ABOUT)
    Store.open(tmp_path, ABOUT).close()


# --- not the same run -----------------------------------------------------------------------------

OTHER_OPTIONS = json.dumps({"settings": {"look_ahead_m": 1.5}, "limits": {"step": 0.05},
                            "margin_m": None})


@pytest.mark.parametrize(("change", "told"), [
    ({"options": OTHER_OPTIONS}, "settings.look_ahead_m 1.0 -> 1.5, limits.step not given -> 0.05"),
    ({"hazcam": "9.9"}, f"begun by hazcam {ABOUT['hazcam']}; this is hazcam 9.9"),
    ({"versions": json.dumps({"numpy": "2.3.1", "opencv": "5.1.0"})},
     'opencv "5.0.0" -> "5.1.0"'),
])
def test_records_made_in_two_ways_do_not_mix(
    tmp_path: Path, change: dict[str, str], told: str
) -> None:
    Store.open(tmp_path, ABOUT).close()
    with pytest.raises(OutputError) as caught:
        Store.open(tmp_path, {**ABOUT, **change})
    assert told in caught.value.found
    assert "margin" not in caught.value.found
    assert "another folder" in caught.value.remedy
    Store.open(tmp_path, ABOUT).close()  # the lock is free again


def test_the_manifest_may_have_another_name(tmp_path: Path) -> None:
    Store.open(tmp_path, ABOUT).close()
    with Store.open(tmp_path, {**ABOUT, "manifest": "longer.csv"}) as store:
        store.add_pairs(Manifest(path=tmp_path / "longer.csv", pairs=()))
    with open_run(tmp_path) as run:
        assert run.about == {**ABOUT, "schema": SCHEMA, "manifest": "longer.csv"}


# --- the disk -------------------------------------------------------------------------------------


def add_all(store: Store, entries: tuple[PairEntry, ...], written: list[str]) -> None:
    for entry in entries:
        store.add(entry)
        written.append(entry.id)


def test_a_full_disk_keeps_what_was_recorded(tmp_path: Path, made: MadeUp) -> None:
    store = Store.open(tmp_path, ABOUT)
    store.add_pairs(made.manifest)
    store.add(made.entries[0])
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages + 10}")
    written = [made.entries[0].id]
    with store, pytest.raises(OutputError, match="no space left") as caught:
        add_all(store, made.entries[1:], written)
    assert "is kept" in caught.value.remedy
    assert "same command again" in caught.value.remedy
    with open_run(tmp_path) as run:
        assert list(run.ids()) == sorted(written)
    with Store.open(tmp_path, ABOUT) as store:
        write(store, replace(made, entries=tuple(
            e for e in made.entries if e.id not in store.settled())))
        store.finish()
    with open_run(tmp_path) as run:
        assert run.ids() == tuple(e.id for e in made.entries)


@pytest.mark.parametrize("bytes_allowed", [300_000, 450_000])
def test_a_file_that_may_not_grow_keeps_what_was_recorded(
    tmp_path: Path, made: MadeUp, bytes_allowed: int
) -> None:
    """The limit of the system on the size of a file stands for a quota, or a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_allowed, hard))
    written: list[str] = []
    try:
        with Store.open(tmp_path, ABOUT) as store:
            store.add_pairs(made.manifest)
            with pytest.raises(OutputError, match="no space"):
                add_all(store, made.entries, written)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    with Store.open(tmp_path, ABOUT) as store:
        assert store.settled() >= set(written)
        assert len(written) < len(made.entries)
        write(store, replace(made, entries=tuple(
            e for e in made.entries if e.id not in store.settled())))
        store.finish()
    with open_run(tmp_path) as run:
        assert run.ids() == tuple(e.id for e in made.entries)


def test_a_folder_that_cannot_be_written_to() -> None:
    with reachable_folder() as folder:
        (folder / "RUN").mkdir(mode=0o555)
        with as_nobody():
            for run in (folder / "RUN", folder / "RUN" / "below"):
                with pytest.raises(OutputError, match="cannot be written to") as caught:
                    Store.open(run, ABOUT)
                assert "permissions" in caught.value.remedy


def test_a_folder_of_other_things_is_refused(tmp_path: Path) -> None:
    (tmp_path / "beach.png").touch()
    with pytest.raises(OutputError, match=r"holds other things \(beach\.png\) and no run"):
        Store.open(tmp_path, ABOUT)
    assert [p.name for p in tmp_path.iterdir()] == ["beach.png"]


def test_what_plays_no_part_in_assessing_is_taken_over(tmp_path: Path, made: MadeUp) -> None:
    entry = made.entries[0]
    pair = next(p for p in made.manifest.pairs if p.id == entry.id)
    walked = replace(pair, walked=Walked(heading_deg=5.0, outcome="tipped"))
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add(entry)
        store.add_pairs(Manifest(path=made.manifest.path, pairs=(walked,)))
    with open_run(tmp_path) as run:
        row = run.table("pairs", [pair.id])[0]
        assert (row["walked_heading_deg"], row["walked_outcome"]) == (5.0, "tipped")
        assert run.ids() == (pair.id,)


def test_a_run_that_cannot_be_written_to() -> None:
    with reachable_folder() as folder:
        Store.open(folder, ABOUT).close()
        (folder / "run.sqlite").chmod(0o444)
        folder.chmod(0o777)
        (folder / "writer.lock").unlink(missing_ok=True)
        with as_nobody(), pytest.raises(OutputError, match="cannot be written to"):
            Store.open(folder, ABOUT)


def a_file(folder: Path) -> None:
    folder.write_text("no folder")


def of_text(folder: Path) -> None:
    folder.mkdir()
    (folder / "run.sqlite").write_text("no database, but long enough to be looked at" * 50)


def a_folder(folder: Path) -> None:
    (folder / "run.sqlite").mkdir(parents=True)


def of_another_program(folder: Path) -> None:
    folder.mkdir()
    with sqlite3.connect(folder / "run.sqlite") as db:
        db.execute("CREATE TABLE notes (text)")


def of_a_newer_schema(folder: Path) -> None:
    make_run(folder, pairs=2, failures=0)
    with sqlite3.connect(folder / "run.sqlite") as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")


def damaged(folder: Path) -> None:
    make_run(folder, pairs=4, failures=0)
    file = folder / "run.sqlite"
    data = bytearray(file.read_bytes())
    data[4096:8 * 4096] = b"\xa5" * (7 * 4096)
    file.write_bytes(data)


def cut_off(folder: Path) -> None:
    make_run(folder, pairs=4, failures=0)
    os.truncate(folder / "run.sqlite", 3 * 4096)


WRONG: list[tuple[Callable[[Path], None], str]] = [
    (a_file, "is a file"), (of_text, "is no SQLite database"), (a_folder, "is a folder"),
    (of_another_program, "a database of something else"),
    (of_a_newer_schema, "newer than this hazcam knows"), (damaged, "is damaged"),
    (cut_off, "is damaged"),
]


@pytest.mark.parametrize(("make", "told"), WRONG, ids=[make.__name__ for make, _ in WRONG])
def test_what_is_no_run_is_refused(
    tmp_path: Path, make: Callable[[Path], None], told: str
) -> None:
    folder = tmp_path / "RUN"
    make(folder)
    with pytest.raises(OutputError, match=told) as caught:
        Store.open(folder, ABOUT)
    assert str(folder) in caught.value.where
    assert "another folder" in caught.value.remedy
    if folder.is_dir():
        assert not (folder / "writer.json").exists()


def test_an_empty_file_is_a_run_that_was_just_begun(tmp_path: Path, made: MadeUp) -> None:
    (tmp_path / "run.sqlite").touch()
    with pytest.raises(HazcamError, match="nothing was recorded yet"):
        open_run(tmp_path)
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)


def test_a_run_whose_beginning_was_interrupted(tmp_path: Path, made: MadeUp) -> None:
    """The tables are there, and nothing in them."""
    with sqlite3.connect(tmp_path / "run.sqlite", isolation_level=None) as db:
        migrate.create(db)
    with open_run(tmp_path) as run:
        assert not run.done
        assert run.ids() == ()
    with Store.open(tmp_path, ABOUT) as store:
        store.add_pairs(made.manifest)


def test_a_file_that_another_program_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Store.open(tmp_path, ABOUT).close()
    monkeypatch.setattr("hazcam.campaign.store.writer._BUSY_S", 0.01)
    with sqlite3.connect(tmp_path / "run.sqlite", isolation_level=None) as db:
        db.execute("BEGIN EXCLUSIVE")
        with pytest.raises(OutputError, match="is held by another program") as caught:
            Store.open(tmp_path, ABOUT)
    assert "same command again" in caught.value.remedy


@pytest.mark.parametrize(("raised", "told"), [
    (OSError(errno.ENOSPC, "No space left on device"), "no space left on its disk"),
    (OSError(errno.EROFS, "Read-only file system"), "cannot be written to: Read-only"),
    (NotImplementedError("flock"), "the file system knows no locks"),
])
def test_a_folder_that_cannot_be_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, raised: Exception, told: str
) -> None:
    def refuse(lock: object, timeout: float) -> None:
        raise raised

    monkeypatch.setattr("filelock.FileLock.acquire", refuse)
    with pytest.raises(OutputError, match=told):
        Store.open(tmp_path, ABOUT)
    assert not (tmp_path / "run.sqlite").exists()


def test_who_held_it_cannot_be_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a disk that became read-only: the lock is free all the same."""
    store = Store.open(tmp_path, ABOUT)
    with monkeypatch.context() as patch:
        def refuse(path: Path, missing_ok: bool = False) -> None:
            raise OSError(errno.EROFS, "Read-only file system")
        patch.setattr(Path, "unlink", refuse)
        store.close()
        assert (tmp_path / "writer.json").exists()
        with pytest.raises(OutputError, match="begun by hazcam"):
            Store.open(tmp_path, {**ABOUT, "hazcam": "9.9"})
    Store.open(tmp_path, ABOUT).close()


def test_the_first_error_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Store.open(tmp_path, ABOUT).close()
    release = WriterLock.release

    def fail(lock: WriterLock) -> None:
        release(lock)
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(WriterLock, "release", fail)
    with pytest.raises(OutputError, match="begun by hazcam"):
        Store.open(tmp_path, {**ABOUT, "hazcam": "9.9"})


# --- versions of the schema -----------------------------------------------------------------------


def _add_column(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE pairs ADD COLUMN colour TEXT")


def _fill_column(db: sqlite3.Connection) -> None:
    db.execute("UPDATE pairs SET colour = 'black'")


def _fail(db: sqlite3.Connection) -> None:
    db.execute("UPDATE pairs SET colour = 'red'")
    raise RuntimeError("half way")


def test_an_older_run_is_brought_up_step_by_step(tmp_path: Path) -> None:
    make_run(tmp_path / "RUN", pairs=3, failures=0, bad_rows=0)
    db = sqlite3.connect(tmp_path / "RUN" / "run.sqlite", isolation_level=None)
    migrate.migrate(db, 1, {1: _add_column, 2: _fill_column}, target=3)
    assert migrate.version_of(db) == 3
    assert db.execute("SELECT colour FROM pairs").fetchall() == [("black",)] * 3
    with pytest.raises(RuntimeError, match="half way"):
        migrate.migrate(db, 3, {3: _fail}, target=4)
    assert migrate.version_of(db) == 3
    assert db.execute("SELECT DISTINCT colour FROM pairs").fetchall() == [("black",)]
    db.close()


def test_there_is_a_step_from_every_older_version() -> None:
    assert sorted(migrate.STEPS) == list(range(1, SCHEMA_VERSION))


def test_the_writer_brings_an_older_run_up_and_the_reader_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_run(tmp_path, pairs=3, failures=0)
    for module in ("writer", "opening", "sqlite_words"):
        monkeypatch.setattr(f"hazcam.campaign.store.{module}.SCHEMA_VERSION", 2)
    with pytest.raises(HazcamError, match="older than this hazcam reads") as caught:
        open_run(tmp_path)
    assert "hazcam batch" in caught.value.remedy
    steps: dict[int, migrate.Step] = {1: _add_column}
    monkeypatch.setattr(migrate.migrate, "__defaults__", (steps, 2))
    Store.open(tmp_path, ABOUT).close()
    with open_run(tmp_path) as run:
        assert len(run.ids()) == 3
