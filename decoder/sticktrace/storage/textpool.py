"""Many short texts held as one run of bytes, at about their own length each; a list of strings takes five times it."""

from __future__ import annotations

import re
from array import array
from typing import Any

_REMEMBERED = 4096


class TextPool:
    """Append texts and get them back by index. A text that was added lately gets the index that it had; one that came
    back after long may stand twice. Index 0 is the empty text."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self._ends = array("Q", (0,))
        self._lately: dict[str, int] = {"": 0}

    def __len__(self) -> int:
        return len(self._ends)

    def add(self, text: str) -> int:
        """The index of a text. A line feed in it becomes a space, since it parts texts here."""
        index = self._lately.get(text)
        if index is None:
            if len(self._lately) > _REMEMBERED:
                self._lately = {"": 0}
            index = self._lately[text] = len(self._ends)
            self._bytes += text.replace("\n", " ").encode("utf-8", "surrogatepass") + b"\n"
            self._ends.append(len(self._bytes))
        return index

    def __getitem__(self, index: int) -> str:
        if not index:
            return ""
        return self._bytes[self._ends[index - 1] : self._ends[index] - 1].decode("utf-8", "surrogatepass")

    def holding(self, wanted: str) -> Any:
        """A numpy array of truth values, one per text: whether it holds ``wanted``, in any case of ASCII letters."""
        import numpy as np

        found = np.zeros(len(self._ends), dtype=bool)
        if not wanted:
            found[:] = True
            return found
        pattern = re.compile(re.escape(wanted.encode("utf-8", "surrogatepass")), re.IGNORECASE)
        places = [match.start() for match in pattern.finditer(bytes(self._bytes))]
        ends = np.frombuffer(self._ends, dtype=np.uint64)
        found[np.searchsorted(ends, np.array(places, dtype=np.uint64), side="right")] = True
        return found
