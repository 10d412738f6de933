"""What counts as a table of lives."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from durability.record.records import FloatArray


def checked_lives(X: FloatArray) -> FloatArray:
    """Lives as floats of shape (n_lives, 2), once they make sense.

    Raises
    ------
    UnusableCall
        ``X`` is empty, of another shape, not a number, negative, or ends before it begins.
    """
    lives = np.asarray(X, dtype=float)
    if lives.ndim != 2 or lives.shape[1] != 2 or len(lives) == 0:
        raise UnusableCall(
            f"lives have shape {lives.shape}; one row (lasts beyond, failed by) a life is needed"
        )
    wrong = ~(
        (lives[:, 0] >= 0)
        & np.isfinite(lives[:, 0])
        & (lives[:, 1] >= lives[:, 0])
        & (lives[:, 1] > 0)
    )
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise UnusableCall(
            f"life {row + 1} is ({lives[row, 0]:g}, {lives[row, 1]:g}]; "
            "it needs 0 <= lasts beyond <= failed by, the second above 0 (infinite while it works)"
        )
    return lives
