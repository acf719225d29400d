"""How three strips become lines: the strip in hand in full, the other two folded up. No screen here."""

from __future__ import annotations

from dataclasses import dataclass, field

from sticktrace import LayoutRow
from sticktrace.output.explaining import value_of
from sticktrace_tui.cells import Line, fit, wrap
from sticktrace_tui.rows import WIDE_FROM, width_of
from sticktrace_tui.strips import Strip

KEPT_BACK = "····"
_MOST_SAYS = 8


@dataclass(slots=True)
class Hand:
    """Where the reader is: which strip, which byte of it, which row. ``secret`` keeps meanings back, ``asked`` holds
    (strip, row) pairs asked for; (strip, -1) is the whole strip."""

    strip: int = 0
    byte: int = 0
    row: int = -1
    secret: bool = False
    asked: set[tuple[int, int]] = field(default_factory=set)

    def hides(self, strip: int, row: int = -1) -> bool:
        """Whether a meaning is kept back."""
        return self.secret and (strip, -1) not in self.asked and (strip, row) not in self.asked


def first_row(strip: Strip) -> int:
    """The first row with bytes of its own, -1 if there is none."""
    return next((n for n, row in enumerate(strip.rows) if not row.heading), -1)


def row_at(strip: Strip, byte: int, keep: int = -1) -> int:
    """The row that holds a byte; ``keep`` if it does."""
    if 0 <= keep < len(strip.rows) and _covers(strip.rows[keep], byte):
        return keep
    return next((n for n, row in enumerate(strip.rows) if not row.heading and _covers(row, byte)), -1)


def step_row(strip: Strip, row: int, step: int) -> int:
    """The next row with bytes of its own in a direction; the same where there is none."""
    at = row + step
    while 0 <= at < len(strip.rows):
        if not strip.rows[at].heading:
            return at
        at += step
    return row


def _covers(row: LayoutRow, byte: int) -> bool:
    return not row.heading and row.offset <= byte < row.offset + row.size


def lines_of(strips: tuple[Strip, ...], hand: Hand, width: int, height: int) -> list[Line]:
    """All lines, exactly ``height`` of them where there is room."""
    out: list[Line] = []
    folded = 2 * (len(strips) - 1)
    for number, strip in enumerate(strips):
        if number == hand.strip:
            out += _full(strip, hand, width, max(5, height - folded))
        else:
            out += [_title(strip, number, hand, width), _short(strip, number, hand, width)]
    return out[:height]


def _title(strip: Strip, number: int, hand: Hand, width: int) -> Line:
    sign = "▼" if number == hand.strip else "▷"
    size = f" {len(strip.data)} bytes" if strip.data else ""
    page = f"  page {strip.page + 1} of {strip.pages}" if strip.pages > 1 else ""
    head = f"{sign} {number + 1} {strip.title} "
    rule = "─" * max(2, width - len(head) - len(size) - len(page) - 1)
    return [(head, "head"), (rule, "bar"), (size + page, "quiet")]


def _short(strip: Strip, number: int, hand: Hand, width: int) -> Line:
    if number == 2 and hand.hides(number):
        return [("    what will it say? go there and press v", "warn")]
    text, mood = strip.summary
    room = width - 4
    sample = strip.data[: max(0, min(16, (room - len(text) - 3) // 3))].hex(" ")
    return [("    ", "plain"), (fit(text, min(room, len(text) + 2)), mood), (f" {sample}" if sample else "", "quiet")]


def _full(strip: Strip, hand: Hand, width: int, height: int) -> list[Line]:
    number = hand.strip
    out = [_title(strip, number, hand, width)]
    secret = number == 2 and hand.hides(number)
    if secret:
        out.append([("    What will the device answer, and with which sense? Press v to see.", "warn")])
        return out + [[] for _ in range(height - len(out))]
    says = strip.says if strip.says or strip.rows else [strip.summary]
    for text, mood in says[:_MOST_SAYS]:
        out += wrap(text, width - 1, mood, "    ")[:3]
    room = max(1, height - len(out) - 1)
    out += _body(strip, hand, width, room)
    out += [[] for _ in range(height - 1 - len(out))]
    out.append(_foot(strip, hand, width))
    return out


def _per_line(strip: Strip, width: int) -> tuple[int, bool]:
    """Bytes in a line of the grid, and whether their text stands beside them."""
    if not strip.rows:
        return 16 if width >= 74 else 8, True
    return (16, True) if width >= WIDE_FROM + 20 else (8, width >= WIDE_FROM - 20)


def _body(strip: Strip, hand: Hand, width: int, height: int) -> list[Line]:
    per, texts = _per_line(strip, width)
    row = strip.rows[hand.row] if 0 <= hand.row < len(strip.rows) else None
    lit = range(row.offset, row.offset + row.size) if row is not None else range(hand.byte, hand.byte + 1)
    grid_lines = -(-len(strip.data) // per)
    top = _scroll(hand.byte // per, grid_lines, height)
    top_row = _scroll(max(hand.row, 0), len(strip.rows), height)
    out: list[Line] = []
    for n in range(min(height, max(grid_lines - top, len(strip.rows) - top_row))):
        left = _grid(strip, top + n, per, texts, lit, hand.byte)
        if strip.rows and top_row + n < len(strip.rows):
            left += [("  ", "plain"), *_field(strip, top_row + n, hand, width - width_of(left) - 3)]
        out.append(left)
    return out


def _scroll(at: int, count: int, height: int) -> int:
    return max(0, min(at - height // 2, count - height))


def _grid(strip: Strip, number: int, per: int, texts: bool, lit: range, byte: int) -> Line:
    start = number * per
    part = strip.data[start : start + per]
    if not part:
        return [(" " * (6 + 3 * per + (per + 1 if texts else 0)), "plain")]
    out: Line = [(f" {strip.base + start:04x} ", "quiet")]
    for n in range(per):
        at = start + n
        text = f"{part[n]:02x}" if n < len(part) else "  "
        mood = "lit" if at in lit and n < len(part) else "plain"
        joined = at in lit and at + 1 in lit and n + 1 < per
        out += [(text, mood), ("▏" if at == byte and mood == "lit" else " ", "lit" if joined else "plain")]
    if texts:
        shown = "".join(chr(b) if 32 <= b < 127 else "·" for b in part)
        out.append((" " + shown.ljust(per), "quiet"))
    return out


def _field(strip: Strip, number: int, hand: Hand, width: int) -> Line:
    row = strip.rows[number]
    here = number == hand.row
    name = "  " * min(row.depth, 3) + row.name
    if row.heading:
        return [("  ", "plain"), (fit(f"{name}  {row.text}", max(8, width - 2)), "head")]
    size = max(12, min(30, width * 45 // 100))
    if hand.hides(hand.strip, number):
        rest = KEPT_BACK
    else:
        rest = "  ".join(word for word in (value_of(row), row.meaning) if word) or row.raw[:16].hex(" ")
    sign = "▸ " if here else "  "
    return [(sign, "head"), (fit(name, size), "lit" if here else "strong"), (" ", "plain"),
            (fit(rest, max(4, width - size - 3)), "lit" if here else "plain")]  # fmt: skip


def _foot(strip: Strip, hand: Hand, width: int) -> Line:
    """What the field in hand is, and where it is defined."""
    if not 0 <= hand.row < len(strip.rows):
        if not strip.data:
            return []
        value = strip.data[min(hand.byte, len(strip.data) - 1)]
        return [(f" byte {strip.base + hand.byte}: {value:02X}h, {value}, {value:08b}b", "quiet")]
    row = strip.rows[hand.row]
    first, last = strip.base + row.offset, strip.base + row.offset + row.size - 1
    place = f"byte {first}" if first >= last else f"bytes {first}-{last}"
    if row.bits is not None:
        place += f", bit {row.bits[0]}" if row.bits[0] == row.bits[1] else f", bits {row.bits[0]}-{row.bits[1]}"
    clause = f"  [{row.clause}]" if row.clause else ""
    meaning = "" if hand.hides(hand.strip, hand.row) or not row.meaning else f" = {row.meaning}"
    return [(fit(f" {place}: {row.text}{meaning}", max(8, width - len(clause) - 1)), "place"), (clause, "head")]
