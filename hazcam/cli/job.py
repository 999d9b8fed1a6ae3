"""Job: what one assessment is made from, by its files; asked for by options, or by a record."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click

from hazcam.assess import Assessment, assess_pair
from hazcam.calibration import read_rig
from hazcam.campaign.previous import read_previous
from hazcam.cli import options
from hazcam.errors import HazcamError
from hazcam.imagery import read_pair, read_sidecar
from hazcam.imagery.naming import is_picture
from hazcam.rover import read_rover, with_limits
from hazcam.settings import MATCHERS, Settings, matcher_of

_FILES = ("sidecar", "left", "right", "rig", "rig_right", "mount")
_SETTINGS = ("look_ahead_m", "confidence", "tilt_bound_deg", "assume_level", "near_strip",
             "near_strip_max_m", "refine")
_OF_SETTINGS = ("headings", "matcher", *_SETTINGS)


@dataclass(frozen=True, kw_only=True)
class Job:
    """One pair to assess.

    Attributes
    ----------
    left, right : Path, Path or None
        Two pictures, or a sidecar and None.
    rig : Path
        Rig file, or the left camera_info with ``rig_right`` the right one.
    rig_right, mount : Path or None
        See ``read_rig``.
    rover : str
        Name of a shipped rover, or path.
    roll_deg, pitch_deg : float or None
        Attitude that wins over the sidecar's. [deg]
    limits : mapping of str to float
        Limits set by the user, in m or deg.
    margin_m : float or None
        Lateral margin set by the user. [m]
    settings : Settings
        How to assess.
    """

    left: Path
    right: Path | None = None
    rig: Path
    rig_right: Path | None = None
    mount: Path | None = None
    rover: str
    roll_deg: float | None = None
    pitch_deg: float | None = None
    limits: Mapping[str, float] = field(default_factory=dict)
    margin_m: float | None = None
    settings: Settings = field(default_factory=Settings)

    def run(self) -> Assessment:
        """Read the inputs and assess them."""
        rover = with_limits(read_rover(self.rover), self.limits, margin_m=self.margin_m)
        rig = read_rig(self.rig, self.rig_right, mount=self.mount)
        pair = read_pair(self.left, self.right, roll_deg=self.roll_deg, pitch_deg=self.pitch_deg)
        previous = None
        if self.right is None:
            previous, notes = read_previous(self.left, rig, rover, self.settings)
            pair = replace(pair, notes=(*pair.notes, *notes))
        return assess_pair(pair, rig, rover, self.settings, previous)

    def files(self) -> list[Path]:
        """Every file that the options name; a sidecar names more."""
        rover = Path(self.rover) if is_path(self.rover) else None
        named = (self.left, self.right, self.rig, self.rig_right, self.mount, rover)
        return [path for path in named if path is not None]

    def inputs(self, base: Path) -> dict[str, Any]:
        """The files, relative to ``base``, and the options, for the record."""
        is_sidecar = self.right is None
        paths = {
            "sidecar": self.left if is_sidecar else None,
            "left": None if is_sidecar else self.left, "right": self.right, "rig": self.rig,
            "rig_right": self.rig_right, "mount": self.mount,
        }
        files = {name: relative_to(path, base) for name, path in paths.items()}
        rover = relative_to(Path(self.rover), base) if is_path(self.rover) else self.rover
        return {**files, "rover": rover, "roll_deg": self.roll_deg, "pitch_deg": self.pitch_deg,
                "limits": dict(self.limits), "margin_m": self.margin_m}


def common_of_options(paths: tuple[Path, ...], given: dict[str, Any]) -> dict[str, Any]:
    """What the options say about every job, for ``Job``.

    Raises
    ------
    click.UsageError
        Paths or options that do not go together.
    """
    _check_usage(paths, given)
    settings = settings_of_options(given)
    return {**{name: value for name, value in given.items() if name not in _OF_SETTINGS},
            "settings": settings}


def settings_of_options(given: Mapping[str, Any]) -> Settings:
    """The settings that the options ask for.

    Raises
    ------
    click.UsageError
        Options that do not go together.
    """
    options.check_near_strip(given["near_strip_max_m"], given["look_ahead_m"])
    try:
        return Settings(headings_deg=given["headings"], matcher=MATCHERS[given["matcher"]](),
                        **{name: given[name] for name in _SETTINGS})
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _check_usage(paths: tuple[Path, ...], given: dict[str, Any]) -> None:
    if len(paths) > 2:
        raise click.UsageError("give LEFT and RIGHT, one PAIR.json, or one FOLDER")
    if len(paths) == 1 and is_picture(paths[0]):
        raise click.UsageError(f"{paths[0]} is one picture: give LEFT and RIGHT")
    if len(paths) == 2:
        lacking = [f"--{name}" for name in ("rig", "rover") if given[name] is None]
        if lacking:
            raise click.UsageError(f"two pictures need {' and '.join(lacking)}: they have no "
                                   "sidecar that names it")
    if (given["roll_deg"] is None) != (given["pitch_deg"] is None):
        raise click.UsageError("give --roll-deg and --pitch-deg together, or neither")
    if given["rig_right"] is not None and given["rig"] is None:
        raise click.UsageError("--rig-right needs --rig, the left camera's file")


def job_of_paths(paths: tuple[Path, ...], common: dict[str, Any]) -> Job:
    """The job of two pictures, or of one sidecar, of which the options win over what it says."""
    if len(paths) == 2:
        return Job(left=paths[0], right=paths[1], **common)
    sidecar = read_sidecar(paths[0])
    named = {"rig": common["rig"] or sidecar.rig, "rover": common["rover"] or sidecar.rover}
    return Job(left=sidecar.path, **common | named)


def job_of_record(record: Mapping[str, Any], base: Path, where: str) -> Job:
    """The job that a record came from, its files looked up from ``base``.

    Raises
    ------
    HazcamError
        The record lacks an input or a setting, or holds one of the wrong kind.
    """
    try:
        inputs = record["inputs"]
        files = {n: base / inputs[n] for n in _FILES if inputs[n] is not None}
        rover = inputs["rover"]
        return Job(
            left=files["left"] if "right" in files else files["sidecar"],
            right=files.get("right"), rig=files["rig"], rig_right=files.get("rig_right"),
            mount=files.get("mount"),
            rover=str(base / rover) if is_path(rover) else rover,
            roll_deg=inputs["roll_deg"], pitch_deg=inputs["pitch_deg"],
            limits=inputs["limits"], margin_m=inputs["margin_m"],
            settings=settings_of_record(record["settings"]))
    except (KeyError, TypeError, ValueError) as error:
        raise HazcamError(
            where, f"inputs or settings that cannot be used: {error}",
            "those that `hazcam assess` wrote", "assess the pair again",
        ) from error


def settings_of_record(settings: Mapping[str, Any]) -> Settings:
    """The settings that a record names; a KeyError, TypeError or ValueError where it cannot be."""
    return Settings(
        headings_deg=tuple(settings["headings_deg"]), look_ahead_m=settings["look_ahead_m"],
        confidence=settings["confidence"], tilt_bound_deg=settings["tilt_bound_deg"],
        assume_level=settings["assume_level"], near_strip=settings["near_strip"],
        near_strip_max_m=settings["near_strip_max_m"], refine=settings.get("refine", False),
        matcher=matcher_of(settings["matcher"]))


def is_path(rover: str) -> bool:
    """As in ``read_rover``: a shipped rover has a bare name."""
    return rover.endswith(".toml") or "/" in rover or "\\" in rover


def relative_to(path: Path | None, base: Path) -> str | None:
    """A path as seen from ``base``, with slashes."""
    if path is None:
        return None
    return Path(os.path.relpath(path.resolve(), base.resolve())).as_posix()
