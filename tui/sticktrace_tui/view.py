"""What the exchange table shows of a capture: selection, folds, the place of the cursor, jumps. No screen here."""

from __future__ import annotations

from typing import Any

import numpy as np

from sticktrace import Exchange, lba_and_blocks
from sticktrace.output.selection import Selection, SelectionError
from sticktrace_tui.arrange import NOTHING, Arrangement
from sticktrace_tui.model import Model

FOLDED, SHOWN, HIDDEN = "folded", "shown", "hidden"
_NEXT = {FOLDED: SHOWN, SHOWN: HIDDEN, HIDDEN: FOLDED}


class View:
    """Lines of a model under a selection. `refresh` lays them out anew; the cursor stays on its item."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.lines: Arrangement = NOTHING
        self.words = ""
        self.trouble = ""
        """Why the words typed last are not understood, "" if they are; the selection before them stays."""
        self.requests = FOLDED
        self.fold = True
        self.at = 0
        """The line under the cursor."""
        self.chosen = 0
        self._opened: set[int] = set()
        self._selection: Selection | None = None

    def __len__(self) -> int:
        return len(self.lines)

    def refresh(self) -> None:
        """Lay the lines out as the capture is now."""
        place = self.place()
        mask = None if self._selection is None else self._selection.mask
        rows = self.model.choose(mask)
        self.chosen = len(rows)
        woven = self.requests != HIDDEN and self._selection is None
        self.lines = self.model.arrange(
            rows, woven, self.fold, self.fold and self.requests == FOLDED, frozenset(self._opened)
        )
        if place is not None:
            self.at = self.lines.index_of(*place)
        self.at = max(0, min(self.at, len(self.lines) - 1))

    def place(self) -> tuple[int, int] | None:
        """The item under the cursor and its place in the capture."""
        if not len(self.lines):
            return None
        return int(self.lines.codes[self.at]), int(self.lines.order[self.at])

    @property
    def code(self) -> int | None:
        """The item under the cursor."""
        return int(self.lines.codes[self.at]) if len(self.lines) else None

    def select(self, words: str) -> bool:
        """Take selection words; returns whether they are understood. Empty ones choose everything."""
        words = words.strip()
        try:
            selection = Selection(words) if words else None
        except SelectionError as error:
            self.trouble = str(error)
            return False
        self.trouble = ""
        if words != self.words:
            self.words, self._selection = words, selection
            self.refresh()
        return True

    def toggle_fold(self) -> bool:
        """Open the fold under the cursor, or close the one that the cursor is in. Returns whether there was one."""
        if not len(self.lines):
            return False
        code, size = int(self.lines.codes[self.at]), int(self.lines.sizes[self.at])
        if size > 1:
            self._opened.add(code)
        else:
            start = self._opened_above(code)
            if start is None:
                return False
            self._opened.discard(start)
        self.refresh()
        return True

    def _opened_above(self, code: int) -> int | None:
        """The first code of the opened fold that an item lies in."""
        direction = 1 if code >= 0 else -1
        above = [c for c in self._opened if (c >= 0) == (code >= 0) and c * direction <= code * direction]
        if not above:
            return None
        nearest = max(above, key=lambda c: c * direction)
        self._opened.discard(nearest)
        closed = self.model.arrange(
            self.model.choose(None if self._selection is None else self._selection.mask),
            self.requests != HIDDEN and self._selection is None, self.fold, self.fold and self.requests == FOLDED,
            frozenset(self._opened),
        )  # fmt: skip
        self._opened.add(nearest)
        line = closed.index_of(code, self.model.order(code))
        return nearest if line >= 0 and int(closed.codes[line]) == nearest else None

    def toggle_all(self) -> None:
        """Fold repeats, or show every item."""
        self.fold = not self.fold
        self._opened.clear()
        self.refresh()

    def cycle_requests(self) -> None:
        """Control requests folded, each shown, or hidden."""
        self.requests = _NEXT[self.requests]
        self.refresh()

    def go_to(self, code: int) -> bool:
        """Put the cursor on an item, opening its fold or giving up the selection if it is not among the lines."""
        for attempt in range(3):
            line = self.lines.index_of(code, self.model.order(code))
            if line >= 0 and (found := int(self.lines.codes[line])) == code:
                self.at = line
                return True
            if attempt == 0 and line >= 0 and _within(code, found, int(self.lines.sizes[line])):
                self._opened.add(found)
            elif code < 0 and self.requests == HIDDEN:
                self.requests = FOLDED
                self.words, self._selection = "", None
            else:
                self.words, self._selection = "", None
            self.refresh()
        return False

    def _jump(self, codes: Any, forward: bool) -> bool:
        """To the nearest of some items, rising in the order of the capture, after or before the cursor."""
        place = self.place()
        if place is None or not len(codes):
            return False
        orders = np.array([self.model.order(int(c)) for c in codes]) if (codes < 0).any() else codes * 2 + 1
        level = (orders == place[1]) & (codes < 0)
        if forward:
            found = np.flatnonzero((orders > place[1]) | (level & (codes < place[0])))
            return bool(len(found)) and self.go_to(int(codes[found[0]]))
        found = np.flatnonzero((orders < place[1]) | (level & (codes > place[0])))
        return bool(len(found)) and self.go_to(int(codes[found[-1]]))

    def next_fault(self, forward: bool = True) -> bool:
        """To the next thing that went wrong, selected or not."""
        return self._jump(self.model.faults(), forward)

    def next_same_command(self, forward: bool = True) -> bool:
        """To the next exchange of the same command."""
        item = self._exchange()
        if item is None:
            return False
        row = self.code or 0
        return self._jump(self.model.choose(lambda table: table.column("name") == table.column("name")[row]), forward)

    def next_same_lba(self, forward: bool = True) -> bool:
        """To the next exchange that touches one of the same blocks."""
        item = self._exchange()
        lba, blocks = (None, None) if item is None else lba_and_blocks(item.cdb)
        if lba is None:
            return False
        last = lba + max(1, blocks or 1) - 1
        return self._jump(self.model.choose(Selection([f"lba:{lba}..{last}"]).mask), forward)

    def next_of(self, codes: list[int]) -> bool:
        """To the next of some items, the first of them after the last; those not read yet are passed over."""
        ordered = np.array(sorted(filter(self.model.holds, codes), key=self.model.order), np.int64)
        return self._jump(ordered, True) or (bool(len(ordered)) and self.go_to(int(ordered[0])))

    def step(self, step: int) -> bool:
        """To the line before or after."""
        if not 0 <= self.at + step < len(self.lines):
            return False
        self.at += step
        return True

    def _exchange(self) -> Exchange | None:
        item = None if self.code is None else self.model.item(self.code)
        return item if isinstance(item, Exchange) else None


def _within(code: int, first: int, size: int) -> bool:
    return first <= code < first + size if first >= 0 else first - size < code <= first
