"""Medians of many short rows."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Real = TypeVar("Real", bound=np.floating)


def median(values: NDArray[Real]) -> NDArray[Real]:
    """(...) medians of (..., K): np.median's, which takes several times as long over rows as short as a ball's rays."""
    ordered, half = np.sort(values, axis=-1), values.shape[-1] // 2
    if values.shape[-1] % 2:
        return np.asarray(ordered[..., half])
    return np.asarray((ordered[..., half - 1] + ordered[..., half]) / 2)
