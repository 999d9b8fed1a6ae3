"""The single pairs of a campaign as their sheets and pages show them, from the tables of a run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from hazcam.campaign.summary.against import Rows
from hazcam.campaign.summary.course import moments
from hazcam.campaign.summary.summary import QUALITY
from hazcam.campaign.summary.tally import Groups, Tables, named
from hazcam.frames import heading_text
from hazcam.report.campaign_words import failure_word, length_text, reason_text
from hazcam.report.record import Record
from hazcam.report.text import chance_text

_QUALITY_WORDS = {"mean_grey": "mean grey", "saturated": "saturated", "dark": "too dark",
                  "blur": "blur", "lost": "lost blocks"}


@dataclass(frozen=True, kw_only=True)
class PairLine:
    """A pair in a sheet or list.

    Attributes
    ----------
    id, when, day, rover, site : str
        Which, and as stated; the rover that was assessed for.
    state : str
        ``assessed``, ``failed`` or ``not tried yet``.
    ahead, verdict : str
        Straight ahead (empty: not judged), and of any heading; empty where not assessed.
    headings, headings_go : int
        Judged, and of them go.
    usable : bool
        Nothing speaks against the whole pair.
    clear_m : float
        Along the suggested heading. [m]
    why : str
        First cause straight ahead, or how the pair failed.
    suggestion : str
        In words.
    """

    id: str
    when: str
    day: str
    rover: str
    site: str
    state: str
    ahead: str = ""
    verdict: str = ""
    headings: int = 0
    headings_go: int = 0
    usable: bool = False
    clear_m: float = float("nan")
    why: str = ""
    suggestion: str = ""

    @property
    def where(self) -> str:
        """Rover, day and site; what is not stated says so."""
        return " · ".join((self.rover, self.day, self.site))


class CampaignPairs:
    """All pairs of a run, in order of time (those without one last), then of id.

    Parameters
    ----------
    tables : mapping of str to structured array
        As for ``summarise``.

    Attributes
    ----------
    lines : tuple of PairLine
        In that order.
    """

    def __init__(self, tables: Tables) -> None:
        pairs = tables["pairs"]
        self._pairs, self._groups = pairs, Groups.of(tables)
        self._index = self._groups.index
        self._rigs = named(tables["rigs"])
        self._single = {name: _by_pair(tables[name]) for name in
                        ("assessments", "failures", "drifts")}
        self._many = {name: _Runs(tables[name]) for name in ("headings", "pictures")}
        taken = moments(pairs["taken_at"].tolist())
        order = np.lexsort((pairs["pair"], np.where(np.isnan(taken), np.inf, taken)))
        self.lines = tuple(self._line(int(i)) for i in order)

    def _line(self, i: int) -> PairLine:
        row = self._pairs[i]
        id_ = str(row["pair"])
        line: dict[str, Any] = {
            "id": id_, "when": str(row["taken_at"]), "day": str(self._groups.day[i]),
            "rover": str(self._groups.rover[i]), "site": str(self._groups.site[i])}
        failure = self._single["failures"].get(id_)
        if failure is not None:
            return PairLine(**line, state="failed",
                            why=f"{failure_word(str(failure['kind']))}: {failure['found']}")
        a = self._single["assessments"].get(id_)
        if a is None:
            return PairLine(**line, state="not tried yet")
        return PairLine(
            **line, state="assessed", ahead=str(a["verdict_ahead"]), verdict=str(a["verdict"]),
            headings=int(a["headings"]), headings_go=int(a["headings_go"]),
            usable=bool(a["usable"]), clear_m=float(a["clear_m"]), why=str(a["cause_ahead"]),
            suggestion=str(a["suggestion"]))

    def page(self, line: PairLine) -> Record:
        """What the page of a pair shows, as plain texts."""
        failure = self._single["failures"].get(line.id)
        a = self._single["assessments"].get(line.id)
        said = _said(self._pairs[self._index[line.id]])
        return {
            "line": line, "said": said,
            "failure": None if failure is None else
            [(key, str(failure[key])) for key in ("kind", "place", "found", "expected", "remedy")],
            "headings": [] if a is None else
            [_heading(row) for row in self._many["headings"].of(line.id)[::-1]],
            "found": [] if a is None else self._found(a, line.id),
            "pictures": [_picture(row) for row in self._many["pictures"].of(line.id)],
        }

    def _found(self, a: Any, id_: str) -> list[tuple[str, str]]:
        rows = [("suggestion", str(a["suggestion"])), ("rig", self._rigs[str(a["rig"])])]
        if not a["usable"]:
            rows.append(("not to be relied on", str(a["unusable_because"])))
        rows += [("ground seen", _percent(a["seen_share"]) + " of the grid"),
                 ("matched", _percent(a["matched_share"]) + " of the left picture"),
                 ("rows off", _rows_off(a))]
        drift = self._single["drifts"].get(id_)
        if drift is not None:
            rows.append(("turn of the right camera", _turn(drift)))
        rows += [(label, str(a[key])) for key, label in
                 (("outside_rehearsed", "not rehearsed"), ("notes", "notes")) if a[key]]
        return rows


class _Runs:
    """The rows of each pair in a table that is ordered by pair."""

    def __init__(self, table: Rows) -> None:
        self._table = table
        ids = table["pair"]
        starts = np.flatnonzero(np.r_[True, ids[1:] != ids[:-1]]) if len(ids) else np.array([], int)
        ends = np.r_[starts[1:], len(ids)] if len(ids) else starts
        self._runs: Mapping[str, tuple[int, int]] = {
            id_: (start, end) for id_, start, end in
            zip(ids[starts].tolist(), starts.tolist(), ends.tolist(), strict=True)}

    def of(self, id_: str) -> Rows:
        start, end = self._runs.get(id_, (0, 0))
        return self._table[start:end]


def _by_pair(table: Rows) -> dict[str, Any]:
    return dict(zip(table["pair"].tolist(), table, strict=True))


def _heading(row: Any) -> Record:
    chance = {"probability": None if math.isnan(row["probability"]) else float(row["probability"]),
              "bounded": bool(row["bounded"])}
    return {
        "name": heading_text(float(row["heading_deg"])), "verdict": str(row["verdict"]),
        "clear_for": length_text(row["clear_m"]), "assumed": length_text(row["assumed_m"]),
        "chance": chance_text(chance), "reason": reason_of(row)}


def reason_of(row: Any) -> str:
    """The first cause of a row of ``headings`` in one line."""
    return reason_text(*(row[f"cause{part}"].item() for part in
                         ("", "_reason", "_at_m", "_demand", "_sigma", "_limit", "_unit")))


def _picture(row: Any) -> Record:
    values = []
    for name in QUALITY:
        value = float(row[name])
        if math.isnan(value):
            text = "not known"
        elif name == "mean_grey":
            text = f"{value:.0f} of 255"
        else:
            text = f"{value:.2f}" if name == "blur" else _percent(value)
        values.append((_QUALITY_WORDS[name], text))
    return {"side": str(row["side"]), "values": values}


def _rows_off(a: Any) -> str:
    if math.isnan(a["rows_off_px"]):
        return f"not known, {a['features']} features tracked"
    return (f"{a['rows_off_px']:.2f} ± {a['rows_off_sigma_px']:.2f} px, {a['features']} features "
            "tracked")


def _turn(drift: Any) -> str:
    if math.isnan(drift["pitch_deg"]):
        return f"not known: {drift['reason']}"
    return ", ".join(f"{name} {drift[f'{name}_deg']:+.3f} ± {drift[f'{name}_sigma_deg']:.3f}°"
                     for name in ("pitch", "vergence", "roll"))


_SAID = (("source", "where it is from", ""), ("sidecar", "sidecar", ""),
         ("left_file", "left picture", ""), ("right_file", "right picture", ""),
         ("rig_file", "rig", ""), ("rover", "rover", ""), ("taken_at", "taken at", ""),
         ("site", "site", ""), ("exposure_s", "exposure", " s"), ("gain", "gain", ""),
         ("sun_elevation_deg", "sun", "° above the horizon"),
         ("roll_deg", "roll", "°, positive: left side up"),
         ("pitch_deg", "pitch", "°, positive: nose down"),
         ("onboard_verdict", "rover said", ""), ("onboard_value_m", "rover reported", " m"),
         ("walked_heading_deg", "walked along", ""), ("walked_outcome", "what came of it", ""),
         ("note", "note", ""))


def _said(row: Any) -> list[tuple[str, str]]:
    """What manifest and sidecar say of a pair; what they do not say is left out."""
    found = []
    for key, label, unit in _SAID:
        value = row[key].item()
        if value == "" or (isinstance(value, float) and math.isnan(value)):
            continue
        if key == "walked_heading_deg":
            found.append((label, heading_text(value)))
        else:
            found.append((label, f"{value:g}{unit}" if isinstance(value, float) else str(value)))
    return found


def _percent(share: Any) -> str:
    return "not known" if math.isnan(share) else f"{100 * share:.1f} %"
