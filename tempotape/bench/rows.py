"""A few of many rows."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Kind = TypeVar("Kind", bound=np.generic)


def evenly(rows: NDArray[Kind], most: int) -> NDArray[Kind]:
    """`rows`, of shape (n,), or where they are more than `most`, so many from first to last.

    >>> evenly(np.arange(10), 4)
    array([0, 3, 6, 9])
    """
    if len(rows) <= most:
        return rows
    some: NDArray[Kind] = rows[np.linspace(0, len(rows) - 1, most).astype(int)]
    return some
