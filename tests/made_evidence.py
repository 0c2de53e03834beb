"""Attacks and where they come again, made up: from copies of which a test says what is true."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tempotape.bench.copies import Matches
from tempotape.bench.explaining import Evidence


def made_evidence(
    at: npt.NDArray[np.int64],
    matches: Matches,
    *,
    since: npt.ArrayLike = -100_000,
    heard: npt.NDArray[np.int64] | None = None,
    end: int | None = None,
    rate_hz: float = 24_000.0,
) -> Evidence:
    """Sounds of 6 ms that stand out well, at samples `at`, from a recording that ends at `end`.

    It was silent, or nothing is known of it, before sample `since`; after the last sound it goes
    on for 100 000 samples more, where no end is told.
    """
    return Evidence(
        at=at,
        since=np.broadcast_to(since, len(at)),
        energy=np.full(len(at), 1000.0),
        matches=matches,
        heard=heard,
        end=int(at[-1]) + 100_000 if end is None else end,
        rate=rate_hz,
        length_s=0.006,
    )
