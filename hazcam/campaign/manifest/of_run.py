"""A pair of a run, from its row there: its files are looked up from where they are now."""

from __future__ import annotations

import json
from pathlib import Path

from hazcam.campaign.manifest.rows import manifest_of
from hazcam.campaign.manifest.text import RawRow
from hazcam.campaign.record import CampaignPair
from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.imagery import read_sidecar


def pair_of_run(run: Run, id_: str, folder: Path) -> CampaignPair:
    """The pair as its row in the run says, its files looked up from ``folder``.

    Parameters
    ----------
    run : Run
        That holds its row.
    id_ : str
        Of the pair.
    folder : Path
        Of the manifest; or the folder that was looked through in place of one.

    Raises
    ------
    HazcamError
        A sidecar that cannot be read, or is of another pair.
    """
    row = run.table("pairs", [id_])[0]
    raw = RawRow(where=str(row["source"]), name=id_, given=json.loads(str(row["given"])),
                 error=None)
    found = manifest_of([raw], folder / run.about["manifest"], read_sidecar, folder=folder)
    if found.bad:
        why = found.bad[0].failure
        raise HazcamError(why.where, why.found, why.expected, why.remedy)
    return found.pairs[0]
