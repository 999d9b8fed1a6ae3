"""Writing the report of a campaign: one page, or a folder of pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from hazcam.campaign.store.reader import Run
from hazcam.campaign.summary.summary import READ, summarise
from hazcam.campaign.summary.tally import Tables
from hazcam.errors import OutputError
from hazcam.report.campaign_csv import campaign_tables_csv
from hazcam.report.campaign_page import (
    CampaignReport,
    campaign_report,
    campaign_style,
    index_page,
    pair_page,
    sheet_page,
    small,
)
from hazcam.report.campaign_sets import PAIRS_A_SHEET
from hazcam.report.write import prepare_folder, write_files

SINGLE, INDEX = "report.html", "index.html"
_STYLE = "campaign.css"
_FOLDERS = ("sheets", "pairs", "pictures", "thumbs")
# Of a run that is being written, what came since its assessments were read is left out.
_OF_ASSESSED = ("headings", "pictures", "spots", "drifts")
Progress = Callable[[Iterable[int], int], Iterable[int]]


@dataclass(frozen=True, kw_only=True)
class Written:
    """What was written: the page to open, how many files, and how large they are together."""

    page: Path
    files: int
    size_bytes: int


def read_tables(run: Run) -> Tables:
    """The tables of a run that a report is made of, all of the same pairs."""
    assessed = run.table("assessments")
    tables = {name: assessed if name == "assessments" else run.table(name, columns=columns)
              for name, columns in READ.items()}
    if run.done:
        return tables
    known = set(assessed["pair"].tolist())
    return {name: table[[id_ in known for id_ in table["pair"].tolist()]]
            if name in _OF_ASSESSED else table for name, table in tables.items()}


def run_report(run: Run) -> CampaignReport:
    """What the pages of a run are made of."""
    tables = read_tables(run)
    return campaign_report(run.file.resolve().parent.name, run.about, tables,
                           summarise(tables, run.record),
                           finished=run.done, overlay=run.overlay)


def write_campaign(
    report: CampaignReport, folder: Path, progress: Progress = lambda sheets, total: sheets
) -> Written:
    """Write the report of a campaign.

    Up to ``MOST_PAIRS_ON_A_PAGE`` pairs: ``report.html``, which holds everything. Else
    ``index.html`` with the figures, ``sheets/`` of pictures, ``pairs/`` with a page each, their
    ``pictures/`` and ``thumbs/``, and tables as CSV. Pages of an earlier report that are no longer
    part of it are removed. The same run gives the same bytes.

    Parameters
    ----------
    report : CampaignReport
        From ``run_report``.
    folder : Path
        Made if it is not there.
    progress : callable
        Passes the sheets of pairs on, of a number that it is told, as they are written.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    _forget_page(folder)
    written = _Count(folder)
    if not report.single:
        written.add("", {_STYLE: campaign_style(),
                         **campaign_tables_csv(report.summary, report.pairs.lines)})
        for name, files in _pairs(report, progress):
            written.add(name, files)
        for shown in report.sets:
            written.add("sheets", {shown.file(i): sheet_page(shown, i)
                                   for i in range(len(shown.sheets))})
    page = SINGLE if report.single else INDEX
    written.add("", {page: index_page(report)})  # last: what it leads to is there
    _remove_others(folder, written.names)
    return Written(page=folder / page, files=len(written.names), size_bytes=written.size_bytes)


def _forget_page(folder: Path) -> None:
    """No page of an earlier report while its parts are being replaced."""
    prepare_folder(folder)
    for name in (SINGLE, INDEX):
        _unlink(folder / name)


def _pairs(
    report: CampaignReport, progress: Progress
) -> Iterator[tuple[str, Mapping[str, str | bytes]]]:
    """Pages and pictures of the pairs, a sheet at a time."""
    lines, all_ = report.pairs.lines, report.sets[0]
    starts = range(0, len(lines), PAIRS_A_SHEET)
    for i in progress(starts, len(starts)):
        here = range(i, min(i + PAIRS_A_SHEET, len(lines)))
        overlays = {f"{lines[k].id}.jpg": report.overlay(lines[k].id) for k in here
                    if lines[k].state == "assessed"}
        yield "pictures", overlays
        yield "thumbs", {name: small(picture) for name, picture in overlays.items()}
        yield "pairs", {
            f"{lines[k].id}.html": pair_page(
                report.pairs.page(lines[k]), sheet=all_.file(k // PAIRS_A_SHEET),
                before=lines[k - 1] if k else None,
                after=lines[k + 1] if k + 1 < len(lines) else None)
            for k in here}


class _Count:
    """Writes files below a folder, and counts them."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.names: set[str] = set()
        self.size_bytes = 0

    def add(self, below: str, files: Mapping[str, str | bytes]) -> None:
        data = {name: text if isinstance(text, bytes) else text.encode()
                for name, text in files.items()}
        if data:
            write_files(self._folder / below, data)
        self.names |= {f"{below}/{name}" if below else name for name in data}
        self.size_bytes += sum(map(len, data.values()))


def _remove_others(folder: Path, names: set[str]) -> None:
    """Remove what an earlier report left in the folders that are ours."""
    for below, ending in zip(_FOLDERS, ("html", "html", "jpg", "jpg"), strict=True):
        for path in (folder / below).glob(f"*.{ending}"):
            if f"{below}/{path.name}" not in names:
                _unlink(path)


def _unlink(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(str(path), f"cannot be removed: {error.strerror}",
                          "a folder that can be written to", "check its permissions") from error
