"""``hazcam manifest``: the manifest of a campaign from a folder, and what is odd about it."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from hazcam.calibration import read_rig
from hazcam.campaign.manifest.finding import (
    KINDS,
    Finding,
    hidden_files,
    side_by_side,
    unpaired,
)
from hazcam.campaign.manifest.folder import (
    FolderContents,
    entries,
    look_into,
    rows_of_folder,
    rows_of_pictures,
)
from hazcam.campaign.manifest.halves import files_of_halves, split
from hazcam.campaign.manifest.inspect import look_through
from hazcam.campaign.manifest.io import checked
from hazcam.campaign.manifest.rows import manifest_of
from hazcam.campaign.manifest.text import RawRow, form_of, write_manifest_text
from hazcam.campaign.record import Manifest
from hazcam.cli import options
from hazcam.cli.calibrate.output import refuse_to_overwrite
from hazcam.cli.calibrate.pictures import pair_pattern
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import with_progress
from hazcam.errors import OutputError, PairError
from hazcam.imagery import read_sidecar
from hazcam.imagery.header import read_header
from hazcam.imagery.naming import is_hidden, is_picture


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=options.FILE, required=True, metavar="FILE",
              help="The manifest: NAME.csv, or NAME.jsonl for JSON Lines; what is odd goes into "
                   "NAME.findings.csv beside it (kind, where, text).")
@pair_pattern
@click.option("--rig", type=options.FILE, metavar="FILE",
              help="Calibration of the two cameras (YAML) with its mount, for a folder of "
                   "pictures.")
@click.option("--rover", metavar="NAME|FILE",
              help="Name of a shipped rover, or a rover file (TOML), for a folder of pictures.")
@click.option("--side-by-side", "halves", type=options.OutputFolder(), metavar="DIR",
              help="Each picture of FOLDER holds both, the left one in its left half: split them "
                   "into DIR/NAME.left.png and DIR/NAME.right.png, lossless, and list those.")
@click.option("--force", is_flag=True, help="Overwrite the manifest, its findings, and the halves "
                                            "of --side-by-side, if they are there.")
def manifest(
    folder: Path, output: Path, pattern: str | None, rig: Path | None, rover: str | None,
    halves: Path | None, force: bool,
) -> None:
    """Write the manifest of a campaign from FOLDER, and say what is odd about its pictures.

    FOLDER holds sidecars *.pair.json, in folders too, which name pictures, rig and rover; or,
    without any or with --pair, the two pictures of each pair: give --rig and --rover. Where it
    holds no picture itself, they are sought in its folders. Time and exposure are taken from EXIF
    where both pictures state the same: from DateTimeOriginal, no other tag tells the time.

    Told are pictures without a partner, copies of each other, of different sizes, exchanged, not
    of one moment, unequally exposed, with both in one file, to be rotated by EXIF (which is never
    done), and right pictures that are one frame late or early. Nothing is left out for it: what is
    in the manifest is for you to decide. Hidden files are passed over.

    What the rover decided itself (onboard_verdict) can be compared later where it says go or
    ask-ground; other words are told.

    Exit status: 0 written, whatever is odd; 1 nothing to pair, or an input failed; 2 wrong usage;
    130 interrupted.
    """
    _check_usage(output, pattern, halves)
    with user_errors():
        _check_output(output, force)
        if not folder.is_dir():
            raise PairError(str(folder), "is not a folder" if folder.exists() else
                            "does not exist", "a folder of sidecars, or of pictures",
                            "check the path")
        base = output.parent
        if halves is None:
            contents = look_into(folder, pattern)
            odd = [*hidden_files(contents.hidden), *unpaired(contents.pictures, contents.others)]
            others = {folder / name: name for name in contents.others}
            rows = _rows_of_folder(contents, base, rig, rover, others, odd)
        else:
            odd, others = _hidden_in(folder), {}
            rows = _rows_of_halves(folder, halves, base, rig, rover, force)
        listed = checked(manifest_of(rows, output, read_sidecar, folder=base), base)
        found = _looked_through(listed, others) + odd
        _refuse_no_pair(listed, folder, found)
        _write(output, write_manifest_text(_with_ids(rows, listed), form_of(output)))
        _write(_findings_file(output), _findings_csv(found))
        click.echo(_text(listed, output, found), nl=False)


def _check_usage(output: Path, pattern: str | None, halves: Path | None) -> None:
    if output.suffix.lower() not in {".csv", ".jsonl"}:
        raise click.UsageError(f"-o {output}: the manifest is a NAME.csv or a NAME.jsonl")
    if pattern is not None and halves is not None:
        raise click.UsageError("--pair tells two pictures apart, --side-by-side splits one: give "
                               "one of the two")


def _check_output(output: Path, force: bool) -> None:
    if output.is_dir():
        raise OutputError(str(output), "is a folder", "the name of a file for the manifest",
                          f"give a file in it: {output / 'campaign.csv'}")
    if not output.parent.is_dir():
        raise OutputError(str(output), f"the folder {output.parent} does not exist",
                          "a file in a folder that is there", "make the folder, or choose another")
    refuse_to_overwrite([output, _findings_file(output)], force)


def _findings_file(output: Path) -> Path:
    return output.with_suffix(".findings.csv")


def _hidden_in(folder: Path) -> list[Finding]:
    return hidden_files([path.name for path in entries(folder)
                         if is_picture(path) and is_hidden(path.name)])


def _rows_of_folder(
    contents: FolderContents, base: Path, rig: Path | None, rover: str | None,
    others: Mapping[Path, str], odd: Sequence[Finding],
) -> list[RawRow]:
    """The rows; where there are none, what is odd is told before the error."""
    if contents.sidecars and (rig is not None or rover is not None):
        raise PairError(str(contents.folder), "holds sidecars, which name their own rig and rover",
                        "--rig and --rover for a folder of pictures only",
                        "leave them out; or give --pair to go by the pictures")
    if not contents.sidecars and not contents.pictures:
        headers = {name: read_header(path) for path, name in others.items()}
        size = None if rig is None else read_rig(rig).size
        click.echo(_findings_text([*odd, *side_by_side(headers, size)]), nl=False)
    return rows_of_folder(contents, base, rig, rover)


def _rows_of_halves(
    folder: Path, into: Path, base: Path, rig: Path | None, rover: str | None, force: bool
) -> list[RawRow]:
    """Split the pictures of a folder; the rows of the halves, with what EXIF states of each."""
    if into.resolve() == folder.resolve():
        raise OutputError(str(into), "is the folder that is split", "another folder for the halves",
                          "give --side-by-side another folder")
    files = files_of_halves(folder)
    pictures = [half for file in files for half in (file.left, file.right)]
    refuse_to_overwrite([into / half.path for half in pictures], force)
    headers = {half.path: file.header for file in files for half in (file.left, file.right)}
    rows = rows_of_pictures(pictures, into, base, rig, rover,
                            lambda path: headers[path.name])
    for _ in with_progress(split(files, into), len(files), "files split"):
        pass
    return rows


def _looked_through(listed: Manifest, others: Mapping[Path, str]) -> list[Finding]:
    """What is odd about the pictures, with a bar."""
    return look_through(listed, others,
                        lambda jobs: with_progress(jobs, len(jobs), "pairs looked at"))


def _refuse_no_pair(listed: Manifest, folder: Path, found: Sequence[Finding]) -> None:
    whole = sum(pair.sidecar.left is not None and pair.sidecar.right is not None
                for pair in listed.pairs)
    if whole:
        return
    click.echo(_findings_text(found), nl=False)
    raise PairError(str(folder), "nothing could be paired", "two pictures for each pair",
                    "see what is said of the pictures above; name them with left and right, or "
                    "say how they are named: --pair '{stem}_L.png {stem}_R.png'")


def _with_ids(rows: Sequence[RawRow], listed: Manifest) -> list[dict[str, Any]]:
    """The rows, with the id that a sidecar gives its pair."""
    ids = {pair.place: {"id": pair.id} for pair in listed.pairs}
    return [{**row.given, **ids.get(place, {})} for place, row in enumerate(rows)]


def _write(output: Path, text: str) -> None:
    try:
        output.write_bytes(text.encode())
    except OSError as error:
        raise OutputError(str(output), f"cannot be written: {error.strerror}",
                          "a folder with room that can be written to", "choose another") from error


def _text(listed: Manifest, output: Path, found: Sequence[Finding]) -> str:
    lone = sum(pair.sidecar.left is None or pair.sidecar.right is None for pair in listed.pairs)
    words = [_count(len(listed.pairs), "pair")]
    if lone:
        words.append(f"{lone} of them with one picture missing")
    if listed.bad:
        words.append(f"{_count(len(listed.bad), 'row')} that cannot be used")
    return (f"{', '.join(words)}: {output}\n{_count(len(found), 'finding')}: "
            f"{_findings_file(output)}\n{_findings_text(found)}")


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _findings_csv(found: Sequence[Finding]) -> str:
    """RFC 4180, in the order in which they are told."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(("kind", "where", "text"))
    writer.writerows((f.kind, f.where, f.text) for kind in KINDS for f in found if f.kind == kind)
    return text.getvalue()


def _findings_text(found: Sequence[Finding]) -> str:
    lines: list[str] = []
    for kind in KINDS:
        those = [finding for finding in found if finding.kind == kind]
        if those:
            lines += ["", f"{kind} ({len(those)})"]
            lines += [f"  {finding.where}: {finding.text}" for finding in those]
    return "".join(f"{line}\n" for line in lines)
