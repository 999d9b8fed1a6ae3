"""A rehearsal as a record of plain values: schema ``hazcam-rehearsal/2``. Pure.

- ``run``: when, of what, by which code; ``summary`` and ``comparison`` as their records, field by
  field (see :mod:`hazcam.scene.rehearsal.tables` and :mod:`hazcam.scene.rehearsal.compare`).
- Lengths are in m, angles in deg unless a ``unit`` stands beside; shares are of 1.
- ``null`` stands for what is not known, as a rate without trials.
- Version 2 added to ``summary``: ``false_go_groups``, ``needless_by_sun``, ``free_causes``,
  ``reliability`` and ``heights``; and to its ``rows`` ``free_clear_m`` and ``free_clear_ratio``.
"""

from __future__ import annotations

from dataclasses import asdict

from hazcam.report.record import Record, plain
from hazcam.scene.rehearsal.compare import Comparison
from hazcam.scene.rehearsal.ledger import Run
from hazcam.scene.rehearsal.tables import Summary
from hazcam.versions import versions

SCHEMA = "hazcam-rehearsal/2"


def rehearsal_record(run: Run, summary: Summary, comparison: Comparison | None = None) -> Record:
    """All that was found out by a rehearsal, as plain values ready for JSON."""
    return {
        "schema": SCHEMA, "hazcam": run.hazcam, "run": plain(asdict(run)),
        "summary": plain(asdict(summary)),
        "comparison": None if comparison is None else plain(asdict(comparison)),
        "versions": versions(),
    }
