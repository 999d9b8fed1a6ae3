"""The page of the success curves: one file that needs no network, the answer first."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from hazcam.report.page import data_uri
from hazcam.report.record import Record
from hazcam.report.tune_curve_plot import tune_curve_plot
from hazcam.report.tune_curve_record import by_conditions
from hazcam.report.tune_curve_text import (
    answer_words,
    asked_words,
    bound_rows,
    conditions_words,
    group_rows,
    outcomes_words,
    weight_words,
)
from hazcam.tuning.words import bare

_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_PAGES.filters.update(
    answer=answer_words, conditions=conditions_words, outcomes=outcomes_words, bounds=bound_rows,
    bare=bare, sentence=lambda text: f"{text[:1].upper()}{text[1:]}.")


def tune_curve_page(record: Record) -> str:
    """The page of the success curves of a table of trials.

    Parameters
    ----------
    record : dict
        From ``tune_curve_record``.
    """
    together = [
        {"groups": groups, "plot": data_uri(tune_curve_plot(groups)),
         "comparisons": [one for one in record["comparisons"]
                         if one["conditions"] == groups[0]["conditions"]]}
        for groups in by_conditions(record["groups"])]
    return _PAGES.get_template("tune_curve.html").render(
        record=record, together=together, asked=asked_words(record), weight=weight_words(record),
        rows=lambda group: group_rows(record, group))
