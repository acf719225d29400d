"""The byte ruler: bytes in lines one below the other, each field under the bytes that it covers, as in the figures of a
standard, with what it means at the end of its bracket. Bits are written out beside their bytes and bracketed likewise.
"""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.drawing.byte_lines import Stretch, per_line, stretches
from sticktrace.drawing.fields import Field, Group, Laid, laid_out, places_of
from sticktrace.drawing.lettering import Lettering, heading
from sticktrace.drawing.scene import LEAST_WIDTH, Label, Scene, Sketch, Span
from sticktrace.grammar.layout import Explanation, Row
from sticktrace.grammar.row_words import any_bit, is_reserved, place_of, text_of, value_of
from sticktrace.text import count_of, safe

DRAWN = 512
"""Bytes that are drawn unless more are asked for."""

LEFT = 1
_STEP = 3
_WRITTEN_OUT = 4
"""Bytes of which every bit is written out."""

_DESCRIBED = 60
"""Fields that the description tells in words."""


def ruler(
    explanation: Explanation | None,
    data: bytes,
    width: int = 80,
    *,
    title: str = "",
    base: int = 0,
    start: int = 0,
    limit: int | None = DRAWN,
    fold: bool = True,
    same: bool = False,
) -> Scene:
    """``data`` under its explanation (None: nothing says what it is). ``base`` is added to the numbers of the bytes,
    ``start`` is the first byte drawn, ``limit`` how many at most (None: all), ``fold`` shortens long fields, ``same``
    counts lines that are the same as the one before instead of drawing them."""
    size = max(len(data), explanation.used if explanation else 0)
    sheet = _Sheet(laid_out(explanation, size), data, max(LEAST_WIDTH, width), base)
    name = title or (explanation.title if explanation else count_of(len(data), "byte"))
    sheet.y = heading(sheet.sketch, name, explanation.clause if explanation else "")
    behind = start
    for stretch in stretches(sheet.laid, per_line(sheet.sketch.width), start, limit, fold):
        if not (same and sheet.repeats(stretch)):
            sheet.draw(stretch)
        behind = stretch.end
    sheet.count_repeats()
    sheet.close(behind, explanation.fault if explanation else "")
    return sheet.sketch.scene(name, _described(sheet.laid, name))


def _described(laid: Laid, name: str) -> str:
    """The fields in words, for those who hear a drawing."""
    said = [
        f"{place_of(row)} {' '.join(_words(row)).strip()}"
        for one in laid.fields[:_DESCRIBED] for _, row in one.rows
    ]  # fmt: skip
    more = f"; and {len(laid.fields) - _DESCRIBED} fields more" if len(laid.fields) > _DESCRIBED else ""
    return f"{safe(name)}: {count_of(laid.size, 'byte')}. {'; '.join(said)}{more}"


def _words(row: Row) -> tuple[str, str]:
    """A row's name, and what stands behind it."""
    name, value = safe(row.name), value_of(row)
    if row.value is None and row.meaning:  # a console that did not print it
        return f"{name}:", safe(row.meaning)
    if is_reserved(row):
        return "reserved", f"= {value or row.raw.hex(' ')}, should be zero" if any_bit(row) else "= 0"
    said = safe(row.meaning) or (row.text if row.heading else text_of(row))
    if not value:
        return (f"{name}:", said) if said else (name, "")
    return name, f"= {value}{': ' if said else ''}{said}"


def _hint(row: Row) -> str:
    return f"{row.text}{f' [{row.clause}]' if row.clause else ''}".strip()


class _Sheet:
    """The ruler in the making: what was drawn so far ends above ``self.y``."""

    def __init__(self, laid: Laid, data: bytes, width: int, base: int) -> None:
        self.laid, self.data, self.base = laid, data, base
        self.sketch = Sketch(width)
        self.y = 1
        self._last = Stretch(0, 0)
        self._repeated = 0

    def repeats(self, stretch: Stretch) -> bool:
        """Whether these bytes stand in the line before as well, in the same field without a layout; counts them."""
        before, self._last = self._last, stretch
        one = self.laid.at(stretch.start)
        again = one.start < stretch.start and not one.rows and before.end == stretch.start
        if not again or self.data[before.start : before.end] != self.data[stretch.start : stretch.end]:
            return False
        self._repeated += stretch.end - stretch.start
        return True

    def count_repeats(self) -> None:
        """Say how many bytes repeat the line drawn last."""
        if self._repeated:
            self.sketch.say(LEFT, self.y, f"… {count_of(self._repeated, 'byte')} more of the same", "quiet")
            self.y += 1
        self._repeated = 0

    def draw(self, stretch: Stretch) -> None:
        """One line of bytes and what stands under it, or the count of those that are folded."""
        self.count_repeats()
        if stretch.folded:
            words = f"… {count_of(stretch.end - stretch.start, 'byte')} more of the same field"
            self.sketch.say(LEFT, self.y, words, "quiet")
            self.y += 1
            return
        line = _Line(self, stretch)
        line.bytes()
        for group_or_field in line.order():
            line.put(group_or_field)
        self.sketch.add(*line.letters.guides())
        self.y = line.letters.y

    def close(self, behind: int, fault: str) -> None:
        """What is not drawn, and why the fields stop early."""
        if behind < self.laid.size:
            first, last = self.base + behind, self.base + self.laid.size - 1
            self.sketch.say(LEFT, self.y, f"… bytes {first:,} to {last:,} are not drawn here", "quiet")
            self.y += 1
        if fault:
            letters = Lettering(self.sketch, self.y)
            letters.below(LEFT, self.y, "stops here:", safe(fault), "warn")


class _Line:
    """One line of bytes: numbers above, the bytes, and a bracket for each field."""

    def __init__(self, sheet: _Sheet, stretch: Stretch) -> None:
        self.sheet, self.sketch, self.laid = sheet, sheet.sketch, sheet.laid
        self.start, self.end = stretch.start, stretch.end
        self.top = sheet.y
        self.letters = Lettering(self.sketch, self.top + 2)

    def x(self, byte: int) -> int:
        """The first column of a byte."""
        return LEFT + _STEP * (byte - self.start)

    def bytes(self) -> None:
        """The bytes, each with the key of its field, and numbers where fields begin and there is room."""
        free = 0
        for one in self.fields():
            begin = max(one.start, self.start)
            number = str(self.sheet.base + begin)
            if self.x(begin) >= free and self.x(begin) + len(number) <= self.sketch.width:
                free = self.sketch.say(self.x(begin), self.top, number, "quiet") + 1
            shown = self.laid.printed(begin)
            key = one.rows[0][0] if one.rows else -1
            for byte in range(begin, min(one.end, self.end)):
                text = f"{self.sheet.data[byte]:02x}" if shown and byte < len(self.sheet.data) else "··"
                self.sketch.add(Label(self.x(byte), self.top + 1, text, "byte", key))

    def fields(self) -> Iterator[Field]:
        """The fields with a byte on this line."""
        at = self.start
        while at < self.end:
            one = self.laid.at(at)
            yield one
            at = one.end

    def order(self) -> list[Group | Field]:
        """Groups that begin here before what they hold, all in the order of their bytes."""
        groups = [g for g in self.laid.beginning(self.start, self.end) if not self._names_bits(g)]
        both: list[Group | Field] = [*groups, *self.fields()]
        return sorted(both, key=lambda one: (max(one.start, self.start), isinstance(one, Field)))

    def _names_bits(self, group: Group) -> bool:
        """Whether a group is but the name of one field split into bits, which stands beside them."""
        one = self.laid.at(group.start)
        return one.split and (one.start, one.end) == (group.start, group.end) and one.end - one.start <= _WRITTEN_OUT

    def put(self, one: Group | Field) -> None:
        """A bracket and its words."""
        if isinstance(one, Group):
            self._group(one)
        elif one.split:
            self._bits(one)
        else:
            self._whole(one)

    def _span(self, start: int, end: int, key: int, hint: str, group: bool = False) -> Span:
        first, last = max(start, self.start), min(end, self.end)
        x = self.x(first)
        mood = "head" if group else "plain"
        span = Span(
            x, self.letters.y, self.x(last) - 1 - x, mood, key, hint, start >= self.start, end <= self.end, group
        )
        self.sketch.add(span)
        return span

    def _group(self, group: Group) -> None:
        span = self._span(group.start, group.end, group.key, _hint(group.row), group=True)
        name, rest = _words(group.row)
        self.letters.beside(span, name, rest, "quiet", group.key, strong="head")

    def _whole(self, one: Field) -> None:
        if not one.rows:
            span = self._span(one.start, one.end, -1, "")
            self.letters.beside(span, *self._unknown(one), "quiet")
            return
        key, row = one.rows[0]
        span = self._span(one.start, one.end, key, _hint(row))
        name, rest = _words(row)
        if one.start < self.start:
            name, rest = "", f"{safe(row.name)}, continued"
        self.letters.beside(span, name, rest, "plain" if row.meaning and name else "quiet", key, _hint(row))

    def _unknown(self, one: Field) -> tuple[str, str]:
        part = self.sheet.data[max(one.start, self.start) : min(one.end, self.end)]
        text = "".join(chr(value) if 32 <= value < 127 else "·" for value in part)
        return "", f'"{text}"' if any(32 < value < 127 for value in part) else "no layout known"

    def _bits(self, one: Field) -> None:
        """The bits of a field beside its bracket, most significant first, and brackets below them."""
        key, size = one.rows[0][0], one.end - one.start
        span = self._span(one.start, one.end, key, "")
        if size > _WRITTEN_OUT:
            self.letters.beside(span, "", f"{8 * size} bits, most significant first", "mark", key)
            for its_key, row in one.rows:
                self._bit(self._span(row.offset, row.offset + row.size, its_key, ""), its_key, row, place_of(row))
            return
        x = self.letters.strip(span, self._strip(one), key)
        order = "one number, low byte first" if size > 1 and one.rows[0][1].order == "little" else ""
        self.letters.caption(*self._name_of(one), order)
        top = self.letters.y
        for its_key, row in one.rows:
            first, last = places_of(row, one.start, size)
            left, right = first + first // 4, last + last // 4
            under = Span(x + left, self.letters.y, right - left + 1, "plain", its_key, _hint(row))
            self.sketch.add(under)
            self._bit(under, its_key, row, "", top)

    def _name_of(self, one: Field) -> tuple[str, str, int]:
        """Name, description and key of a field split into bits, where it has a name as a whole."""
        for group in self.laid.beginning(one.start, one.start + 1):
            if group.end == one.end:
                return safe(group.row.name), _words(group.row)[1], group.key
        return "", "", -1

    def _bit(self, under: Span, key: int, row: Row, place: str, top: int | None = None) -> None:
        """The words of bits; ``place`` says which where they are not written out."""
        name, rest = _words(row)
        words = f"{rest} (bits {place})" if place else rest
        self.letters.beside(under, name, words, "plain" if row.meaning else "quiet", key, _hint(row), top=top)

    def _strip(self, one: Field) -> str:
        """The bits in groups of four."""
        if not self.laid.printed(one.start):
            bits = "·" * (8 * (one.end - one.start))
        else:
            raw = self.sheet.data[one.start : one.end]
            value = int.from_bytes(raw, one.rows[0][1].order)  # type: ignore[arg-type]
            bits = f"{value:0{8 * len(raw)}b}"
        return " ".join(bits[at : at + 4] for at in range(0, len(bits), 4))
