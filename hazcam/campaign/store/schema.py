"""The tables of a run (``run.sqlite``), schema ``hazcam-run/1``: this page is their documentation.

One declaration gives the SQL, the structured arrays of ``open_run`` and the text of
``hazcam export --schema``. Times are ISO 8601 as the sidecars have them; a length is in m, an angle
in degrees, a share from 0 to 1. NULL, NaN in arrays, stands for what is not known. Digests are
SHA-256 in hex.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SCHEMA = "hazcam-run/1"
SCHEMA_VERSION = 1
"""Kept as SQLite's ``user_version``; ``campaign/store/migrate.py`` brings older files up to it."""

Kind = Literal["text", "real", "integer", "blob"]


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column. ``null``: may be NULL; an integer never is."""

    name: str
    kind: Kind
    says: str
    unit: str = ""
    null: bool = False


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table. ``key``: the columns that name a row, and in whose order rows are told."""

    name: str
    says: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def plain(self) -> tuple[Column, ...]:
        """The columns that a table of numbers and texts can hold."""
        return tuple(c for c in self.columns if c.kind != "blob")


def _text(name: str, says: str, *, null: bool = False) -> Column:
    return Column(name=name, kind="text", says=says, null=null)


def _real(name: str, says: str, unit: str = "") -> Column:
    return Column(name=name, kind="real", says=says, unit=unit, null=True)


def _integer(name: str, says: str) -> Column:
    return Column(name=name, kind="integer", says=says)


def _blob(name: str, says: str) -> Column:
    return Column(name=name, kind="blob", says=says)


_PAIR = _text("pair", "id of the pair")

PAIRS = Table(
    name="pairs", key=("pair",), says="one row of the manifest each, bad rows included",
    columns=(
        _PAIR,
        _integer("place", "in the manifest, from 0"),
        _text("row_digest", "of what assessing goes by: files named, attitude, window, rig, ..."),
        _text("manifest", "bare name of the manifest, or folder, that it was last read from"),
        _text("source", "manifest and line, or sidecar"),
        _text("sidecar", "file name, relative to the manifest", null=True),
        _text("left_file", "left picture, relative to the manifest", null=True),
        _text("right_file", "right picture, relative to the manifest", null=True),
        _text("rig_file", "relative to the manifest", null=True),
        _text("rover", "name of a shipped rover, or file", null=True),
        _text("taken_at", "ISO 8601", null=True),
        _text("site", "as the sidecar has it", null=True),
        _real("exposure_s", "as stated", "s"),
        _real("gain", "as stated"),
        _real("sun_elevation_deg", "as stated", "deg"),
        _real("roll_deg", "of the rover, as stated, positive: left side up", "deg"),
        _real("pitch_deg", "of the rover, as stated, positive: nose down", "deg"),
        _text("onboard_verdict", "of the rover's own algorithm, as stated", null=True),
        _real("onboard_value_m", "that it reported", "m"),
        _real("walked_heading_deg", "that someone let it walk", "deg"),
        _text("walked_outcome", "climbed, stuck, tipped, belly-hung or slipped", null=True),
        _text("note", "free words", null=True),
        _text("given", "the row as written, JSON; NULL for a bad one", null=True),
        _text("files", "of `left` and `right`, as they were last seen: [size in bytes, time of "
              "change in ns], null where missing; JSON; NULL for a bad row", null=True),
    ))

SETTINGS = Table(
    name="settings", key=("digest",), says="how pairs were assessed",
    columns=(_text("digest", "of the settings"), _text("json", "the settings as in a record")))

RIGS = Table(
    name="rigs", key=("digest",), says="calibrations that were used",
    columns=(
        _text("digest", "of the rig as calibrated"),
        _text("name", "as the file has it"),
        _integer("width_px", "of the calibrated picture"),
        _integer("height_px", "of the calibrated picture"),
        _real("baseline_m", "distance of the two cameras", "m"),
        _text("yaml", "the rig as a file that `read_rig` reads"),
    ))

ROVERS = Table(
    name="rovers", key=("digest",), says="rovers that were assessed for",
    columns=(
        _text("digest", "of the rover's numbers, limits included"),
        _text("name", "as the file has it"),
        _text("json", "body, legs, margin and limits with their sources"),
    ))

ASSESSMENTS = Table(
    name="assessments", key=("pair",), says="what was found of a pair, in short",
    columns=(
        _PAIR,
        _text("rig", "digest"), _text("rover", "digest"), _text("settings", "digest"),
        _text("pictures", "digest of the two pictures"),
        _text("hazcam", "version that assessed"),
        _integer("usable", "1: with stereo, and nothing speaks against the whole pair"),
        _text("unusable_because", "first cause against the whole pair; empty if usable"),
        _integer("headings", "how many were judged"),
        _integer("headings_go", "how many of them are go"),
        _text("verdict", "go if any heading is, else ask-ground"),
        _text("verdict_ahead", "of heading 0; empty where it was not judged"),
        _real("go_heading_deg", "the least turn that is go; NULL: hold", "deg"),
        _real("clear_m", "along the suggested heading, from the nose", "m"),
        _text("cause_ahead", "kind of the first cause of heading 0; empty for go"),
        _text("suggestion", "in words"),
        _real("seen_share", "of the cells of the grid, those that are seen"),
        _real("matched_share", "of the left picture, pixels with a disparity"),
        _real("rows_off_px", "largest offset of rows anywhere", "px"),
        _real("rows_off_sigma_px", "one standard deviation of it", "px"),
        _real("rows_spread_px", "of features about the fitted offset", "px"),
        _integer("features", "tracked between the two pictures"),
        _text("outside_rehearsed", "conditions outside those rehearsed, `; ` between them"),
        _text("notes", "of intake and reading, `; ` between them"),
    ))

HEADINGS = Table(
    name="headings", key=("pair", "heading_deg"), says="the verdict of each heading",
    columns=(
        _PAIR,
        Column(name="heading_deg", kind="real", unit="deg", says="positive to the left"),
        _text("verdict", "go or ask-ground"),
        _real("clear_m", "from the nose to the first cause", "m"),
        _real("assumed_m", "of it, out of view and assumed clear", "m"),
        _real("probability", "that a demand exceeds its limit"),
        _integer("bounded", "0: what is not known could exceed a limit first"),
        _text("cause", "kind of the first cause; empty for go"),
        _text("cause_reason", "why ground was not seen; empty for another cause"),
        _real("cause_at_m", "where it is, from the nose", "m"),
        _real("cause_demand", "in its unit; NULL: no bound, or no comparison"),
        _real("cause_sigma", "one standard deviation of it"),
        _real("cause_limit", "in the same unit"),
        _text("cause_unit", "m, deg, px or empty"),
    ))

PICTURES = Table(
    name="pictures", key=("pair", "side"), says="the quality of each picture",
    columns=(
        _PAIR,
        _text("side", "left or right"),
        _real("mean_grey", "of the usable pixels, 8-bit grey levels", "grey"),
        _real("saturated", "share of the pixels"),
        _real("dark", "share of the pixels too dark to see anything"),
        _real("lost", "share of the pixels in lost blocks"),
        _real("blur", "0 sharp to 1 (Crete et al. 2007); NULL where too little is usable"),
        _real("noise_grey", "of a pixel at the mean grey level", "grey"),
    ))

SPOTS = Table(
    name="spots", key=("pair", "side", "number"),
    says="soft dark spots in a picture: dust, where they stay put between pairs",
    columns=(
        _PAIR,
        _text("side", "left or right"),
        _integer("number", "from 0, darkest first"),
        _real("column_px", "of the sensor as calibrated", "px"),
        _real("row_px", "of the sensor as calibrated", "px"),
        _real("radius_px", "of the sensor as calibrated", "px"),
        _real("depth", "share of the light that is missing in it"),
    ))

DRIFTS = Table(
    name="drifts", key=("pair",), says="turn of the right camera since its calibration",
    columns=(
        _PAIR,
        _text("rig", "digest"),
        _real("pitch_deg", "about the right camera's x axis", "deg"),
        _real("vergence_deg", "about its y axis", "deg"),
        _real("roll_deg", "about its optical axis", "deg"),
        _real("pitch_sigma_deg", "one standard deviation", "deg"),
        _real("vergence_sigma_deg", "one standard deviation", "deg"),
        _real("roll_sigma_deg", "one standard deviation", "deg"),
        _text("reason", "why none was found; empty where it was"),
        _text("json", "the whole estimate, with its covariances; empty where there is none"),
    ))

RECORDS = Table(
    name="records", key=("pair",), says="the record of each assessment",
    columns=(_PAIR, _blob("json", "schema hazcam-assessment/1, UTF-8, compressed by zlib")))
DEMANDS = Table(
    name="demands", key=("pair",), says="what the headings demand, whatever the limits",
    # The small one first: SQLite reads through all that stands before a value.
    columns=(_PAIR, _blob("gist", "what of it a verdict hangs on; see verdict/gist.py"),
             _blob("npz", "schema hazcam-demands/1")))
TERRAINS = Table(
    name="terrains", key=("pair",), says="the ground of each pair",
    columns=(_PAIR, _blob("npz", "schema hazcam-terrain/1")))
OVERLAYS = Table(
    name="overlays", key=("pair",), says="headings and causes drawn on the left picture",
    columns=(_PAIR, _blob("jpeg", "480 px wide")))

FAILURES = Table(
    name="failures", key=("pair",), says="why a pair has no assessment",
    columns=(
        _PAIR,
        _text("kind", "bad row, failed, time limit, worker died or fault"),
        _text("place", "file, and within it the key or row"),
        _text("found", "what is there"), _text("expected", "what should be there"),
        _text("remedy", "what to do about it"),
    ))

TIMINGS = Table(
    name="timings", key=("pair",), says="when, by whom and how long; differs from run to run",
    columns=(
        _PAIR,
        _text("finished_at", "UTC, ISO 8601"),
        _text("worker", "host and process; NULL where no answer came", null=True),
        _integer("tries", "how often it was begun"),
        _real("assess_s", "reading and assessing", "s"),
        _real("drift_s", "estimating the drift", "s"),
        _real("evidence_s", "record, quality of the pictures, overlay", "s"),
        _real("pack_s", "packing demands and ground", "s"),
        _real("handed_s", "all of it and the way there and back, at the worker", "s"),
        _real("write_s", "writing it down", "s"),
    ))

ABOUT = Table(
    name="about", key=("name",), says="what the run is: schema, versions, options, manifest",
    columns=(_text("name", "schema, hazcam, versions, options, manifest or done"),
             _text("value", "text, or JSON")))

TABLES: dict[str, Table] = {table.name: table for table in (
    ABOUT, PAIRS, SETTINGS, RIGS, ROVERS, ASSESSMENTS, HEADINGS, PICTURES, SPOTS, DRIFTS, RECORDS,
    DEMANDS, TERRAINS, OVERLAYS, FAILURES, TIMINGS)}
"""All tables by name."""
