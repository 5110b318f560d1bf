"""What an uncertainty lacks that was estimated from the scatter of only a few values."""

from __future__ import annotations

from scipy.special import ndtr, stdtrit


def student_factor(freedom: int) -> float:
    """How much wider Student's t with so many degrees of freedom (1 or more) is than a Gaussian, at one standard
    uncertainty to each side: 68.27 % lie within it.
    """
    return float(stdtrit(freedom, ndtr(1.0)))
