"""Taking a manifest into a run: new rows, rows as before, bad ones, and pictures that changed."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hazcam.campaign.record import BadRow, CampaignPair, Manifest, Row
from hazcam.campaign.store.insert import insert
from hazcam.campaign.store.pair_rows import Seen, bad_row, failure_row, files_seen, pair_row
from hazcam.campaign.store.same_run import Named, check_names, check_pictures, check_rows
from hazcam.errors import HazcamError

DigestOfPictures = Callable[[CampaignPair], str]
"""From a pair to the digest of its pictures as they are now; raises HazcamError."""


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A manifest that fits a run.

    Attributes
    ----------
    manifest : Manifest
        As it is now.
    files : mapping of str to mapping
        ``files_seen`` by id, of each pair; of a picture that was assessed and is gone, as it was.
    assessed : mapping of str to str
        Digest of the row by id, of each pair of the run that was assessed.
    """

    manifest: Manifest
    files: Mapping[str, Mapping[str, Seen]]
    assessed: Mapping[str, str]


def look_at(
    db: sqlite3.Connection, folder: Path, manifest: Manifest,
    digest_of_pictures: DigestOfPictures | None,
) -> Looked:
    """Compare a manifest and its pictures with what the run was made from; nothing is written.

    Raises
    ------
    OutputError
        A row of a pair that was assessed says something else now, or its pictures are others.
    """
    stored, pictures = _stored(db)
    assessed = {id_: named.digest for id_, named in stored.items()}
    check_names(folder, stored, manifest)
    check_rows(folder, assessed, manifest)
    files: dict[str, Mapping[str, Seen]] = {}
    other: dict[str, str] = {}
    for pair in manifest.pairs:
        now = files_seen(pair)
        if pair.id in stored:
            before = stored[pair.id].seen
            if any(now[side] not in (None, before[side]) for side in now):
                why = _other_pictures(pair, pictures[pair.id], digest_of_pictures)
                other |= {pair.id: why} if why else {}
            now = {side: now[side] or before[side] for side in now}
        files[pair.id] = now
    check_pictures(folder, other, manifest)
    return Looked(manifest=manifest, files=files, assessed=assessed)


def _stored(db: sqlite3.Connection) -> tuple[dict[str, Named], dict[str, str]]:
    """What each assessed pair was made from, and the digest of its pictures; by its id."""
    named: dict[str, Named] = {}
    pictures: dict[str, str] = {}
    for id_, digest, left, right, seen, of_pictures in db.execute(
            "SELECT pair, row_digest, left_file, right_file, files, pictures "
            "FROM pairs JOIN assessments USING (pair)"):
        named[id_] = Named(digest=digest, files={"left": left, "right": right},
                           seen=json.loads(seen))
        pictures[id_] = of_pictures
    return named, pictures


def _other_pictures(
    pair: CampaignPair, before: str, digest_of_pictures: DigestOfPictures | None
) -> str:
    """What is other about the pictures of a pair, whose files were changed; empty: nothing."""
    if digest_of_pictures is None:
        return "another size or time of change"
    try:
        return "" if digest_of_pictures(pair) == before else "other pictures"
    except HazcamError as error:
        return error.found


@dataclass(frozen=True, kw_only=True)
class TakenIn:
    """What is to be said of a manifest that was taken in.

    Attributes
    ----------
    kept : tuple of str
        Pairs whose rows are bad now and that were assessed before: what was found then is kept.
    gone : tuple of str
        Pairs that the manifest of this name held before and does not hold any more; kept as well.
    """

    kept: tuple[str, ...]
    gone: tuple[str, ...]


def take_in(db: sqlite3.Connection, looked: Looked) -> TakenIn:
    """Write the rows of a manifest, within the transaction of the caller."""
    manifest = looked.manifest
    _forget_bad_rows(db, manifest)
    failed = dict(db.execute("SELECT pair, row_digest FROM pairs JOIN failures USING (pair)"
                             " WHERE kind != 'bad row'"))
    settled = {**looked.assessed, **failed}
    for pair in manifest.pairs:
        _add_pair(db, pair_row(pair, manifest, looked.files[pair.id]), settled)
    kept = tuple(b.failure.id for b in manifest.bad if b.failure.id in looked.assessed)
    for bad in manifest.bad:
        if bad.failure.id not in looked.assessed:
            _add_bad(db, _named_apart(db, bad, manifest), manifest)
    return TakenIn(kept=kept, gone=_gone(db, manifest))


def _gone(db: sqlite3.Connection, manifest: Manifest) -> tuple[str, ...]:
    there = {p.id for p in manifest.pairs} | {b.failure.id for b in manifest.bad}
    stored = db.execute("SELECT pair FROM pairs WHERE manifest = ? ORDER BY place",
                        (manifest.path.name,))
    return tuple(id_ for (id_,) in stored
                 if id_ not in there and not id_.endswith(f" of {manifest.path.name}"))


def forget_failures(db: sqlite3.Connection, ids: Iterable[str]) -> int:
    """Forget that some pairs failed, but for bad rows; say how many had."""
    failed = {id_ for (id_,) in db.execute("SELECT pair FROM failures WHERE kind != 'bad row'")}
    found = sorted(failed.intersection(ids))
    _forget(db, found)
    return len(found)


def _forget_bad_rows(db: sqlite3.Connection, manifest: Manifest) -> None:
    """Those of this manifest, which are found anew; those of another stay until that is read."""
    ids = [id_ for (id_,) in db.execute(
        "SELECT pair FROM failures JOIN pairs USING (pair) "
        "WHERE kind = 'bad row' AND manifest = ?", (manifest.path.name,))]
    db.executemany("DELETE FROM pairs WHERE pair = ?", [(id_,) for id_ in ids])
    _forget(db, ids)


def _forget(db: sqlite3.Connection, ids: Sequence[str]) -> None:
    for table in ("failures", "timings"):
        db.executemany(f"DELETE FROM {table} WHERE pair = ?", [(id_,) for id_ in ids])


def _add_pair(db: sqlite3.Connection, row: Row, settled: Mapping[str, str]) -> None:
    insert(db, "pairs", [row])
    if settled.get(str(row["pair"])) != row["row_digest"]:
        _forget(db, [str(row["pair"])])


def _add_bad(db: sqlite3.Connection, bad: BadRow, manifest: Manifest) -> None:
    _forget(db, [bad.failure.id])
    insert(db, "pairs", [bad_row(bad, manifest)])
    insert(db, "failures", [failure_row(bad.failure)])


def _named_apart(db: sqlite3.Connection, bad: BadRow, manifest: Manifest) -> BadRow:
    """The row under a name of its own where a bad one of another manifest has its name."""
    id_ = bad.failure.id
    if not db.execute("SELECT 1 FROM failures WHERE kind = 'bad row' AND pair = ?",
                      (id_,)).fetchone():
        return bad
    return replace(bad, failure=replace(bad.failure, id=f"{id_} of {manifest.path.name}"))
