"""The rovers of a run: whose a pair is, and names that stand for several."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from hazcam.campaign import open_run
from hazcam.errors import HazcamError
from hazcam.rover import read_rover
from hazcam.tuning.rovers import refuse_namesakes, rovers_of
from tests.tuning.runs import Pair, write_run


def changed(folder: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """A run of two rovers by one name: the second is the first but for a change."""
    written = write_run(folder / "RUN", [Pair()] * 2)
    with closing(sqlite3.connect(written / "run.sqlite")) as db:
        (text,), = db.execute("SELECT json FROM rovers WHERE name = 'dunlin-em'")
        rover = json.loads(text)
        change(rover)
        db.execute("UPDATE rovers SET name = 'dunlin-em', json = ? WHERE name = 'dunlin-fm'",
                   (json.dumps(rover),))
        db.commit()
    return written


def test_each_pair_has_its_rover(tmp_path: Path) -> None:
    with open_run(write_run(tmp_path / "RUN", [Pair()] * 3)) as run:
        assert rovers_of(run) == {
            "pair-00000": "dunlin-em", "pair-00001": "dunlin-fm", "pair-00002": "dunlin-em"}
        refuse_namesakes(run, "dunlin-em")
        refuse_namesakes(run, "unknown")


def test_what_differs_is_told(tmp_path: Path) -> None:
    """And nothing else, such as where a limit comes from."""
    def change(rover: dict[str, Any]) -> None:
        rover["limits"]["drop"] |= {"value": 0.0123, "source": "set by the user"}
        rover["rover"]["legs"]["length_m"] = 0.045

    em = read_rover("dunlin-em")
    with open_run(changed(tmp_path, change)) as run:
        with pytest.raises(HazcamError) as caught:
            refuse_namesakes(run, "dunlin-em")
        refuse_namesakes(run, "dunlin-fm")
    assert caught.value.found == (
        "pairs of 2 rovers that are all called dunlin-em; they differ in rover.legs.length_m "
        f"(0.045, {em.legs.length_m}), limits.drop.value (0.0123, {em.limits.drop.value})")
    assert "names of their own" in caught.value.remedy
