"""Columns of numbers that take little room, each for a way in which numbers of exchanges go. All of them append one
number or a numpy array of them, give one back by its row, and all of them as a numpy array.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Any, Protocol

_MOST = (1 << 63) - 1

Numbers = Any
"""A numpy array; numpy itself is imported late."""


class Column(Protocol):
    """What every column offers."""

    def append(self, value: int) -> None:
        """One number at the end."""

    def extend(self, values: Numbers) -> None:
        """Many at the end."""

    def __getitem__(self, row: int) -> int: ...

    def whole(self) -> Numbers:
        """All of them."""


class Plain:
    """Numbers of one size, as the type code of `array` says; what is larger counts as the largest."""

    def __init__(self, code: str) -> None:
        self._numbers = array(code)
        self._most = (1 << 8 * self._numbers.itemsize - code.islower()) - 1

    def append(self, value: int) -> None:
        """One number at the end."""
        self._numbers.append(min(value, self._most))

    def extend(self, values: Numbers) -> None:
        """Many at the end, none of them too large."""
        self._numbers.frombytes(values.astype(self._numbers.typecode).tobytes())

    def __getitem__(self, row: int) -> int:
        return self._numbers[row]

    def whole(self) -> Numbers:
        """All of them, without copying: nothing can be appended while that is held."""
        import numpy as np

        return np.frombuffer(self._numbers, self._numbers.typecode)


class Narrow:
    """Numbers that mostly fit into 32 bits, or are -1; any other is kept beside."""

    _OTHER, _NONE = 0xFFFFFFFF, 0xFFFFFFFE

    def __init__(self) -> None:
        self._numbers = array("I")
        self._others: dict[int, int] = {}

    def append(self, value: int) -> None:
        """One number at the end."""
        if 0 <= value < self._NONE:
            self._numbers.append(value)
            return
        if value != -1:
            self._others[len(self._numbers)] = value
        self._numbers.append(self._NONE if value == -1 else self._OTHER)

    def extend(self, values: Numbers) -> None:
        """Many at the end."""
        import numpy as np

        fits = (values >= 0) & (values < self._NONE)
        for place in np.flatnonzero(~fits & (values != -1)).tolist():
            self._others[len(self._numbers) + place] = int(values[place])
        kept = np.where(fits, values, np.where(values == -1, self._NONE, self._OTHER))
        self._numbers.frombytes(kept.astype(np.uint32).tobytes())

    def __getitem__(self, row: int) -> int:
        value = self._numbers[row]
        return value if value < self._NONE else -1 if value == self._NONE else self._others[row]

    def whole(self) -> Numbers:
        """All of them."""
        import numpy as np

        found = np.frombuffer(self._numbers, np.uint32).astype(np.int64)
        found[found == self._NONE] = -1
        for row, value in self._others.items():
            found[row] = min(max(value, -(1 << 63)), (1 << 63) - 1)
        return found


class Streaks:
    """Numbers that seldom change from row to row: where each begins."""

    def __init__(self) -> None:
        self._starts, self._values = array("I"), array("q")
        self._count = 0
        self._last: int | None = None

    def append(self, value: int) -> None:
        """One number at the end."""
        value = max(-_MOST - 1, min(value, _MOST))
        if value != self._last:
            self._starts.append(self._count)
            self._values.append(value)
            self._last = value
        self._count += 1

    def extend(self, values: Numbers) -> None:
        """Many at the end."""
        import numpy as np

        begins = np.flatnonzero(values[1:] != values[:-1]) + 1
        for place in [0, *begins.tolist()]:
            value = int(values[place])
            if value != self._last:
                self._starts.append(self._count + place)
                self._values.append(value)
                self._last = value
        self._count += len(values)

    def __getitem__(self, row: int) -> int:
        return self._values[bisect_right(self._starts, row) - 1]

    def whole(self) -> Numbers:
        """All of them."""
        import numpy as np

        starts = np.array([*self._starts, self._count], np.int64)
        lengths: Numbers = starts[1:] - starts[:-1]
        return np.repeat(np.frombuffer(self._values, np.int64), lengths)


class Scattered:
    """Lists of numbers of some rows, in order of these."""

    def __init__(self) -> None:
        self._rows, self._ends, self._flat = array("I"), array("Q"), array("Q")

    def add(self, row: int, numbers: Sequence[int]) -> None:
        """The list of a row behind all others."""
        self._flat.extend(numbers)
        self._rows.append(row)
        self._ends.append(len(self._flat))

    def of(self, row: int) -> array[int] | None:
        """The list of a row, None if it has none."""
        place = bisect_left(self._rows, row)
        if place == len(self._rows) or self._rows[place] != row:
            return None
        return self._flat[self._ends[place - 1] if place else 0 : self._ends[place]]
