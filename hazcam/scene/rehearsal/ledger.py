"""The ledger: one line per limit of each rehearsal of a report block, appended and never changed.

A final figure comes from a block that was never run before; the ledger is how that is known. The
lines are appended when a run is done: one that was stopped before its end leaves none.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import hazcam
from hazcam.errors import HazcamError
from hazcam.scene.io import write_whole
from hazcam.scene.mixtures import block_number
from hazcam.scene.rehearsal.rates import Rate
from hazcam.scene.rehearsal.record import SceneScore
from hazcam.scene.rehearsal.tables import MainRow, Summary

COLUMNS = (
    "date", "commit", "hazcam", "code_digest", "block", "set_digest", "rig", "rover", "matcher",
    "mixtures", "sun_deg", "scenes", "scored", "limit_m", "look_ahead_m", "verdict_confidence",
    "blocked_scenes", "false_go_scenes", "false_go_scenes_bound95",
    "blocked", "false_go", "false_go_bound95",
    "free", "needless", "free_observable", "needless_observable",
    "free_own_strip", "needless_own_strip",
    "free_observable_own_strip", "needless_observable_own_strip",
    "false_go_scenes_own_strip", "false_go_scenes_bound95_own_strip",
    "blocked_can_go_scenes_own_strip", "false_go_can_go_scenes_own_strip",
    "false_go_can_go_scenes_bound95_own_strip", "fresh",
)
UNKNOWN = "unknown"
TUNE_BLOCK, BY_HAND = "tune", "made by hand"
_REPORT = "report-"
_LAST_REPORT_BLOCK = 999_999
_PACKAGE = Path(hazcam.__file__).parent

LedgerRow = dict[str, str]


class LedgerError(HazcamError):
    """A ledger that cannot be used."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """One rehearsal: when, of what, by which code.

    Attributes
    ----------
    date : str
        UTC, ISO 8601.
    commit : str
        Of the code, with ``+dirty`` where its sources differ from it; ``unknown`` outside git.
    hazcam, code_digest : str
        Version; SHA-256 of the sources.
    block, set_digest : str
        Seed block, or how else the set is called; SHA-256 of its pairs.
    rig, rig_digest, rover, rover_digest : str
        Names and digests.
    fresh : bool
        The block is a report block that no earlier line of the ledger holds; False as well where
        no ledger could tell.
    """

    date: str
    commit: str
    hazcam: str
    code_digest: str
    block: str
    set_digest: str
    rig: str
    rig_digest: str
    rover: str
    rover_digest: str
    fresh: bool


def code_digest(package: Path = _PACKAGE) -> str:
    """SHA-256 of the names and bytes of all Python sources of the package, in order of name."""
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py"), key=lambda p: p.relative_to(package).as_posix()):
        source = path.read_bytes()
        # with its length, so that bytes cannot move from one file to the next
        digest.update(f"{path.relative_to(package).as_posix()}\n{len(source)}\n".encode())
        digest.update(source)
    return digest.hexdigest()


def commit_of(package: Path = _PACKAGE) -> str:
    """Commit of the sources, with ``+dirty`` where they differ from it; else ``unknown``."""
    # an installed copy may lie inside some other repository, which does not hold it
    if not _git(package, "ls-files", "--", "."):
        return UNKNOWN
    commit, changed = _git(package, "rev-parse", "HEAD"), _git(package, "status", "--porcelain",
                                                               "--", ".")
    if not commit or changed is None:
        return UNKNOWN
    return f"{commit}+dirty" if changed else commit


def _git(folder: Path, *arguments: str) -> str | None:
    try:
        done = subprocess.run(["git", *arguments], cwd=folder, capture_output=True, text=True,
                              check=True)
    except (OSError, subprocess.CalledProcessError):
        return None
    return done.stdout.strip()


def set_digest(scores: Sequence[SceneScore]) -> str:
    """SHA-256 of the names and digests of all pairs, in order of name."""
    lines = sorted(f"{score.pair} {score.digest}" for score in scores)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def block_of_seed(seed: Sequence[int]) -> str:
    """Seed block that a scene was drawn from: ``tune``, ``report-N``, or ``made by hand``."""
    if seed[0] == block_number(TUNE_BLOCK):
        return TUNE_BLOCK
    number = seed[0] - block_number(f"{_REPORT}1") + 1
    return f"{_REPORT}{number}" if 1 <= number <= _LAST_REPORT_BLOCK else BY_HAND


def is_report_block(block: str) -> bool:
    """True for ``report-N``: a block whose figures are to be quoted."""
    return block.startswith(_REPORT)


def block_of_set(seeds: Sequence[Sequence[int]], folder: str) -> str:
    """What a set is called: its seed block, or else its folder.

    A set of scenes that were made by hand, or of no block alone, has the name of its ``folder``,
    unless that would read as a block.

    Raises
    ------
    HazcamError
        Scenes of a report block beside others.
    """
    blocks = sorted({block_of_seed(seed) for seed in seeds})
    if len(blocks) > 1 and any(map(is_report_block, blocks)):
        raise HazcamError("the set", f"mixes scenes of {' and '.join(blocks)}",
                          "a report block by itself, as its figures are quoted",
                          "put the scenes of each block into a folder of its own")
    if len(blocks) == 1 and blocks[0] != BY_HAND:
        return blocks[0]
    return BY_HAND if is_report_block(folder) or folder in ("", TUNE_BLOCK) else folder


def was_run(ledger: Path, block: str) -> LedgerRow | None:
    """First line of the ledger that holds the block; None if none does.

    Raises
    ------
    LedgerError
        The ledger cannot be read, or is no ledger of this kind.
    """
    return next((row for row in read_ledger(ledger) if row["block"] == block), None)


def is_fresh(ledger: Path, block: str) -> bool:
    """True for a report block that no line of the ledger holds.

    Raises
    ------
    LedgerError
        As :func:`was_run`.
    """
    return is_report_block(block) and was_run(ledger, block) is None


def read_ledger(ledger: Path) -> list[LedgerRow]:
    """All lines, the oldest first; none if there is no such file yet.

    Raises
    ------
    LedgerError
        The ledger cannot be read, or is no ledger of this kind.
    """
    rows = list(csv.reader(io.StringIO(_text(ledger), newline="")))
    if not rows:
        return []
    header, *lines = rows
    if tuple(header) != COLUMNS:
        raise LedgerError(f"{ledger}: line 1", f"another header: {_differing(header)}",
                          f"the columns {', '.join(COLUMNS)}",
                          "give another ledger, or move this one away and begin a new one")
    for number, line in enumerate(lines, start=2):
        if len(line) != len(COLUMNS):
            raise LedgerError(f"{ledger}: row {number}", f"{len(line)} values",
                              f"{len(COLUMNS)} values, one per column",
                              "restore the line as it was committed")
    return [dict(zip(COLUMNS, line, strict=True)) for line in lines]


def append_run(ledger: Path, run: Run, summary: Summary) -> None:
    """Append one line per limit, at the look-ahead of the headline, for the matched sensor.

    Raises
    ------
    LedgerError
        The ledger is of another kind; nothing is written then.
    OutputError
        It cannot be written.
    """
    read_ledger(ledger)
    text = _text(ledger)
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    if not text.strip():
        text = ""
        writer.writeheader()
    elif not text.endswith("\n"):
        text += "\n"
    writer.writerows(ledger_rows(run, summary))
    write_whole(ledger, (text + stream.getvalue()).encode())


def ledger_rows(run: Run, summary: Summary) -> list[LedgerRow]:
    """What :func:`append_run` appends."""
    about = {
        "date": run.date, "commit": run.commit, "hazcam": run.hazcam,
        "code_digest": run.code_digest, "block": run.block, "set_digest": run.set_digest,
        "rig": run.rig, "rover": run.rover, "matcher": summary.plan.matcher,
        "mixtures": " ".join(f"{name}:{count}" for name, count in summary.mixtures.items()),
        "sun_deg": _sun(summary), "scenes": str(summary.scenes), "scored": str(summary.scored),
        "verdict_confidence": f"{summary.plan.confidence:g}", "fresh": "yes" if run.fresh else "no",
    }
    return [about | _results(summary, limit_m) for limit_m in summary.plan.limits_m]


def _sun(summary: Summary) -> str:
    if summary.sun_deg is None:
        return "none"
    low, high = summary.sun_deg
    return f"{low:.1f}:{high:.1f}" + (f" none:{summary.without_sun}" if summary.without_sun else "")


def _results(summary: Summary, limit_m: float) -> LedgerRow:
    default = summary.row("matched", "straight ahead", limit_m)
    own = summary.row("matched", "own", limit_m)
    row = {"limit_m": f"{limit_m:g}", "look_ahead_m": f"{summary.look_ahead_m:g}"}
    return row | _default_results(default) | _own_results(own)


def _default_results(row: MainRow | None) -> LedgerRow:
    if row is None:
        return dict.fromkeys((
            "blocked_scenes", "false_go_scenes", "false_go_scenes_bound95", "blocked", "false_go",
            "false_go_bound95", "free", "needless", "free_observable", "needless_observable"), "")
    rates = row.rates
    return {
        **_counts("blocked_scenes", "false_go_scenes", rates.false_go_scenes),
        "false_go_scenes_bound95": _bound(rates.false_go_scenes),
        **_counts("blocked", "false_go", rates.false_go),
        "false_go_bound95": _bound(rates.false_go),
        **_counts("free", "needless", rates.needless),
        **_counts("free_observable", "needless_observable", rates.needless_observable),
    }


def _own_results(row: MainRow | None) -> LedgerRow:
    if row is None:
        return dict.fromkeys((name for name in COLUMNS if name.endswith("own_strip")), "")
    rates = row.rates
    return {
        **_counts("free_own_strip", "needless_own_strip", rates.needless),
        **_counts("free_observable_own_strip", "needless_observable_own_strip",
                  rates.needless_observable),
        "false_go_scenes_own_strip": str(rates.false_go_scenes.count),
        "false_go_scenes_bound95_own_strip": _bound(rates.false_go_scenes),
        **_counts("blocked_can_go_scenes_own_strip", "false_go_can_go_scenes_own_strip",
                  rates.false_go_can_go_scenes),
        "false_go_can_go_scenes_bound95_own_strip": _bound(rates.false_go_can_go_scenes),
    }


def _counts(of: str, count: str, rate: Rate) -> LedgerRow:
    return {of: str(rate.of), count: str(rate.count)}


def _bound(rate: Rate) -> str:
    return "" if math.isnan(rate.rate) else f"{rate.high:.6f}"


def _text(ledger: Path) -> str:
    try:
        return ledger.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise LedgerError(str(ledger), f"cannot be read ({error})", "a ledger in CSV",
                          "check the path and its permissions") from error


def _differing(header: Sequence[str]) -> str:
    """What a header has too much, and what it lacks."""
    extra = [name for name in header if name not in COLUMNS]
    lacking = [name for name in COLUMNS if name not in header]
    words = [f"{what} {', '.join(names)}" for what, names in (("has", extra), ("lacks", lacking))
             if names]
    return "; ".join(words) or "the columns in another order"
