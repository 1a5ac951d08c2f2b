"""Many looks at once: how much one of them is still worth (Benjamini and Hochberg 1995)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def benjamini_hochberg(chances: ArrayLike) -> NDArray[np.float64]:
    """Return for each look the share of false finds to expect among all that look at least as good (the q-value).

    Takes p-values; a look that could not be taken is nan, stays nan and counts for nothing. Calling everything a find
    whose q is at most 0.05 gives finds of which at most 5 % are false, on average, if the looks do not speak against
    each other.
    """
    p = np.asarray(chances, dtype=np.float64)
    looked = np.flatnonzero(~np.isnan(p))
    order = looked[np.argsort(p[looked], kind="stable")]
    raised = p[order] * order.size / np.arange(1, order.size + 1)
    q = np.full(p.shape, np.nan)
    q[order] = np.minimum(np.minimum.accumulate(raised[::-1])[::-1], 1.0)
    return q
