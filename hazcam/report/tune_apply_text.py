"""What was written into a rover file, as text."""

from __future__ import annotations

import shlex

from hazcam.report.text import labelled
from hazcam.rover import LIMIT_UNITS, Limit, RoverProfile
from hazcam.tuning.result import TuningResult

_CAUTION = ("a limit is what trials showed under these conditions; other ground, another gait or "
            "gravity, or a worn foot, is another limit. The team decides.")


def applied_text(
    before: RoverProfile, after: RoverProfile, result: TuningResult, path: str
) -> str:
    """The old limit, the new one, each with its source, what it rests on, and how to go on.

    Parameters
    ----------
    before, after : RoverProfile
    result : TuningResult
        That was applied.
    path : str
        The new rover file.
    """
    file, name = shlex.quote(path), result.name
    lines = [
        ("rover", f"{after.name}, in {path}"),
        ("limit", name),
        ("was", _limit(getattr(before.limits, name), name)),
        ("is", _limit(getattr(after.limits, name), name)),
        ("because", result.reason),
        *[("" if i else "warnings", f"{i + 1}. {text}")
          for i, text in enumerate(result.warnings)],
        ("caution", _CAUTION),
        ("go on", f"hazcam judge RUN --rover {file}"),
        ("", f"hazcam assess PAIR --rover {file}"),
        ("", "for `hazcam batch`, name the file as `rover` in the sidecars or the manifest"),
    ]
    return "\n".join(labelled(label, text) for label, text in lines) + "\n"


def _limit(limit: Limit, name: str) -> str:
    return f"{limit.value:.4g} {LIMIT_UNITS[name]}, {limit.source}"
