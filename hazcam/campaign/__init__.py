"""The campaign: thousands of pairs of several rovers, one store."""

from hazcam.campaign.store.reader import Run, open_run

__all__ = ["Run", "open_run"]
