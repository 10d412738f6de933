"""Digits are compared where single precision is rounded as where they were written down.

Processors and builds of the libraries round differently in the last digits, and draws that fall
into another bin make more of it. OpenBLAS is told to round as on every x86 processor with AVX2,
before NumPy loads it.
"""

from __future__ import annotations

import hashlib
import os
from functools import cache

os.environ.setdefault("OPENBLAS_CORETYPE", "Haswell")

WITHIN_ELSEWHERE = 0.1
"""Relative tolerance on another kind of processor: answers differ by up to 0.07 there."""


@cache
def is_here() -> bool:
    """Whether this machine rounds so."""
    import numpy as np

    rows = np.linspace(0.01, 1.0, 16 * 25, dtype=np.float32).reshape(16, 25)
    terms = np.sqrt(np.linspace(0.01, 2.0, 25 * 99, dtype=np.float32)).reshape(25, 99)
    parts = terms.T @ rows.T, np.exp(-rows), np.log(rows), np.log(rows.astype(np.float64))
    digest = hashlib.sha256(b"".join(part.tobytes() for part in parts)).hexdigest()
    return digest == "fa34c1b4a5c9e3d86cab7511c925d2cf0638376eb018f8ad2a3ce0a2962ccf25"
