from __future__ import annotations

import numpy as np
import pytest

from hazcam.scene.rehearsal.record import Errors, HeightErrors

TWO, ONE = np.zeros(2, np.float32), np.zeros(1, np.float32)


def test_errors_are_of_one_length() -> None:
    with pytest.raises(ValueError, match="differ in shape"):
        Errors(error=TWO, sigma=TWO, range_m=ONE)
    with pytest.raises(ValueError, match="error and true_m"):
        HeightErrors(error=TWO, sigma=TWO, range_m=TWO, true_m=ONE)


def test_true_heights_cannot_be_written_to() -> None:
    heights = HeightErrors(error=TWO, sigma=TWO, range_m=TWO, true_m=TWO)
    with pytest.raises(ValueError, match="read-only"):
        heights.true_m[0] = 1.0
