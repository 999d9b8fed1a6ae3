"""The campaign: thousands of pairs of several rovers, one store."""

from hazcam.campaign.run import Run, open_run

__all__ = ["Run", "open_run"]
