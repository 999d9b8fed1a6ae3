"""The page of a limit that was chosen: one file that needs no network, the answer first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from hazcam.report.page import data_uri
from hazcam.report.record import Record, counted
from hazcam.report.tune_curve_plot import tune_curve_plot
from hazcam.report.tune_limits_beside_plots import onboard_plot, two_limits_plot
from hazcam.report.tune_limits_plots import between_asks_plot, moves_plot, trade_off_plot
from hazcam.report.tune_limits_text import (
    answer_rows,
    answer_words,
    flip_cells,
    flips_words,
    mistake_cells,
    mistake_rows,
    rig_words,
    setting_words,
    without_words,
)
from hazcam.tuning.study import LimitStudy
from hazcam.tuning.words import measure

MOST_PICTURES = 24
MOST_LISTED = 500
_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_PAGES.filters.update(
    measure=measure, counted=counted, sentence=lambda text: f"{text[:1].upper()}{text[1:]}.")


def limits_study_page(
    record: Record, study: LimitStudy, overlay: Callable[[str], bytes]
) -> str:
    """The page of a limit.

    Parameters
    ----------
    record : dict
        From ``limits_study_record``.
    study : LimitStudy
        That it is of.
    overlay : callable
        Gives the JPEG of a pair by its id, headings and causes drawn in, as ``Run.overlay``.
    """
    flips = _flips_by_pair(record)
    shown = flips[:MOST_PICTURES]
    return _PAGES.get_template("tune_limits.html").render(
        record=record, answer=answer_words(record), rows=answer_rows(record),
        cells=mistake_cells(record), notes=mistake_rows(record), flips=flips_words(record),
        shown=[{**one, "picture": data_uri(overlay(one["pair"]), "jpeg")} for one in shown],
        listed=[flip_cells(flip, record["limit"]["unit"])
                for flip in record["flips"][:MOST_LISTED]],
        pictures=MOST_PICTURES, settings=setting_words(
            record["sensitivity"]["moves"], record["limit"]["unit"]),
        without=without_words(record["sensitivity"]["moves"], record["limit"]["unit"]),
        rig=rig_words(record), **_plots(record, study))


def _flips_by_pair(record: Record) -> list[dict[str, Any]]:
    """The pairs in the order of their riskiest flip, each with all of its flips."""
    found: dict[str, list[Record]] = {}
    for flip in record["flips"]:
        found.setdefault(flip["pair"], []).append(flip)
    return [{"pair": pair, "cells": [flip_cells(flip, record["limit"]["unit"]) for flip in flips]}
            for pair, flips in found.items()]


def _plots(record: Record, study: LimitStudy) -> dict[str, Any]:
    """The figures, as sources of images; None where there is nothing to draw."""
    return {
        "curve": data_uri(tune_curve_plot([record["curve"]])),
        "trade_off": data_uri(trade_off_plot(record, study.headings)),
        "between": data_uri(between_asks_plot(record)), "moves": data_uri(moves_plot(record)),
        "onboard": data_uri(onboard_plot(record)), "two": data_uri(two_limits_plot(record))}


__all__ = ["MOST_PICTURES", "limits_study_page"]
