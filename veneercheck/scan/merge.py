"""Corners that lie at one place become one vertex, exactly and fast."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Ints

_MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)
"""Odd 64-bit constants with well spread bits; only speed depends on them, never the result."""

_FOLD = np.uint64(32)


def merge_equal(points: npt.NDArray[np.floating]) -> tuple[Ints, Ints]:
    """Give equal points one number, in the order in which they are first met.

    Parameters
    ----------
    points : ndarray of float32 or float64, shape (k, 3)
        Finite; −0 counts as 0 only if the caller has made it so.

    Returns
    -------
    first : ndarray of int64, shape (n,)
        Where each different point stands first.
    number : ndarray of int64, shape (k,)
        For every point, its place in `first`.

    Notes
    -----
    The points are sorted by a hash whose low bits give way to the point's index, so that one sort
    of 64-bit words does it; equality of the points is then checked, and where two different
    points share a hash the slow exact way is taken.

    Examples
    --------
    >>> merge_equal(np.array([[1.0, 0, 0], [2.0, 0, 0], [1.0, 0, 0]]))[1]
    array([0, 1, 0])
    """
    count = len(points)
    if count == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    head = _head_by_hash(points)
    is_first = head == np.arange(count)
    if not _all_equal(points, head, is_first):
        head = _head_by_sorting(points)
        is_first = head == np.arange(count)
    number = (np.cumsum(is_first) - 1)[head]
    return np.flatnonzero(is_first), number


def _head_by_hash(points: npt.NDArray[np.floating]) -> Ints:
    count = len(points)
    index_bits = np.uint64(count.bit_length())
    low = (np.uint64(1) << index_bits) - np.uint64(1)
    packed = _hash(points)
    packed &= ~low
    packed |= np.arange(count, dtype=np.uint64)
    packed.sort()
    order = (packed & low).astype(np.int64)
    packed >>= index_bits
    starts = np.ones(count, dtype=bool)
    np.not_equal(packed[1:], packed[:-1], out=starts[1:])
    return _spread(order, starts)


def _head_by_sorting(points: npt.NDArray[np.floating]) -> Ints:
    order = np.lexsort(points.T)
    ordered = points[order]
    starts = np.ones(len(points), dtype=bool)
    starts[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    return _spread(order, starts)


def _spread(order: Ints, starts: Bools) -> Ints:
    """For every point the index of the first of its group; the sort is stable in the index."""
    head = np.empty(len(order), dtype=np.int64)
    head[order] = order[starts][np.cumsum(starts) - 1]
    return head


def _hash(points: npt.NDArray[np.floating]) -> npt.NDArray[np.uint64]:
    word = np.uint32 if points.dtype == np.float32 else np.uint64
    bits = np.ascontiguousarray(points).view(word)
    mixed: npt.NDArray[np.uint64] = bits[:, 0] * _MIXERS[0]
    for column in (1, 2):
        mixed ^= mixed >> _FOLD
        mixed += bits[:, column] * _MIXERS[column]
        mixed *= _MIXERS[0]
    mixed ^= mixed >> _FOLD
    mixed *= _MIXERS[1]
    return mixed


def _all_equal(points: npt.NDArray[np.floating], head: Ints, is_first: Bools) -> bool:
    again = np.flatnonzero(~is_first)
    return bool((points[again] == points[head[again]]).all())
