"""The margin of a verdict: the limit at which it would flip, all other limits as they are."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hazcam.rover.profile import LIMIT_UNITS, Limits
from hazcam.verdict.decide import decide
from hazcam.verdict.record import LIMIT_OF, HeadingDemand, HeadingVerdict

# The limit that each kind of cause is held against; the others have none that would flip them.
_LIMITS_OF_CAUSES = {name: LIMIT_OF.get(name, name)
                     for name in ("step", "drop", "belly", "contact", "slope", "roll", "tip")}
_LIMITS_OF_CAUSES["unseen run"] = "gap"
# A limit is sought up to so many times its value, and to this share of it.
_UP_TO, _CLOSE = 4.0, 0.002


@dataclass(frozen=True, kw_only=True)
class Margin:
    """Where one limit would flip the verdict.

    Attributes
    ----------
    limit, unit : str
        Name and unit of the limit.
    value, at : float
        The limit as it is, and the value at which the verdict would flip.
    """

    limit: str
    unit: str
    value: float
    at: float

    @property
    def share(self) -> float:
        """``at`` over ``value``: below 1 for ``go``, above 1 for ``ask-ground``."""
        return self.at / self.value

    @property
    def text(self) -> str:
        """The same in words."""
        digits = 3 if self.unit == "m" else 1
        way = "down to" if self.at < self.value else "from"
        kept = "stays go" if self.at < self.value else "would be go"
        return f"{kept} {way} a {self.limit} limit of {self.at:.{digits}f} {self.unit}"


def margin_of(
    demand: HeadingDemand, limits: Limits, confidence: float, verdict: HeadingVerdict
) -> Margin | None:
    """How far the verdict is from flipping.

    Of ``go``: the limit that could be lowered least, as a share of itself. Of ``ask-ground``: the
    limit of its first cause, if raising that alone (up to four times) would make it ``go``.

    Parameters
    ----------
    demand, limits, confidence
        What the verdict was made from.
    verdict : HeadingVerdict
        From ``decide``.

    Returns
    -------
    Margin or None
        None where no single limit would flip it: other causes speak against the heading, or none
        of the limits could go any lower without changing anything.
    """
    if verdict.verdict == "go":
        found = [m for name in LIMIT_UNITS
                 if (m := _flip(demand, limits, confidence, name, 0.0)) is not None]
        return max(found, key=lambda m: m.share, default=None)
    lower = "belly" if limits.belly.value <= limits.step.value else "step"
    names = {{**_LIMITS_OF_CAUSES, "hidden obstacle": lower}.get(cause.kind)
             for cause in verdict.causes}
    if len(names) != 1 or None in names:
        return None
    return _flip(demand, limits, confidence, str(names.pop()), _UP_TO)


def _flip(
    demand: HeadingDemand, limits: Limits, confidence: float, name: str, far: float
) -> Margin | None:
    """Bisect between a limit, and ``far`` times it; None if the verdict is the same at both."""
    value = getattr(limits, name).value

    def goes(share: float) -> bool:
        tried = replace(limits, **{name: replace(getattr(limits, name), value=share * value)})
        return decide(demand, tried, confidence).verdict == "go"

    if goes(far) == goes(1.0):
        return None
    near, beyond = 1.0, far
    while abs(near - beyond) > _CLOSE:
        middle = (near + beyond) / 2
        if goes(middle) == (far < 1):
            near = middle
        else:
            beyond = middle
    share = near if far < 1 else beyond  # the side that is still, or first, go
    return Margin(limit=name, unit=LIMIT_UNITS[name], value=value, at=share * value)
