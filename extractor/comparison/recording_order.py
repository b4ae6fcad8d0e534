"""The recording order in a design: whether a drift can be told from the antennas."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Least share of the order's variation that antennas and sessions must leave unexplained: below
#: it the variance of a difference is more than ten times what it could be.
LEAST_LEFT = 0.1
#: The same where too few mountings are left to put the order into the model.
LEAST_LEFT_OUTSIDE = 0.5
#: What the recording order is in a design; ``confounded``: no verdict on antennas.
OrderState = Literal["in the model", "not known", "too few mountings", "confounded"]


def rank(matrix: Array) -> int:
    """Return the rank; 0 for a matrix without columns."""
    return int(np.linalg.matrix_rank(matrix)) if matrix.size else 0


def adds(base: Array, block: Array) -> bool:
    """Tell whether every column of `block` can be told from `base`."""
    if block.shape[1] == 0:
        return False
    return rank(np.hstack([base, block])) == rank(base) + block.shape[1]


def places(table: pd.DataFrame) -> tuple[Array, tuple[str, ...]]:
    """Return each session's recording order as a column, centred, and those sessions' names."""
    columns, names = [], []
    for name, part in table.groupby("session") if "order" in table else ():
        order = part["order"].astype(float)
        if order.notna().all() and order.nunique() > 1:
            column = (order - order.mean()).reindex(table.index, fill_value=0.0)
            columns.append(column.to_numpy(float))
            names.append(str(name))
    return np.array(columns, dtype=float).reshape(-1, len(table)).T.astype(float), tuple(names)


def order_state(
    table: pd.DataFrame, places: Array, adjust: Array, alone: Array, outside: Array
) -> tuple[OrderState, Array]:
    """Decide what the order is here (``docs/method.md``, Order); return its columns too."""
    columns = adjust @ places
    if columns.shape[1] < table["session"].nunique():
        return "not known", columns
    if _in_stretches(table):
        return "confounded", columns
    if adds(outside, columns) and spare(outside, columns) >= 2:
        free = min(
            _left_share(np.hstack([alone, np.delete(columns, j, axis=1)]), columns[:, j])
            for j in range(columns.shape[1])
        )
        return ("confounded" if free < LEAST_LEFT else "in the model"), columns
    free = _left_share(alone, columns.sum(axis=1))
    return ("confounded" if free < LEAST_LEFT_OUTSIDE else "too few mountings"), columns


def _left_share(base: Array, column: Array) -> float:
    """Return the share of a column's variation inside sessions that `base` leaves over."""
    left = column - base @ np.linalg.lstsq(base, column, rcond=None)[0]
    total = float(column @ column)
    return float(left @ left) / total if total > 0 else 0.0


def _in_stretches(table: pd.DataFrame) -> bool:
    """Tell whether in some session each antenna had all its mountings in one go."""
    for _, part in table.groupby("session"):
        first = part.groupby(["antenna", "mounting"])["order"].mean().sort_values()
        turns = first.index.get_level_values("antenna").to_numpy()
        count = len(set(turns))
        if count > 1 and len(turns) > count and int((turns[1:] != turns[:-1]).sum()) == count - 1:
            return True
    return False


def spare(base: Array, block: Array) -> int:
    """Count the degrees of freedom that remain with `block`; 2 are the least worth having."""
    return base.shape[0] - rank(base) - block.shape[1]
