"""Words for the numbers of tuning, the same in every sentence."""

from __future__ import annotations

_DIGITS = {"m": 4, "deg": 2}


def bare(value: float, unit: str) -> str:
    """A demand as a number: to 0.1 mm, or to 0.01 deg.

    Examples
    --------
    >>> bare(0.02414, "m"), bare(-0.00001, "m"), bare(12.0, "deg")
    ('0.0241', '0.0000', '12.00')
    """
    digits = _DIGITS[unit]
    return f"{round(value, digits) + 0.0:.{digits}f}"  # adding 0 turns -0 into 0


def measure(value: float, unit: str) -> str:
    """A demand with its unit.

    Examples
    --------
    >>> measure(0.02414, "m"), measure(12.34, "deg")
    ('0.0241 m', '12.34 deg')
    """
    return f"{bare(value, unit)} {unit}"


def percent(share: float) -> str:
    """A share in per cent, without digits that say nothing.

    Examples
    --------
    >>> percent(0.95), percent(0.999), percent(0.1 + 0.2)
    ('95 %', '99.9 %', '30 %')
    """
    return f"{100 * share:.6g} %"


def of_hundred(reliability: float) -> str:
    """A reliability as trials.

    Examples
    --------
    >>> of_hundred(0.95), of_hundred(0.995)
    ('95 of 100', '99.5 of 100')
    """
    return f"{100 * reliability:.6g} of 100"


def chance(p_value: float) -> str:
    """A p value as told.

    Examples
    --------
    >>> chance(0.4612), chance(0.0312), chance(1e-9)
    ('p = 0.46', 'p = 0.031', 'p below 0.0001')
    """
    return f"p = {p_value:.2g}" if p_value >= 1e-4 else "p below 0.0001"


__all__ = ["bare", "chance", "measure", "of_hundred", "percent"]
