"""``hazcam judge``: judge what was stored of a pair or a run, with other limits or for others."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from hazcam import report
from hazcam.campaign import Run, open_run
from hazcam.campaign.judging import RunJudgement, against_before, judge_run, rejudge_run
from hazcam.campaign.store.writer import RUN_FILE
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.cli.job import is_path, relative_to
from hazcam.cli.progress import saying_what_is_compiled, with_progress
from hazcam.errors import HazcamError
from hazcam.report.campaign_judgement import run_judgement_record, run_judgement_text
from hazcam.report.judgement_terms import Terms, TermsKey, terms_of
from hazcam.report.record import limits_record, rover_record
from hazcam.rover import RoverProfile, read_rover, with_limits
from hazcam.settings import Settings
from hazcam.stored import Judgement, StoredDemands, StoredTerrain, judge_demands, judge_terrain
from hazcam.stored_npz import DEMANDS_SCHEMA, TERRAIN_SCHEMA, what_is_expected

# What changes the demands themselves, so that stored ones do not serve.
_GROUND = ("rover", "margin_m", "headings", "look_ahead_m", "near_strip", "near_strip_max_m")


@click.command()
@click.argument("store", type=options.FILE, metavar="STORE | RUN")
@options.judging_again
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
def judge(store: Path, as_json: bool, **given: Any) -> None:
    """Judge again what `hazcam assess -o` or `hazcam batch` stored, without the pictures.

    STORE is DIR/ID/demands.npz, to hold the same demands against other limits or with another
    confidence; or DIR/ID/terrain.npz, to take the demands of another rover, margin, look-ahead or
    other headings from the same ground. Whatever is not given is as it was assessed; with --rover
    the limits and the margin are those of that rover.

    RUN is the folder of a run: all of its pairs are judged, and those headings told whose verdict
    is another one then. Other limits alone take seconds for thousands of pairs; whatever takes the
    ground, a part of the time of assessing them. The run stays as it is.

    Exit status: 0 judged, whatever the verdict; 1 an input failed; 2 wrong usage.
    """
    with user_errors(), saying_what_is_compiled():
        inputs = _inputs(store, given)
        _check_is_there(store)
        if store.is_dir() or store.name == RUN_FILE:
            with _run(store) as run:
                judged_run = _judged_run(run, given)
                record = run_judgement_record(judged_run, run.table("assessments"),
                                              _terms(run, given), inputs=inputs)
            text = run_judgement_text(record)
        else:
            found = report.read_store(store)
            judged = (_from_demands(found, given) if isinstance(found, StoredDemands)
                      else _from_terrain(found, given))
            record = report.judgement_record(judged, inputs=inputs)
            text = report.as_text(record)
        click.echo(report.to_json(record) if as_json else text, nl=False)


def _check_is_there(store: Path) -> None:
    if not store.exists():
        stores = what_is_expected((DEMANDS_SCHEMA, TERRAIN_SCHEMA))
        raise HazcamError(str(store), "does not exist", f"{stores}, or the folder of a run",
                          "check the path")


def _run(path: Path) -> Run:
    if path.is_dir() and not (path / RUN_FILE).exists():
        raise HazcamError(str(path), f"is a folder without {RUN_FILE}",
                          "a demands.npz, a terrain.npz, or the folder of a run",
                          "give the file itself, or what `hazcam batch -o` was given")
    return open_run(path)


def _judged_run(run: Run, given: dict[str, Any]) -> RunJudgement:
    if not _takes_ground(given):
        return judge_run(run, given["limits"], given["confidence"])
    rover = _rover(given)
    judgements = rejudge_run(run, rover=rover, limits=given["limits"], margin_m=given["margin_m"],
                             settings=lambda stored: _settings(stored, given))
    total = len(run.table("terrains"))
    return against_before(run, with_progress(judgements, total, "judging"))


def _rover(given: dict[str, Any]) -> RoverProfile | None:
    return None if given["rover"] is None else read_rover(given["rover"])


def _terms(run: Run, given: dict[str, Any]) -> dict[TermsKey, tuple[Terms, Terms]]:
    """By what pairs were judged, and are now, by the digests of their rover and settings."""
    rovers, settings = ({str(row["digest"]): json.loads(str(row["json"])) for row in
                         run.table(name)} for name in ("rovers", "settings"))
    assessed, other = run.table("assessments"), _rover(given)
    found = {}
    for key in set(zip(assessed["rover"].tolist(), assessed["settings"].tolist(), strict=True)):
        before = terms_of(rovers[key[0]], settings[key[1]])
        after = before if other is None else terms_of(
            {"rover": rover_record(other), "limits": limits_record(other)}, settings[key[1]])
        found[key] = before, after.changed(given["limits"], given["margin_m"],
                                           _changed_settings(given))
    return found


def _takes_ground(given: dict[str, Any]) -> list[str]:
    """The options that change the demands themselves."""
    return [f"--{name.replace('_', '-')}" for name in _GROUND if given[name] is not None]


def _from_demands(store: StoredDemands, given: dict[str, Any]) -> Judgement:
    asked = _takes_ground(given)
    if asked:
        raise click.UsageError(f"{', '.join(asked)}: this changes the demands themselves, which "
                               "takes the ground: give the terrain.npz beside this store")
    return judge_demands(store, limits=given["limits"], confidence=given["confidence"])


def _from_terrain(store: StoredTerrain, given: dict[str, Any]) -> Judgement:
    rover = with_limits(_rover(given) or store.rover, given["limits"], margin_m=given["margin_m"])
    return judge_terrain(store, rover=rover, settings=_settings(store.settings, given))


def _settings(stored: Settings, given: dict[str, Any]) -> Settings:
    """The stored settings with what is given."""
    try:
        settings = replace(stored, **_changed_settings(given))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    options.check_near_strip(settings.near_strip_max_m, settings.look_ahead_m)
    return settings


def _changed_settings(given: dict[str, Any]) -> dict[str, Any]:
    """The settings that are given; the two options of the near strip go together."""
    changed = {field: given[name] for name, field in (
        ("headings", "headings_deg"), ("look_ahead_m", "look_ahead_m"),
        ("confidence", "confidence")) if given[name] is not None}
    if given["near_strip"] is not None or given["near_strip_max_m"] is not None:
        changed |= {"near_strip": given["near_strip"] or "assume",
                    "near_strip_max_m": given["near_strip_max_m"]}
    return changed


def _inputs(store: Path, given: dict[str, Any]) -> dict[str, Any]:
    """Where the store is, from here, and the options, for the record."""
    here, rover = Path.cwd(), given["rover"]
    if rover is not None and is_path(rover):
        rover = relative_to(Path(rover), here)
    return {**given, "store": relative_to(store, here), "rover": rover}
