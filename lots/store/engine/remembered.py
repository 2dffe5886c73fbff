"""Results of pure functions, kept by their whole input: what has not changed is not worked out again, and nothing can be out of date."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

_V = TypeVar("_V")


class Remembered(Generic[_V]):
    """The results last asked for, up to a weight in all; thread-safe.

    The key is everything that the result follows from, so a result is right as long as it is kept. Whoever is given one must not change it.

    Args:
        most: the weight of all that is kept.

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
        """Returns the result kept for a key, else what `work` returns, which is kept in place of those not asked for the longest.

        Args:
            key: the whole input, by value.
            weight: of the result, such as how many values it has; a heavier one than `most` is not kept.
            work: works it out. Two threads that ask at once may both do so.
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
