"""A hidden chain of two states with its own weights at every step.

Weights ``w`` have shape (2, 2, n): ``w[i, j, t]`` is proportional to the probability of state j at t, and of what was
seen at t, given state i at t - 1. At t = 0 both rows are the same: the start. Only ratios matter, and each step may be
scaled freely. With two states one number a step suffices, the odds of state 1, and a step is a ratio of two sums; so
neither logarithms nor scaling are needed.
"""

import numpy as np

FLOOR = 1e-13  # smallest weight relative to the largest of a step: odds stay inside 1e-13 .. 1e13


def floored(w):
    """Return weights scaled so that the largest of each step is 1 and none is below `FLOOR`."""
    return np.maximum(w / w.max(axis=(0, 1)), FLOOR)


def odds(w):
    """Return the odds of state 1 at each step given everything seen; shape (n,)."""
    blocks = _Blocks(w)
    products = blocks.products()
    both = blocks.sweep(products, forward=True)
    both *= blocks.sweep(products, forward=False)
    return blocks.in_order(both)


class _Blocks:
    """The steps laid out as blocks of consecutive steps, so that numpy works on all blocks at once.

    First the product of each block's matrices, then the odds at the block borders one by one, then all blocks
    together step by step: exact over the whole series.
    """

    def __init__(self, w):
        self.count = w.shape[2]
        self.size = max(1, int(np.sqrt(self.count) * 0.17))
        self.blocks = -(-self.count // self.size)
        steps = np.empty((self.size, 4, self.blocks))
        full, rest = divmod(self.count, self.size)
        for k, (i, j) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
            steps[:, k, :full] = w[i, j, : full * self.size].reshape(full, self.size).T
            if rest:  # the last block is filled up with steps that change nothing
                steps[:rest, k, full] = w[i, j, full * self.size :]
                steps[rest:, k, full] = float(i == j)
        self.steps = steps

    def in_order(self, out):
        """Return numbers laid out as blocks in the order of time."""
        return out.T.ravel()[: self.count]

    def products(self):
        """Return the product of the matrices of each block as lists of four numbers, scaled now and then."""
        total = self.steps[0].reshape(2, 2, self.blocks).copy()
        part, other = np.empty_like(total), np.empty_like(total)
        for s in range(1, self.size):
            step = self.steps[s]
            np.multiply(total[:, :1], step[:2], out=part)
            np.multiply(total[:, 1:], step[2:], out=other)
            np.add(part, other, out=total)
            if s % 16 == 0:
                total /= total.sum(axis=(0, 1))
        return (total / total.sum(axis=(0, 1))).reshape(4, self.blocks).T.tolist()

    def sweep(self, products, forward):
        """Return the odds given everything up to each step (forward), or the ratio that all after it gives (back)."""
        order = 1 if forward else -1
        entry, odds = np.empty(self.blocks), 1.0
        for b in range(self.blocks)[::order]:
            p00, p01, p10, p11 = products[b]
            toward, away = (p01, p10) if forward else (p10, p01)
            entry[b] = odds
            odds = (toward + odds * p11) / (p00 + odds * away)
        from_0, from_1 = (slice(0, 2), slice(2, 4)) if forward else (slice(0, 4, 2), slice(1, 4, 2))
        out, pair, odds = np.empty((self.size, self.blocks)), np.empty((2, self.blocks)), entry
        for s in range(self.size)[::order]:
            out[s] = odds
            np.multiply(odds, self.steps[s, from_1], out=pair)
            pair += self.steps[s, from_0]
            odds = pair[1] / pair[0]
            if forward:
                out[s] = odds
        return out
