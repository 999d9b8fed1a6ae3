"""How the demands of a run move when the rig is not quite what its calibration says.

The pictures stay, the rig that they are read with is changed, and everything is done again: no
approximation. What comes out is what the same ground demands if the rig really is so. It takes as
long as assessing, for each pair and each change. Where a run was made with ``refine``, the turn
that the pair shows is taken out of the changed rig as well, and little is left of a turn.

Reading a pair anew also deals the noise of matching and of the grid anew, by about what sigma says
of a demand, and pictures that were rectified already are now resampled. The first is evened out
over many headings and pairs; the second should be alike for both signs of a change. So half the
shift *from one sign to the other* is what the change does, and what both signs have in common
against the pair as calibrated is not the change's: 0.1 to 0.2 mm of steps of about 45 mm in 14
rendered pairs, as much as 0.02 degrees of vergence do.

Pictures are read as the campaign reads them; everything else is pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hazcam.assess import assess_pair, rig_causes
from hazcam.calibration import StereoRig
from hazcam.campaign import Run
from hazcam.campaign.manifest.of_run import pair_of_run
from hazcam.campaign.previous import read_previous
from hazcam.campaign.record import CampaignPair
from hazcam.errors import HazcamError
from hazcam.imagery import StereoPair, pair_of_sidecar
from hazcam.rover import RoverProfile
from hazcam.settings import Settings, matcher_of
from hazcam.tuning.rig_changes import RigChange
from hazcam.verdict.gist import pack_gist
from hazcam.versions import versions


@dataclass(frozen=True, kw_only=True)
class DemandsUnder:
    """What a pair demands by the rig as calibrated, or by a changed one.

    Attributes
    ----------
    id : str
        Of the pair.
    change : RigChange or None
        None: as calibrated.
    gist : bytes
        From ``pack_gist``; headings in the order of the run's.
    against : str
        What the rig check says against the whole pair, in words; empty: nothing. All headings of
        the gist ask then, whatever the limits.
    """

    id: str
    change: RigChange | None
    gist: bytes
    against: str


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A pair that could not be read anew, or only not with one change; ``reason`` says why.

    ``change`` is None where it is the whole pair.
    """

    id: str
    change: RigChange | None
    reason: str


def demands_under(
    run: Run, folder: Path, ids: Sequence[str], changes: Sequence[RigChange], *, most: int
) -> Iterator[DemandsUnder | LeftOut]:
    """Assess pairs of a run again, as they were assessed but for changes of their rig.

    Rig, rover and settings are those of the run, pictures and sidecars those in the folder. Takes
    as long as assessing, for each pair once and once more for each change, in this process.

    Parameters
    ----------
    run : Run
        That holds the pairs.
    folder : Path
        Of the manifest, from which the files are named; or the folder that was looked through in
        place of one.
    ids : sequence of str
        Pairs of the run, those that matter most first.
    changes : sequence of RigChange
        Each for the pairs of its rigs.
    most : int
        How many of the pairs are looked at, those left out included.

    Yields
    ------
    DemandsUnder or LeftOut
        Of each pair first what it demands as calibrated, which is what the run holds, then what
        under each change; or why not: its pictures are not there or are others, or it does not
        give again what the run holds.
    """
    for id_ in ids[:most]:
        again = _taken_up(run, id_, folder)
        if isinstance(again, LeftOut):
            yield again
            continue
        as_it_was = again.demands(None)
        if isinstance(as_it_was, DemandsUnder) and as_it_was.gist != run.gist(id_):
            as_it_was = LeftOut(id=id_, change=None, reason=_why_other(run, id_, again.settings))
        yield as_it_was
        if isinstance(as_it_was, DemandsUnder):
            yield from (again.demands(change) for change in changes
                        if change.is_of(again.rig.digest))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Again:
    """What a pair of a run was assessed from."""

    pair: CampaignPair
    pictures: StereoPair
    rig: StereoRig
    rover: RoverProfile
    settings: Settings

    def demands(self, change: RigChange | None) -> DemandsUnder | LeftOut:
        """Assess it, with the changed rig; the pair before it, too, where one is named."""
        rig = self.rig if change is None else change.of(self.rig)
        try:
            previous = None
            if self.pair.from_file:
                previous, _ = read_previous(self.pair.sidecar.path, rig, self.rover, self.settings)
            found = assess_pair(self.pictures, rig, self.rover, self.settings, previous)
        except HazcamError as error:
            return LeftOut(id=self.pair.id, change=change, reason=_in_short(error))
        causes = () if found.epipolar is None else rig_causes(found.epipolar)
        return DemandsUnder(id=self.pair.id, change=change, gist=pack_gist(found.demands, causes),
                            against=causes[0].text if causes else "")


def _taken_up(run: Run, id_: str, folder: Path) -> _Again | LeftOut:
    """The inputs of a pair, its pictures the very ones; or why they are not to be had."""
    try:
        store = run.demands(id_)
        pair = pair_of_run(run, id_, folder)
        pictures = replace(pair_of_sidecar(pair.sidecar), id=id_)
    except HazcamError as error:
        return LeftOut(id=id_, change=None, reason=_in_short(error))
    then = run.table("assessments", [id_], columns=("rig", "pictures"))[0]
    names = _names(pair, pictures)
    if pictures.left is None or pictures.right is None:
        return LeftOut(id=id_, change=None, reason=f"{names} is not there, which was assessed")
    if pictures.digest != str(then["pictures"]):
        return LeftOut(id=id_, change=None, reason=f"{names}: not the pictures that were assessed")
    # The store leaves out who matched; what it says of the assessment names him.
    matcher = matcher_of(store.said["settings"]["matcher"])
    return _Again(pair=pair, pictures=pictures, rig=run.rig(str(then["rig"])), rover=store.rover,
                  settings=replace(store.settings, matcher=matcher))


def _names(pair: CampaignPair, pictures: StereoPair) -> str:
    """The picture that is missing; where none is, both."""
    sides = {"left": (pair.sidecar.left, pictures.left),
             "right": (pair.sidecar.right, pictures.right)}
    missing = [side for side, (_, picture) in sides.items() if picture is None]
    return " and ".join(f"the {side} picture {sides[side][0] or '(none named)'}"
                        for side in missing or sides)


def _why_other(run: Run, id_: str, settings: Settings) -> str:
    """Why a pair does not give again what the run holds, as far as its record says."""
    record: Mapping[str, Any] = run.record(id_)
    then, now = ({"matcher": record["settings"]["matcher"], **record["versions"]},
                 {"matcher": settings.matcher.name, **versions()})
    other = [f"{name} {then.get(name, 'unknown')} then, {value} now"
             for name, value in now.items() if then.get(name) != value]
    why = "; ".join(other) or "its sidecar, or the pair before it, must be another one"
    return f"gives other demands than those of the run even by the rig as calibrated ({why})"


def _in_short(error: HazcamError) -> str:
    return f"{error.where}: {error.found}"


__all__ = ["DemandsUnder", "LeftOut", "demands_under"]
