"""A least-recently-used cache for results of pure functions, keyed by their complete input."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

_V = TypeVar("_V")


class Remembered(Generic[_V]):
    """A thread-safe least-recently-used cache with a total weight.

    The key is the complete input of the function, so a cached result is never out of date. Callers must not change a result.

    Args:
        most: the largest total weight.

    Example:
        >>> kept = Remembered[int](most=2)
        >>> [kept.get(n, 1, lambda: n * n) for n in (2, 3)], kept.get(2, 1, lambda: 0)
        ([4, 9], 4)
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._weight = 0
        self._kept: OrderedDict[Hashable, tuple[int, _V]] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable, weight: int, work: Callable[[], _V]) -> _V:
        """Returns the cached result of a key. A missing result is computed and stored, and the least recently used ones are dropped.

        Args:
            key: the complete input, by value.
            weight: of the result, such as its number of values. A result heavier than `most` is not cached.
            work: computes the result. Two threads may compute the same result at the same time.
        """
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
                return found[1]
        made = work()
        with self._lock:
            if key not in self._kept and weight <= self._most:
                self._kept[key] = (weight, made)
                self._weight += weight
                while self._weight > self._most:
                    self._weight -= self._kept.popitem(last=False)[1][0]
        return made
