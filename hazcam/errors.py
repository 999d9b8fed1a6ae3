"""One family of errors for what a user can mend.

Each message names the thing (file, key), what was found, what was expected and the remedy.
A programmer's mistake (a wrong shape handed to a function) is a plain ``ValueError`` instead.
"""

from __future__ import annotations

from collections.abc import Sequence


class HazcamError(Exception):
    """An input that the user can mend.

    Parameters
    ----------
    where : str
        The file, and within it the key or row, that the message is about.
    found : str
        What is there.
    expected : str
        What should be there.
    remedy : str
        What to do about it.
    """

    def __init__(self, where: str, found: str, expected: str, remedy: str) -> None:
        self.where = where
        self.found = found
        self.expected = expected
        self.remedy = remedy
        super().__init__(f"{where}: {found}\n  expected: {expected}\n  remedy: {remedy}")


class ImageError(HazcamError):
    """A picture that cannot be read or used."""


class PairError(HazcamError):
    """Two pictures, or their sidecar, that do not make a stereo pair."""


class RigError(HazcamError):
    """A calibration that cannot be used."""


class CalibrationError(HazcamError):
    """Pictures of a target, or of a floor, that make no calibration."""


class TargetError(HazcamError):
    """A calibration target that cannot be used, printed or found."""


class RoverError(HazcamError):
    """A rover profile, or one of its limits, that cannot be used."""


class TrialsError(HazcamError):
    """Trials of a rover, or labels of a run, that no limit can be chosen from."""


class OutputError(HazcamError):
    """A place where the results cannot be written."""


def listed(names: Sequence[str], most: int = 5) -> str:
    """The first names of many, as messages spell them out.

    Examples
    --------
    >>> listed(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
