"""Whether the pictures of a pair are those of before: their digest, read anew."""

from __future__ import annotations

from hazcam.campaign.record import CampaignPair
from hazcam.imagery import pair_of_sidecar


def digest_of_pictures(pair: CampaignPair) -> str:
    """The digest of the pictures of a pair as they are now, as the table ``assessments`` has it.

    Raises
    ------
    HazcamError
        As ``imagery.pair_of_sidecar``: they cannot be read, or make no pair.
    """
    return pair_of_sidecar(pair.sidecar).digest
