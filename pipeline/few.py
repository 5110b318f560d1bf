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


def between(values: Array, variance: Array, design: Array | None = None) -> float:
    """DerSimonian and Laird's variance between (N,) values beyond their own ``variance``; from memory.

    design : (N, k), N more than k, of a linear model about which they scatter; None: about their mean
    """
    x = np.ones((len(values), 1)) if design is None else design
    weight = 1 / variance
    inverse = np.linalg.inv(x.T @ (weight[:, None] * x))
    off = values - x @ (inverse @ (x.T @ (weight * values)))
    excess = float(np.sum(weight * off**2)) - (len(values) - x.shape[1])
    taken = float(np.sum(weight)) - np.trace(inverse @ (x.T @ (weight[:, None] ** 2 * x)))
    return float(max(excess / taken, 0.0))
