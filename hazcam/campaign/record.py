"""What a campaign is made of: its pairs as the manifest has them, and what is kept of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from hazcam.errors import HazcamError
from hazcam.imagery import Sidecar

Outcome = Literal["climbed", "stuck", "tipped", "belly-hung", "slipped"]
FailureKind = Literal["bad row", "failed", "time limit", "worker died", "fault"]
Value = str | int | float | bytes | None
Row = Mapping[str, Value]
"""One row of a table, by the names of its columns."""


@dataclass(frozen=True, kw_only=True)
class Walked:
    """What came of it where someone let the rover walk.

    Attributes
    ----------
    heading_deg : float
        Level frame, positive to the left. [deg]
    outcome : str
        ``climbed``, ``stuck``, ``tipped``, ``belly-hung`` or ``slipped``.
    """

    heading_deg: float
    outcome: Outcome


@dataclass(frozen=True, kw_only=True)
class CampaignPair:
    """One row of a manifest.

    Attributes
    ----------
    id : str
        Name of the pair, once in a campaign.
    place : int
        In the manifest, from 0.
    where : str
        ``NAME: line 12`` of the manifest, for messages; the bare name of the file.
    sidecar : Sidecar
        What is known of the pair; of a row that names pictures, made from the row.
    from_file : bool
        The sidecar is a file of its own, which may name the pair before.
    walked : Walked or None
        None where nobody walked it, or where what the row says of it is no label.
    given : mapping of str to str, float, int or None
        The row as written, paths relative to the manifest.
    digest : str
        SHA-256 of all that assessing goes by but the pictures' pixels: the files that are named,
        attitude, window, binning, the pair before, rig and rover as read. Labels and notes are not
        in it: they may be added to a pair that was assessed.
    bad_label : str
        What is wrong with the label of the row, which is then dropped; empty: nothing.
    """

    id: str
    place: int
    where: str
    sidecar: Sidecar
    from_file: bool
    walked: Walked | None
    given: Mapping[str, Any]
    digest: str
    bad_label: str = ""


@dataclass(frozen=True, kw_only=True)
class PairFailure:
    """Why a pair has no assessment.

    Attributes
    ----------
    id : str
        Of the pair; where the row gives none that can be used, by its sidecar or pictures;
        ``line-12`` where it names none of those either.
    kind : str
        ``bad row``: found before anything ran; ``failed``: an input that cannot be used;
        ``time limit``: it took too long; ``worker died``: it took its process down; ``fault``: of
        the program's own.
    where, found, expected, remedy : str
        As in ``HazcamError``.
    """

    id: str
    kind: FailureKind
    where: str
    found: str
    expected: str
    remedy: str

    @property
    def text(self) -> str:
        """All of it, as ``HazcamError`` has it."""
        return str(HazcamError(self.where, self.found, self.expected, self.remedy))


@dataclass(frozen=True, kw_only=True)
class BadRow:
    """A row of a manifest that cannot be used.

    Attributes
    ----------
    place : int
        In the manifest, from 0.
    failure : PairFailure
        Of kind ``bad row``.
    digest : str
        SHA-256 of the row as written.
    pair : CampaignPair or None
        What the row says, where it could be read and only its files cannot be used.
    """

    place: int
    failure: PairFailure
    digest: str
    pair: CampaignPair | None = None


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """The pairs of a campaign, and the rows that are none.

    Attributes
    ----------
    path : Path
        The manifest, or the folder that was looked through.
    pairs : tuple of CampaignPair
        In their order, each id once.
    bad : tuple of BadRow
        In their order; no id of theirs is one of ``pairs``.
    """

    path: Path
    pairs: tuple[CampaignPair, ...]
    bad: tuple[BadRow, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class PairEntry:
    """What is kept of an assessment: rows of tables, ready to be written.

    Attributes
    ----------
    id : str
        Of the pair.
    rows : mapping of str to sequence of Row
        By table of ``campaign.store.schema.TABLES``: ``assessments`` (one row), ``headings``,
        ``pictures``, ``spots``, ``records``, ``overlays``, and where there is any ``demands``,
        ``terrains``, ``drifts``; the ``rigs``, ``rovers`` and ``settings`` that it refers to, by
        their digest the same for every pair.
    timings : Row
        Of the table ``timings``; the only one that differs when a pair is assessed again.
    """

    id: str
    rows: Mapping[str, Sequence[Row]]
    timings: Row = field(default_factory=dict)
