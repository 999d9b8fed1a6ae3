"""Kills at random moments cost nothing: 20, seeded, of the parent or of a process that works."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign.store.schema import TABLES
from tests.campaign.driver import PAIRS, prepare

KILLS = 20
LONG_S = 120.0


def start(run: Path) -> subprocess.Popen[bytes]:
    code = ("import sys; from pathlib import Path; from tests.campaign.driver import main; "
            "main(Path(sys.argv[1]))")
    return subprocess.Popen([sys.executable, "-c", code, str(run)], stderr=subprocess.PIPE)


def finish(process: subprocess.Popen[bytes]) -> bytes:
    _, words = process.communicate(timeout=LONG_S)
    return words


def hands_of(parent: int) -> list[int]:
    """Processes that the parent started, by the kernel's list."""
    found = []
    for task in Path(f"/proc/{parent}/task").glob("*/children"):
        try:
            found += [int(pid) for pid in task.read_text().split()]
        except OSError:
            continue  # the thread has ended meanwhile
    return sorted(found)


def rows(run: Path) -> dict[str, list[tuple[object, ...]]]:
    """All tables but the timings, each sorted by its key."""
    db = sqlite3.connect(f"file:{run / 'run.sqlite'}?mode=ro", uri=True)
    found = {name: db.execute(f"SELECT * FROM {name} ORDER BY {', '.join(table.key)}").fetchall()
             for name, table in TABLES.items() if name != "timings"}
    db.close()
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kills")
    prepare(folder)
    return folder


@pytest.fixture(scope="module")
def undisturbed(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    run = folder / "undisturbed"
    process = start(run)
    assert finish(process) == b""
    assert process.returncode == 0
    found = rows(run)
    assert len(found["assessments"]) > PAIRS / 2
    return found


def settled(run: Path) -> int:
    """How many pairs are recorded; read only, so that the log stays as the kill left it."""
    try:
        db = sqlite3.connect(f"file:{run / 'run.sqlite'}?mode=ro", uri=True, timeout=10)
    except sqlite3.OperationalError:
        return 0  # no file yet
    try:
        return int(db.execute("SELECT (SELECT count(*) FROM assessments) + (SELECT count(*) "
                              "FROM failures WHERE kind != 'bad row')").fetchone()[0])
    except sqlite3.OperationalError:
        return 0  # the tables are not there yet
    finally:
        db.close()


def wait_for_progress(process: subprocess.Popen[bytes], run: Path, count: int) -> None:
    until = time.monotonic() + LONG_S
    while process.poll() is None and settled(run) < count:
        assert time.monotonic() < until
        time.sleep(0.005)


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="needs the processes of Linux: "
                    "run the tests there")
def test_20_kills_leave_the_rows_of_an_undisturbed_run(
    folder: Path, undisturbed: dict[str, list[tuple[object, ...]]]
) -> None:
    rng = np.random.default_rng(20)
    run = folder / "killed"
    process = start(run)
    parents, before = 0, []
    for _ in range(KILLS):
        # While it starts, or after some more pairs; then at any moment within the next pairs.
        if rng.random() < 0.8:
            wait_for_progress(process, run, settled(run) + int(rng.integers(1, 12)))
        time.sleep(float(rng.uniform(0, 0.1)))
        assert process.poll() is None, "the run was done too soon: make it longer"
        hands = hands_of(process.pid)
        if hands and rng.random() < 0.5:
            os.kill(int(rng.choice(hands)), signal.SIGKILL)
            continue
        process.kill()
        finish(process)
        parents += 1
        before.append(settled(run))
        process = start(run)
    words = finish(process)
    assert process.returncode == 0, words.decode()
    assert 5 <= parents <= KILLS - 5
    assert before == sorted(before), "what was recorded was lost"
    assert 0 < before[-1] < PAIRS
    found = rows(run)
    assert found.keys() == undisturbed.keys()
    for name, expected in undisturbed.items():
        assert found[name] == expected, name
    assert not list(run.glob("*-wal")), "the log is still there"
    assert len(found["pairs"]) == len(undisturbed["assessments"]) + len(undisturbed["failures"])
