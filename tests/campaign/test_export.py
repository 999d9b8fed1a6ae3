"""The text of the tables: read back by other readers, nothing lost."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.campaign.store.export import EXPORTED, schema_text, table_lines
from hazcam.campaign.store.schema import TABLES
from tests.campaign.entries import make_run


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    folder = tmp_path_factory.mktemp("export") / "RUN"
    make_run(folder, pairs=12)
    with open_run(folder) as run:
        yield run


@pytest.mark.parametrize("name", EXPORTED)
def test_csv_holds_every_value(run: Run, name: str) -> None:
    rows = run.table(name)
    text = "".join(table_lines(name, run.rows(name), "csv"))
    head, *lines = csv.reader(io.StringIO(text, newline=""))
    assert tuple(head) == rows.dtype.names
    assert len(lines) == len(rows) > 0
    for at, column in enumerate(head):
        told = [line[at] for line in lines]
        if rows.dtype[column].kind == "f":
            numbers = np.array([float(word) if word else np.nan for word in told])
            np.testing.assert_array_equal(numbers, rows[column])
        else:
            assert told == [str(value) for value in rows[column]]


@pytest.mark.parametrize("name", EXPORTED)
def test_json_lines_hold_every_value(run: Run, name: str) -> None:
    rows = run.table(name)
    lines = [json.loads(line, parse_constant=pytest.fail)
             for line in table_lines(name, run.rows(name), "jsonl")]
    assert len(lines) == len(rows) > 0
    for line, row in zip(lines, rows, strict=True):
        assert (line.pop("schema"), line.pop("table")) == ("hazcam-run/1", name)
        assert tuple(line) == rows.dtype.names
        for column in TABLES[name].columns:
            value = row[column.name].item()
            if line[column.name] is None:
                assert column.null
                assert value == "" or value != value
            else:
                assert line[column.name] == value


def test_csv_quotes_what_a_reader_would_take_apart() -> None:
    """RFC 4180, by hand: quotes doubled, the field in quotes, lines end in CR LF."""
    assert list(table_lines("about", [("note", 'dusk, "red"\nsky')], "csv")) == [
        "name,value\r\n", 'note,"dusk, ""red""\nsky"\r\n']


def test_rows_are_told_as_they_are_asked_for() -> None:
    """However many there are: no more than one is held."""
    asked: list[int] = []

    def rows() -> Iterator[tuple[str, str]]:
        for n in range(1000):
            asked.append(n)
            yield str(n), "value"

    lines = table_lines("about", rows(), "jsonl")
    assert json.loads(next(lines))["name"] == "0"
    assert asked == [0]


def test_the_schema_is_told_to_the_last_column() -> None:
    text = schema_text()
    assert text.startswith("schema hazcam-run/1")
    for table in TABLES.values():
        part = text.split(f"\n{table.name}: ")[1].split("\n\n")[0]
        for column in table.columns:
            assert any(line.split()[0] == column.name and column.says in line
                       for line in part.splitlines()[1:])


def test_a_table_is_there_for_every_column_documented(tmp_path: Path) -> None:
    """The declaration gives the tables: what is told is what SQLite has."""
    import sqlite3

    make_run(tmp_path, pairs=4)
    with sqlite3.connect(tmp_path / "run.sqlite") as db:
        for table in TABLES.values():
            there = db.execute(f"PRAGMA table_info({table.name})").fetchall()
            assert [(c[1], c[2].lower(), not c[3]) for c in there] == [
                (c.name, c.kind, c.null) for c in table.columns]
