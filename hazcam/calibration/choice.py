"""Which lens model: by what each foretells of views that it was not fitted to."""

from __future__ import annotations

import numpy as np

from hazcam.calibration.fit import Fit
from hazcam.calibration.rig import LensModel
from hazcam.calibration.solution import ModelScore
from hazcam.frames import Floats

# A lens with more numbers has to lower the held-out residual by this share at least: less changes
# nothing on the ground, and more numbers go astray where no corner was seen.
_WORTH = 0.02


def chosen_of(fits: dict[LensModel, Fit]) -> LensModel:
    """The first model, in the order of ``fits``, that none beats by more than chance.

    Chance is one standard error of the paired differences, or ``_WORTH`` if that is more.

    References
    ----------
    T. Hastie et al., "The Elements of Statistical Learning," 2nd ed., 2009, section 7.10, for the
    rule of one standard error.
    """
    squares = _common_squares(fits)
    for model in fits:
        excess = [squares[model] - squares[other] for other in fits if other != model]
        least = 2 * _WORTH * float(squares[model].mean())  # squares fall twice as fast
        if all(e.mean() <= max(least, e.std(ddof=1) / np.sqrt(len(e))) for e in excess):
            return model
    return min(fits, key=lambda m: float(squares[m].mean()))


def _common_squares(fits: dict[LensModel, Fit]) -> dict[LensModel, Floats]:
    """Squared held-out residuals of the views that all models used. [px²]"""
    common = set.intersection(*({v.id for v in fit.views} for fit in fits.values()))
    return {model: np.array([h**2 for v, h in zip(fit.views, fit.held_out_px, strict=True)
                             if v.id in common])
            for model, fit in fits.items()}


def scores_of(
    fits: dict[LensModel, Fit], failures: dict[LensModel, str]
) -> tuple[ModelScore, ...]:
    """How each lens model did, and why it was chosen or not; those that failed last."""
    squares, chosen = _common_squares(fits), chosen_of(fits)
    scores = [ModelScore(
        model=model, parameters=fit.bundle.shared,
        fitted_px=float(np.sqrt((fit.residuals_px**2).sum(axis=1).mean())),
        held_out_px=float(np.sqrt(squares[model].mean())),
        why=_why(model, chosen, squares, alone=len(fits) + len(failures) == 1),
    ) for model, fit in fits.items()]
    nothing = float("nan")
    scores += [ModelScore(model=model, parameters=0, fitted_px=nothing, held_out_px=nothing,
                          why=f"not solved: {why}") for model, why in failures.items()]
    return tuple(scores)


def _why(
    model: LensModel, chosen: LensModel, squares: dict[LensModel, Floats], *, alone: bool
) -> str:
    if alone:
        return "prescribed"
    if len(squares) == 1:
        return "chosen: the only one that the views determine"
    better = float(np.sqrt(squares[model].mean())) < float(np.sqrt(squares[chosen].mean()))
    if model == chosen:
        return "chosen: no other foretells left-out views much better"
    if better:
        return "hardly better, and not as simple"
    return "not better"
