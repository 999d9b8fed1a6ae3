"""The greatest demand of a kind that was measured on a heading."""

from __future__ import annotations

import numpy as np

from hazcam.verdict.record import LIMIT_OF, MEASURED, HeadingDemand


def names_of(kind: str) -> tuple[str, ...]:
    """The measured demands that are held against a limit; none is against ``gap``."""
    return tuple(name for name in MEASURED if LIMIT_OF.get(name, name) == kind)


def greatest_demand(heading: HeadingDemand, kind: str) -> tuple[float, float] | None:
    """The greatest demand of a kind over all stations of a heading, and its sigma there.

    Parameters
    ----------
    heading : HeadingDemand
    kind : str
        As the limit it is held against. For ``belly`` what the settled body would touch counts too.

    Returns
    -------
    tuple of float, or None
        [m or deg] Below 0 where the demand asks nothing; None where none was measured.
    """
    names = names_of(kind)
    value = np.concatenate([np.zeros(0), *(getattr(heading, name) for name in names)])
    sigma = np.concatenate([np.zeros(0), *(heading.sigma[name] for name in names)])
    if np.isnan(value).all():
        return None
    at = int(np.nanargmax(value))
    return float(value[at]), float(sigma[at])


def rounded(value: float) -> float:
    """To six digits, as a table of trials has it: more than any sigma warrants, and readable."""
    return float(f"{value:.6g}")


__all__ = ["greatest_demand", "names_of", "rounded"]
