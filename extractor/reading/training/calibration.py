"""Turns string probabilities into confidences: how often such readings are right."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

#: Bounds of the bins of string probability; closer where it matters.
BOUNDS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0)

#: Bins with fewer readings are left to their neighbours.
LEAST_READINGS = 25


def same_number(read: str, truth: str) -> bool:
    """Whether two labels say the same, letters around the number and the kind of point apart."""
    cores = [(text.strip("~ ") or text).replace(",", ".") for text in (read, truth)]
    return cores[0] == cores[1]


def calibration_table(
    probability: npt.NDArray[np.float64], right: npt.NDArray[np.bool_]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return mean string probabilities of `BOUNDS`' bins and the shares right there.

    The shares never fall (isotonic regression over single readings); the table is extended
    flat to 1 and straight to (0, 0).
    """
    order = np.argsort(probability, kind="stable")
    rising = isotonic_regression(right[order].astype(float)).x
    bins = np.digitize(probability[order], BOUNDS[1:-1])
    knots, shares = [0.0], [0.0]
    for number in np.unique(bins):
        inside = bins == number
        if inside.sum() < LEAST_READINGS:
            continue
        knots.append(float(probability[order][inside].mean()))
        shares.append(float(rising[inside].mean()))
    knots.append(1.0)
    shares.append(shares[-1])
    return tuple(round(k, 4) for k in knots), tuple(round(s, 4) for s in shares)
