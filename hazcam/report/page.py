"""The page: the record and the figures as one file that needs no network."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from hazcam.frames import heading_text
from hazcam.report.record import Record
from hazcam.report.text import (
    count_text,
    detail_rows,
    heading_rows,
    statements,
    summary_cells,
)

_THUMBNAIL_PX = 300  # twice what is shown, for fine screens
_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)


def page(
    record: Record, *, overlay: bytes, terrain: bytes | None, depth: bytes | None,
    sections: Mapping[float, bytes], card: bytes | None,
) -> str:
    """The page of one pair.

    Parameters
    ----------
    record : dict
        From ``as_record``.
    overlay, terrain, depth : bytes or None
        PNG of the overlay, of the map from above and of the depth map; None where there is none.
    sections : mapping of float to bytes
        PNG of the cross-section by heading [deg], in the order in which to show them.
    card : bytes or None
        PNG of the rig card; None where no heading reaches beyond what the rig shows.
    """
    ahead = next((r for r in heading_rows(record) if r["heading_deg"] == 0), None)
    return _PAGES.get_template("page.html").render(
        record=record, rows=heading_rows(record), statements=statements(record)[1:],
        details=detail_rows(record), ahead=ahead,
        ahead_is_said=ahead is not None and _is_said(ahead, record["suggestion"]["text"]),
        overlay=data_uri(overlay), terrain=data_uri(terrain), depth=data_uri(depth),
        card=data_uri(card),
        sections={heading: data_uri(picture) for heading, picture in sections.items()},
    )


def _is_said(ahead: Record, suggestion: str) -> bool:
    """Does the suggestion already say how far straight ahead is clear, and why no farther?"""
    return "straight ahead" in suggestion and ahead["reason"] in suggestion


def folder_page(
    records: Sequence[Record], failures: Mapping[str, str], thumbnails: Mapping[str, bytes],
    not_begun: Sequence[str] = (),
) -> str:
    """The page of a folder: each pair with its verdict, linked to its own page.

    Parameters
    ----------
    records : sequence of dict
        Of the pairs that were assessed.
    failures : mapping of str to str
        Name and reason of each pair that was not.
    thumbnails : mapping of str to bytes
        JPEG by pair id.
    not_begun : sequence of str
        Names of the pairs that an interrupted run left out.
    """
    pairs = [{"record": r, "cells": summary_cells(r),
              "thumbnail": data_uri(thumbnails[r["id"]], "jpeg")} for r in records]
    return _PAGES.get_template("index.html").render(
        pairs=pairs, failures=failures, not_begun=not_begun, strips=_strips(records),
        counts=count_text(len(records), failures, not_begun))


def _strips(records: Sequence[Record]) -> str:
    """How far ground out of view was assumed clear, once for all pairs of a folder."""
    far = sorted({f"{r['near_strip']['max_m']:.2f}" for r in records if r["near_strip"]["max_m"]})
    if not far:
        return "No ground out of view is assumed clear."
    return ("Ground out of view of the cameras is assumed clear near the rover: up to "
            f"{' or '.join(far)} m from the nose; how much of a clear distance that is stands in "
            "brackets.")


def thumbnail(picture: bytes) -> bytes:
    """A small JPEG of a PNG."""
    pixels = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert pixels is not None  # it is our own picture
    height = round(_THUMBNAIL_PX * pixels.shape[0] / pixels.shape[1])
    small = cv2.resize(pixels, (_THUMBNAIL_PX, height), interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])[1])


def data_uri(picture: bytes | None, form: str = "png") -> Markup | None:
    """A picture as the source of an image within the page; None stays None."""
    if picture is None:
        return None
    return Markup(f"data:image/{form};base64,{base64.b64encode(picture).decode('ascii')}")


def _number(value: float | None, digits: int, unit: str = "") -> str:
    """A number with its unit; words where it is not known."""
    if value is None:
        return "not known"
    return f"{value:.{digits}f}{' ' if unit else ''}{unit}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


_PAGES.filters["heading"] = heading_text
_PAGES.filters["number"] = _number
_PAGES.filters["percent"] = _percent
