"""Which lines the exchange table has, as arrays: exchanges chosen, requests woven in, repeats folded. No text here.

A line is a code: the row of an exchange from 0 up, or -1 - i for item i of `Woven`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.int64]
Truth = NDArray[np.bool_]

FOLD_FROM = 3
"""So many repeats become one line."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The lines in order. ``codes`` is the first code of each line, ``sizes`` how many items it stands for,
    ``repeats`` the same without REQUEST SENSE that only fetched the sense of another. ``order`` rises with the codes'
    place in the capture."""

    codes: Codes
    sizes: NDArray[np.int64]
    repeats: NDArray[np.int64]
    order: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.codes)

    def index_of(self, code: int, order: int) -> int:
        """The line that shows an item, or the nearest one after it; -1 if there is no line at all."""
        if not len(self.codes):
            return -1
        at = int(np.searchsorted(self.order, order, "left"))
        end = int(np.searchsorted(self.order, order, "right"))
        exact = np.flatnonzero(self.codes[at:end] == code)
        if len(exact):
            return at + int(exact[0])
        if at and order < int(self.order[at - 1]) + 2 * int(self.sizes[at - 1]):
            return at - 1  # inside the fold that begins before it
        return min(at, len(self.codes) - 1)


NOTHING = Arrangement(*(np.zeros(0, np.int64) for _ in range(4)))


def continues(columns: dict[str, Any], attached: NDArray[np.uint8], since: int = 0) -> Truth:
    """For each exchange from row ``since`` on, whether it goes on with the row before it: it repeats that command with
    the same outcome, it reads or writes the next blocks, or it fetched that command's sense.

    ``columns`` are those of `ExchangeTable`, from row 0.
    """
    rows = np.arange(since, len(attached))
    main = rows - 1
    main -= attached[np.maximum(main, 0)]  # a fetched sense belongs to the row before it
    there = main >= 0
    main = np.maximum(main, 0)
    same = there.copy()
    for name in ("name", "bus", "address", "lun", "status", "sense", "direction"):
        column = columns[name]
        same &= column[rows] == column[main]
    lba, blocks = columns["lba"], columns["blocks"]
    ahead = lba[main] + np.maximum(blocks[main], 0)
    follows = (lba[rows] == ahead) & (lba[rows] >= 0)
    asked = columns["expected"]
    again = (lba[rows] == lba[main]) & (blocks[rows] == blocks[main]) & (asked[rows] == asked[main])
    result: Truth = (same & (follows | again)) | (attached[since:] != 0)
    if since == 0 and len(result):
        result[0] = False
    return result


def arrange(
    rows: Codes,
    goes_on: Truth,
    attached: NDArray[np.uint8],
    after: Codes,
    requests: Truth,
    fold: bool = True,
    fold_requests: bool = True,
    opened: frozenset[int] = frozenset(),
) -> Arrangement:
    """Lay out the lines.

    ``rows`` are the chosen exchanges, rising; ``goes_on`` as from `continues`; ``after`` and ``requests`` tell of each
    woven item how many exchanges precede it and whether it is a control request. ``opened`` holds the first codes
    of folds to show in full.
    """  # fmt: skip
    woven = -1 - np.arange(len(after), dtype=np.int64)
    codes: Codes = np.insert(rows, np.searchsorted(rows, after), woven) if len(after) else rows
    if not len(codes):
        return NOTHING
    joined = _joined(codes, goes_on, requests, fold, fold_requests)
    if joined is None:
        ones = np.ones(len(codes), np.int64)
        return Arrangement(codes, ones, ones, order_of(codes, after))
    starts = np.flatnonzero(~joined)
    sizes = np.diff(starts, append=len(codes))
    fetched = np.zeros(len(codes), np.int64)  # how many before each place only fetched the sense of another
    exchange = codes >= 0
    fetched[exchange] = attached[codes[exchange]]
    repeats = sizes - np.add.reduceat(fetched, starts)
    folded = np.where(codes[starts] >= 0, repeats >= FOLD_FROM, sizes > 1)
    if opened:
        folded &= ~np.isin(codes[starts], list(opened))
    if folded.all():
        return Arrangement(codes[starts], sizes, repeats, order_of(codes[starts], after))
    at = np.flatnonzero(~joined | np.repeat(~folded, sizes))
    out_sizes = np.diff(at, append=len(codes))
    out_repeats = out_sizes - np.add.reduceat(fetched, at)
    return Arrangement(codes[at], out_sizes, out_repeats, order_of(codes[at], after))


def _joined(codes: Codes, goes_on: Truth, requests: Truth, fold: bool, fold_requests: bool) -> Truth | None:
    """Whether each code belongs to one run with the code before it; None if none does."""
    joined = np.zeros(len(codes), np.bool_)
    if fold and len(goes_on):
        joined[1:] = codes[1:] == codes[:-1] + 1
        joined[1:] &= goes_on[np.maximum(codes[1:], 0)]
        joined[codes < 0] = False
    places = np.flatnonzero(codes < 0)
    if fold_requests and len(places) > 1:
        request = requests[-1 - codes[places]]
        together = (places[1:] == places[:-1] + 1) & request[1:] & request[:-1]
        joined[places[1:][together]] = True
    return joined if joined.any() else None


def order_of(codes: Codes, after: Codes) -> NDArray[np.int64]:
    """A number per code that rises through the capture: woven items stand before the exchange that follows them."""
    order: NDArray[np.int64] = codes * 2 + 1
    woven = np.flatnonzero(codes < 0)
    order[woven] = after[-1 - codes[woven]] * 2
    return order
