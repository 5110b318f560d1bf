"""How far values scatter beyond their uncertainties, and what an uncertainty lacks that only a few of them tell."""

from __future__ import annotations

import numpy as np

from pipeline.physics import Array


def student_factor(freedom: int) -> float:
    """How much wider Student's t with so many degrees of freedom (1 or more) is than a Gaussian, at one standard
    uncertainty to each side: 68.27 % lie within it.
    """
    from scipy.special import ndtr, stdtrit  # a fifth of what a clip alone needs to load, and it is rarely called

    return float(stdtrit(freedom, ndtr(1.0)))


def between(values: Array, variance: Array) -> float:
    """DerSimonian and Laird's variance between (N,) values, 2 or more, beyond their own ``variance``; from memory."""
    weight = 1 / variance
    mean = np.sum(weight * values) / np.sum(weight)
    excess = float(np.sum(weight * (values - mean) ** 2)) - (len(values) - 1)
    return max(excess / float(np.sum(weight) - np.sum(weight**2) / np.sum(weight)), 0.0)
