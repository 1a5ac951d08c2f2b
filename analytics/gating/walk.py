"""The walk: from one moment back along the binding predecessors, all ancestors found in log2(n) gathers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]


def walk(before: Ints, root: int) -> Ints:
    """Return the chain from root to its end: root, before[root], before[before[root]], …

    Takes    before: for each moment the one that it waited for, -1 for none. A ring ends where it would begin again.
    """
    n = len(before)
    nowhere = n
    jump = np.append(np.where(before < 0, nowhere, before), nowhere).astype(np.int64)
    chain = np.array([root], dtype=np.int64)
    # The k-th doubling appends, for each of the 2^k moments found, the one 2^k steps before it.
    while True:
        new = jump[chain]
        new = new[new != nowhere] if not len(chain) else new
        stop = np.flatnonzero(new == nowhere)
        if len(stop):
            new = new[: stop[0]]
        chain = np.concatenate([chain, new])
        if len(stop) or len(chain) > n:
            break
        jump = jump[jump]
    seen_at = np.unique(chain, return_index=True)[1]
    return chain[: len(seen_at)] if len(seen_at) < len(chain) else chain
