"""The previous pair of a sequence: read from where the sidecar names it, and assessed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePath

from hazcam.assess import assess_pair, previous_ground
from hazcam.calibration import StereoRig
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import NamedPrevious, Sidecar, previous_of, read_pair, read_sidecar
from hazcam.imagery.previous import SIGMA_WORDS
from hazcam.rover import RoverProfile
from hazcam.settings import Settings
from hazcam.terrain import PreviousGround


def read_previous(
    sidecar: Path, rig: StereoRig, rover: RoverProfile, settings: Settings
) -> tuple[PreviousGround | None, tuple[str, ...]]:
    """The ground of the previous pair that a sidecar names, and why there is none.

    One pair back only: what that pair's own sidecar names as its previous one is not looked at.

    Parameters
    ----------
    sidecar : Path
        Of the present pair.
    rig : StereoRig
        That took both: one rover, moments apart.
    rover, settings
        As for the present pair.

    Returns
    -------
    ground : PreviousGround or None
        None where no previous pair is named, or it cannot be used.
    notes : tuple of str
        Why it cannot be used, without the folders of this machine.

    Raises
    ------
    PairError
        The present sidecar itself, or what it says of the previous pair, is wrong.
    """
    present = read_sidecar(sidecar)
    named = previous_of(present)
    if named is None:
        return None, ()
    try:
        _check_rig(read_sidecar(named.path), present)
        return _ground(named, rig, rover, settings), ()
    except HazcamError as error:
        where = PurePath(error.where).name
        found = error.found.replace(f"{named.path.parent}/", "").replace("\n", " ")
        return None, (f"previous pair not used: {where}: {found}",)


def _check_rig(previous: Sidecar, present: Sidecar) -> None:
    if previous.rig.resolve() != present.rig.resolve():
        raise PairError(str(previous.path), f"its rig is {previous.rig.name}, another file than "
                        f"this pair's {present.rig.name}", "two pairs of one rig",
                        "name a pair of the same rig")


def _ground(
    named: NamedPrevious, rig: StereoRig, rover: RoverProfile, settings: Settings
) -> PreviousGround:
    if named.move is None:
        raise PairError("previous: sigma", f"is not {SIGMA_WORDS}",
                        "one standard deviation of each", "state it in the sidecar")
    pair = read_pair(named.path)
    # Its verdicts are not asked for: one heading will do.
    found = assess_pair(pair, rig, rover, replace(settings, headings_deg=(0.0,)))
    return previous_ground(found, named.move)
