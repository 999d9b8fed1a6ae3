"""``hazcam tune limits``: what it refuses before it looks at the run."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from hazcam.cli import main
from hazcam.tuning.record import TrialGroup
from tests.tuning.made_up import csv_of, drawn
from tests.tuning.runs import Pair, write_run


@pytest.mark.parametrize(("groups", "found"), [
    ((drawn(1, 60),), "has no simulated trials of kind step, rover dunlin-em"),
    ((drawn(1, 60), drawn(8, 20, simulated=True, kind="drop"), drawn(9, 20, kind="drop")),
     "has no simulated trials of kind step, rover dunlin-em"),
])
def test_a_weight_that_would_do_nothing_is_refused(
    tmp_path: Path, groups: tuple[TrialGroup, ...], found: str
) -> None:
    run = write_run(tmp_path / "RUN", [Pair(walked=False)])
    (tmp_path / "t.csv").write_bytes(csv_of(groups))
    result = CliRunner().invoke(main, [
        "tune", "limits", str(run), "--trials", str(tmp_path / "t.csv"), "--risk", "0.05",
        "--kind", "step", "--simulated-weight", "1"])
    assert result.exit_code == 1
    assert f"t.csv: {found}" in result.stderr
    assert "leave --simulated-weight out" in result.stderr
    assert result.stdout == ""
