"""Median and quantiles of rows of numbers, without what numpy's own spend on axes, weights and kinds: on a few dozen
values that is most of their cost, and a drive is judged with hundreds of them. The numbers are numpy's.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from obdwatch.records import FloatArray


def median(values: FloatArray | Sequence[float]) -> float:
    """Return the middle of a row [unit of values], NaN where it is empty or holds one.

    Parameters: values [n]. Valid: any order. Reference: numpy.median.

    >>> median(np.array([4.0, 1.0, 3.0, 2.0])), median(np.array([1.0, np.nan]))
    (2.5, nan)
    """
    row = np.array(values, dtype=np.float64)
    last = len(row) - 1
    if last < 0:
        return float("nan")
    below, above = last // 2, len(row) // 2
    row.partition((below, above, last))
    if np.isnan(row[last]):  # NaN comes last
        return float("nan")
    low, high = float(row[below]), float(row[above])
    return low if low == high else low + (high - low) * 0.5


def quantiles(values: FloatArray, shares: Sequence[float]) -> list[float]:
    """Return what these shares (0 to 1) of a row lie below [unit of values], NaN where it is empty or holds one.

    Parameters: values [n]; shares. Valid: any order. Reference: linear between neighbours, definition 7 of R. J.
    Hyndman and Y. Fan, Sample Quantiles in Statistical Packages (1996, from memory); numpy.percentile.

    >>> quantiles(np.array([4.0, 1.0, 3.0, 2.0]), (0.0, 0.5, 0.9))
    [1.0, 2.5, 3.7]
    """
    ordered = np.sort(values)
    last = len(ordered) - 1
    if last < 0 or np.isnan(ordered[last]):  # sorting puts NaN last
        return [float("nan")] * len(shares)
    found = []
    for share in shares:
        place = share * last
        below = int(place)
        low, high, on = float(ordered[below]), float(ordered[min(below + 1, last)]), place - below
        # From the nearer end, as numpy does it.
        found.append(low + (high - low) * on if on < 0.5 else high - (high - low) * (1.0 - on))
    return found
