"""Writing the results of a pair into its folder, and reading a record back."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hazcam.assess import Assessment
from hazcam.errors import HazcamError, OutputError
from hazcam.frames import heading_text
from hazcam.report.depth_map import depth_picture, depth_tiff
from hazcam.report.overhead import map_figure
from hazcam.report.overlay import overlay_figure
from hazcam.report.page import folder_page, page, thumbnail
from hazcam.report.record import SCHEMA, Record, as_record, to_json
from hazcam.report.rig_card import rig_card_figure, rig_card_record, rig_card_text
from hazcam.report.section import section_figure
from hazcam.report.section_record import section_along, section_record
from hazcam.rig_card import RigCard, rig_card
from hazcam.stored_npz import demands_bytes, terrain_bytes
from hazcam.verdict import CrossSection, best_heading

_STEREO_ONLY = ("map.png", "depth.tiff", "terrain.npz", "demands.npz")
_KEYS = ("schema", "hazcam", "id", "headings", "suggestion", "settings", "digests", "versions",
         "inputs")


def write_assessment(assessment: Assessment, folder: Path, inputs: Mapping[str, Any]) -> Record:
    """Write assessment.json, overlay.png, map.png, depth.tiff, page.html and the two stores.

    A pair with one picture missing has no map, no depth and no stores; those of an earlier run are
    removed. Each file is written beside its place and moved there, so none is ever half written.

    Parameters
    ----------
    assessment : Assessment
        What to write.
    folder : Path
        The pair's own folder; made if it is not there.
    inputs : mapping
        For the record: paths relative to ``folder``, and the options.

    Returns
    -------
    dict
        The record that was written.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    record = as_record(assessment, inputs=inputs)
    pictures = {"overlay.png": overlay_figure(assessment)}
    depth = None
    if assessment.terrain is not None and assessment.points is not None:
        pictures["map.png"] = map_figure(assessment, assessment.terrain)
        pictures["depth.tiff"] = depth_tiff(assessment.points)
        depth = depth_picture(assessment.points)
    html = page(record, overlay=pictures["overlay.png"], terrain=pictures.get("map.png"),
                depth=depth, sections=_sections(assessment), card=_card(assessment, record))
    prepare_folder(folder)
    files = {**pictures, **_stores(assessment, record)}
    for name in _STEREO_ONLY:
        if name not in files:
            _remove(folder / name)
    for name, data in files.items():
        _write(folder / name, data)
    _write(folder / "page.html", html.encode())
    # Last, so that a record never stands beside the pictures of an earlier run.
    _write(folder / "assessment.json", to_json(record).encode())
    return record


def _stores(assessment: Assessment, record: Record) -> dict[str, bytes]:
    """What the pair can be judged from again; nothing where there was no stereo."""
    if assessment.terrain is None:
        return {}
    return {"terrain.npz": terrain_bytes(assessment, assessment.terrain, record),
            "demands.npz": demands_bytes(assessment, record)}


def _card(assessment: Assessment, record: Record) -> bytes | None:
    """The rig card, if a heading reaches beyond what the rig shows."""
    if all(heading["beyond_rig"] is None for heading in record["headings"]):
        return None
    return rig_card_figure(rig_card(assessment.rig, assessment.rover))


def _sections(assessment: Assessment) -> dict[float, bytes]:
    """The sections that the page shows, by heading: straight ahead, and the heading to take."""
    if assessment.terrain is None:
        return {}
    judged = {v.heading_deg for v in assessment.verdicts}
    shown = dict.fromkeys((0.0, best_heading(assessment.verdicts).heading_deg))
    return {heading: section_figure(assessment, section_along(assessment, heading))
            for heading in shown if heading in judged}


def write_section(
    assessment: Assessment, section: CrossSection, folder: Path, inputs: Mapping[str, Any]
) -> Record:
    """Write the section of one heading: section-HEADING.png, and section-HEADING.json last.

    Parameters
    ----------
    assessment : Assessment
        That the section was cut from.
    section : CrossSection
        From ``section_along``.
    folder : Path
        The pair's own folder; made if it is not there.
    inputs : mapping
        As for ``write_assessment``.

    Returns
    -------
    dict
        The record that was written.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    record = section_record(assessment, section, inputs=inputs)
    picture = section_figure(assessment, section)
    prepare_folder(folder)
    name = "section-" + heading_text(section.heading_deg).replace("°", "").replace(" ", "-")
    _write(folder / f"{name}.png", picture)
    _write(folder / f"{name}.json", to_json(record).encode())
    return record


def write_index(
    folder: Path, records: Sequence[Record], failures: Mapping[str, str],
    not_begun: Sequence[str] = (),
) -> None:
    """Write index.html, which links the page of each pair of a folder.

    ``not_begun`` are the pairs that an interrupted run left out; they are named.

    Raises
    ------
    OutputError
        The folder cannot be written to.
    """
    thumbnails = {r["id"]: thumbnail((folder / r["id"] / "overlay.png").read_bytes())
                  for r in records}
    _write(folder / "index.html", folder_page(records, failures, thumbnails, not_begun).encode())


def write_rig_card(card: RigCard, folder: Path) -> None:
    """Write rig_card.png, rig_card.txt and rig_card.json; the folder is made if it is not there.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    record = rig_card_record(card)
    prepare_folder(folder)
    _write(folder / "rig_card.png", rig_card_figure(card))
    _write(folder / "rig_card.txt", rig_card_text(record).encode())
    _write(folder / "rig_card.json", to_json(record).encode())


def write_files(folder: Path, texts: Mapping[str, str | bytes]) -> None:
    """Write texts or bytes by the names of their files, in order; the folder is made if need be.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    prepare_folder(folder)
    for name, text in texts.items():
        _write(folder / name, text if isinstance(text, bytes) else text.encode())


def prepare_folder(folder: Path) -> None:
    """Make a folder for results.

    Raises
    ------
    OutputError
        It is a file, or cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise OutputError(str(folder), "is a file, or lies below one", "a folder for the results",
                          "give another folder") from error
    except OSError as error:
        raise OutputError(str(folder), f"cannot be made: {error.strerror}",
                          "a folder for the results",
                          "check its permissions, or give another folder") from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(str(folder), "cannot be written to", "a folder for the results",
                          "check its permissions, or give another folder")


def read_record(path: Path) -> tuple[Record, str]:
    """Read an assessment.json; also return its text.

    Raises
    ------
    HazcamError
        A file that cannot be read, or is no record of this schema.
    """
    what = f"an assessment.json of schema {SCHEMA}"
    try:
        text = path.read_text(encoding="utf-8")
        record = json.loads(text)
    except OSError as error:
        raise HazcamError(str(path), f"cannot be read: {error.strerror}", what,
                          "check the path") from error
    except ValueError as error:
        raise HazcamError(str(path), f"broken JSON: {error}", what,
                          "assess the pair again") from error
    schema = record.get("schema") if isinstance(record, dict) else None
    if schema != SCHEMA:
        raise HazcamError(f"{path}: schema", f"found {schema!r}", SCHEMA,
                          "give the assessment.json that `hazcam assess -o` wrote")
    missing = [key for key in _KEYS if key not in record]
    if missing:
        raise HazcamError(str(path), f"missing keys: {', '.join(missing)}", what,
                          "assess the pair again")
    return record, text


def _write(path: Path, data: bytes) -> None:
    """Write beside the place, then move there."""
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except OSError as error:
        raise OutputError(str(path), f"cannot be written: {error.strerror}",
                          "a folder that can be written to",
                          "check its permissions and the free space, or give another folder",
                          ) from error


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(str(path), f"cannot be removed: {error.strerror}",
                          "a folder that can be written to", "check its permissions") from error
