"""How a layout is written: Construct structures whose fields carry their own description and clause.

A layout is written once and used many times:

* ``layout.parse(data)`` / ``layout.build(values)``: Construct's own, strict;
* ``layout.read(data)``: the values that are wholly present, for data cut short by an allocation length;
* ``layout.explain(data)``: one `Row` per field with its bytes, bits, value, meaning and clause;
* ``layout.fast(*names)``: a `struct.Struct` over fixed-offset fields, for hot loops;
* ``layout.outline()``: the fields without data, for the generated reference pages.

Row offsets are recorded by `Field`, which leans on Construct's ``Renamed`` and on the way that
``Struct`` hands its context down; construct is therefore pinned (see docs/how-it-works.md).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Any

from construct import (
    Bytes,
    Construct,
    ConstructError,
    Container,
    FormatField,
    Renamed,
    SizeofError,
    StreamError,
    Struct,
    Subconstruct,
    stream_read,
    stream_write,
)

from sticktrace.errors import LayoutError

Meaning = Mapping[int, str] | Callable[[Any, Mapping[str, Any]], str]
"""What a value says in words: a table of values, or a function of the value and the fields read before it."""


@dataclass(frozen=True, slots=True)
class Row:
    """One field of one piece of data, accounted for.

    ``bits`` is (high, low) within the ``size`` bytes at ``offset`` read as one number in ``order``, or None for
    whole bytes. A ``heading`` row only names the group of rows below it; the other rows cover each bit once.
    """

    name: str
    depth: int
    offset: int
    size: int
    bits: tuple[int, int] | None
    order: str
    raw: bytes
    value: Any
    meaning: str
    text: str
    clause: str
    heading: bool = False


@dataclass(frozen=True, slots=True)
class Explanation:
    """The rows of a layout laid over data. ``used`` counts the bytes that rows cover; ``fault`` says in one
    line why the rows stop early, or is empty."""

    title: str
    clause: str
    rows: list[Row]
    used: int
    fault: str


@dataclass(frozen=True, slots=True)
class Outline:
    """One field of a layout without data; ``offset`` or ``size`` is None where it depends on the data."""

    name: str
    depth: int
    offset: int | None
    size: int | None
    bits: tuple[int, int] | None
    text: str
    clause: str
    values: Mapping[int, str] | None


@dataclass(slots=True)
class _Trace:
    """What one parse leaves behind: rows, the place of nested streams, and whether data ended early."""

    tolerant: bool
    rows: list[Row] = dataclass_field(default_factory=list)
    base: int = 0
    depth: int = 0
    cut: str = ""


def _trace(context: Container) -> _Trace | None:
    found: _Trace | None = context._params.get("trace") if context._params is not None else None
    return found


def _say(meaning: Meaning | None, value: Any, seen: Mapping[str, Any]) -> str:
    if meaning is None:
        return ""
    if callable(meaning):
        return meaning(value, seen)
    return meaning.get(value, "") if isinstance(value, int) else ""


class Field(Renamed):  # type: ignore[misc]
    """A named field of a layout with its description, clause and meaning. Make it with `field`."""

    def __init__(
        self, name: str, subcon: Construct, text: str, clause: str, meaning: Meaning | None, default: Any
    ) -> None:
        super().__init__(subcon, newname=name, newdocs=text)
        self.clause = clause
        self.meaning = meaning
        self.default = default

    def _parse(self, stream: Any, context: Container, path: str) -> Any:
        trace = _trace(context)
        if trace is None:
            return super()._parse(stream, context, path)
        start = stream.tell()
        row_index = len(trace.rows)
        trace.depth += 1
        try:
            value = super()._parse(stream, context, path)
        finally:
            trace.depth -= 1
        inner = trace.rows[row_index:]
        end = stream.tell()
        stream.seek(start)
        raw = stream.read(end - start)
        meaning = _say(self.meaning, value, context)
        row = Row(
            self.name, trace.depth, trace.base + start, end - start, None, "big", raw,
            value, meaning, self.docs, self.clause, bool(inner),
        )  # fmt: skip
        trace.rows.insert(row_index, row)
        return value


def field(
    name: str, subcon: Construct, text: str, clause: str = "", *, meaning: Meaning | None = None, default: Any = None
) -> Field:
    """A field of whole bytes. ``default`` is what `build` writes when the values do not name the field."""
    return Field(name, subcon, text, clause, meaning, default)


def reserved(size: int, clause: str = "") -> Field:
    """Reserved whole bytes: built as zero, shown, and numbered by the layout."""
    return Field("reserved", Bytes(size), "reserved, should be zero", clause, None, bytes(size))


@dataclass(frozen=True, slots=True)
class Part:
    """One run of bits inside a `Bits` group. Make it with `part`."""

    name: str
    width: int
    text: str
    clause: str
    meaning: Meaning | None
    default: int


def part(
    name: str, width: int, text: str = "", clause: str = "", *, meaning: Meaning | None = None, default: int = 0
) -> Part:
    """``width`` bits of a group, written most significant bit first as the standards print them."""
    return Part(name, width, text, clause, meaning, default)


def spare(width: int) -> Part:
    """Reserved bits of a group."""
    return Part("reserved", width, "reserved, should be zero", "", None, 0)


class Bits(Construct):  # type: ignore[misc]
    """Whole bytes divided into named bits. Make it with `bits`. Without a name its parts join the layout's own."""

    def __init__(self, size: int, parts: tuple[Part, ...], order: str, name: str | None, text: str) -> None:
        super().__init__()
        if sum(p.width for p in parts) != 8 * size:
            raise ValueError(f"bit widths do not fill {size} bytes: {[p.name for p in parts]}")
        self.size, self.parts, self.order, self.name, self.docs = size, parts, order, name, text
        self.flagbuildnone = True

    def placed(self) -> Iterator[tuple[Part, int, int, int, int]]:
        """Each part with the first byte, the byte count, and its high and low bit within those bytes."""
        total = 8 * self.size
        left = total
        for p in self.parts:
            high, low = left - 1, left - p.width
            left = low
            if self.order == "little":
                yield p, 0, self.size, high, low
                continue
            first, last = (total - 1 - high) // 8, (total - 1 - low) // 8
            shift = 8 * (self.size - 1 - last)
            yield p, first, last - first + 1, high - shift, low - shift

    def _parse(self, stream: Any, context: Container, path: str) -> Container:
        trace = _trace(context)
        start = stream.tell()
        raw = stream_read(stream, self.size, path)
        whole = int.from_bytes(raw, self.order)  # type: ignore[arg-type]
        values = Container()
        left = 8 * self.size
        for p in self.parts:
            left -= p.width
            values[p.name] = whole >> left & (1 << p.width) - 1
        if trace is not None:
            self._record(trace, trace.base + start, raw, values, context)
        return values

    def _record(self, trace: _Trace, at: int, raw: bytes, values: Container, context: Container) -> None:
        depth = trace.depth
        if self.name is not None:
            whole = int.from_bytes(raw, self.order)  # type: ignore[arg-type]
            trace.rows.append(
                Row(self.name, depth, at, self.size, None, self.order, raw, whole, "", self.docs, "", heading=True)
            )
            depth += 1
        seen = {**context, **values}
        for p, first, size, high, low in self.placed():
            value = values[p.name]
            trace.rows.append(
                Row(
                    p.name, depth, at + first, size, (high, low), self.order, raw[first : first + size],
                    value, _say(p.meaning, value, seen), p.text, p.clause,
                )
            )  # fmt: skip

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Any:
        values = obj or {}
        whole = 0
        for p in self.parts:
            value = values.get(p.name, p.default)
            if not 0 <= value < 1 << p.width:
                raise LayoutError(f"{p.name} = {value} does not fit in {p.width} bits")
            whole = whole << p.width | value
        stream_write(stream, whole.to_bytes(self.size, self.order), self.size, path)  # type: ignore[arg-type]
        return obj

    def _sizeof(self, context: Container, path: str) -> int:
        return self.size


def bits(size: int, *parts: Part, order: str = "big", name: str | None = None, text: str = "") -> Bits:
    """A group of ``size`` bytes divided into bits, most significant first. With a ``name`` the parts are nested
    under it, otherwise they become fields of the layout itself."""
    return Bits(size, parts, order, name, text)


class Bounded(Subconstruct):  # type: ignore[misc]
    """A sub-layout confined to a number of bytes given by the fields before it; a shorter stream confines it more."""

    def __init__(self, length: int | Callable[[Container], int], subcon: Construct) -> None:
        super().__init__(subcon)
        self.length = length

    def _parse(self, stream: Any, context: Container, path: str) -> Any:
        wanted = self.length(context) if callable(self.length) else self.length
        start = stream.tell()
        data = stream.read(max(0, wanted))
        trace = _trace(context)
        if len(data) < wanted and (trace is None or not trace.tolerant):
            raise StreamError(f"{wanted} bytes announced, {len(data)} present", path=path)
        inner = io.BytesIO(data)
        if trace is None:
            value = self.subcon._parsereport(inner, context, path)
            if isinstance(value, Container) and inner.tell() < len(data):
                value[_REST] = data[inner.tell() :]
            return value
        trace.base += start
        try:
            value = self.subcon._parsereport(inner, context, path)
            if rest := data[inner.tell() :]:
                at = trace.base + inner.tell()
                text = "beyond the fields known here"
                trace.rows.append(Row(_REST, trace.depth, at, len(rest), None, "big", rest, rest, "", text, ""))
        finally:
            trace.base -= start
        if len(data) < wanted:  # said only now, so that what is present is laid out first
            trace.cut = trace.cut or f"{wanted} bytes announced, {len(data)} present"
        return value

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Any:
        out = io.BytesIO()
        self.subcon._build(obj, out, context, path)
        data = out.getvalue() + (obj.get(_REST, b"") if isinstance(obj, Mapping) else b"")
        return stream_write(stream, data, len(data), path)

    def _sizeof(self, context: Container, path: str) -> int:
        if callable(self.length):
            raise SizeofError("depends on the data", path=path)
        return self.length


_REST = "unexplained"


class Series(Subconstruct):  # type: ignore[misc]
    """The same layout again and again until the stream ends, or ``count`` times. An element that takes no byte ends it,
    so that a hostile count or length cannot make it run for ever."""

    def __init__(self, subcon: Construct, count: Callable[[Container], int] | None = None) -> None:
        super().__init__(subcon)
        self.count = count

    def _parse(self, stream: Any, context: Container, path: str) -> list[Any]:
        trace = _trace(context)
        wanted = None if self.count is None else self.count(context)
        items: list[Any] = []
        while wanted is None or len(items) < wanted:
            start = stream.tell()
            if not stream.read(1):
                return self._ended(items, wanted, trace, path)
            stream.seek(start)
            items.append(self._element(stream, context, path, len(items), trace))
            if stream.tell() == start or (trace is not None and trace.cut):
                break
        return items

    @staticmethod
    def _ended(items: list[Any], wanted: int | None, trace: _Trace | None, path: str) -> list[Any]:
        """The stream is at its end: no fault, unless more elements were announced."""
        if wanted is not None:
            fault = f"{wanted} announced, {len(items)} present"
            if trace is None or not trace.tolerant:
                raise StreamError(fault, path=path)
            trace.cut = trace.cut or fault
        return items

    def _element(self, stream: Any, context: Container, path: str, index: int, trace: _Trace | None) -> Any:
        if trace is None:
            return self.subcon._parsereport(stream, context, path)
        at, start = len(trace.rows), stream.tell()
        trace.depth += 1
        try:
            value = self.subcon._parsereport(stream, context, path)
        finally:
            trace.depth -= 1
        size = stream.tell() - start
        heading = len(trace.rows) > at
        stream.seek(start)
        raw = stream.read(size)
        row = Row(f"[{index}]", trace.depth, trace.base + start, size, None, "big", raw, value, "", "", "", heading)
        trace.rows.insert(at, row)
        return value

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Any:
        for item in obj or []:
            self.subcon._build(item, stream, context, path)
        return obj

    def _sizeof(self, context: Container, path: str) -> int:
        raise SizeofError("depends on the data", path=path)


class Layout(Struct):  # type: ignore[misc]
    """A structure as one document prints it: its title, its clause and its fields in order."""

    def __init__(self, title: str, clause: str, *fields: Construct) -> None:
        super().__init__(*_numbered(fields))
        self.title = title
        self.clause = clause
        self.flagbuildnone = True

    def _nested(self, context: Container, stream: Any) -> Container:
        inner = Container(
            _=context, _params=context._params, _root=None, _parsing=context._parsing, _building=context._building,
            _sizing=context._sizing, _subcons=self._subcons, _io=stream, _index=context.get("_index", None),
        )  # fmt: skip
        inner._root = inner._.get("_root", inner)
        return inner

    def _parse(self, stream: Any, context: Container, path: str) -> Container:
        values = Container()
        inner = self._nested(context, stream)
        trace = _trace(context)
        for sub in self.subcons:
            try:
                value = sub._parsereport(stream, inner, path)
            except StreamError:
                if trace is None or not trace.tolerant:
                    raise
                trace.cut = trace.cut or f"data ends inside {sub.name or 'a bit field'}"
                stream.seek(0, io.SEEK_END)
                return values
            found = value if sub.name is None else {sub.name: value}
            values.update(found)
            inner.update(found)
            if trace is not None and trace.cut:
                break
        return values

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Container:
        given = obj or {}
        inner = self._nested(context, stream)
        inner.update(given)
        for sub in self.subcons:
            if isinstance(sub, Bits):
                sub._build(given if sub.name is None else given.get(sub.name), stream, inner, path)
                continue
            value = given.get(sub.name, getattr(sub, "default", None))
            if value is None and not sub.flagbuildnone:
                value = _zero(sub)
            inner[sub.name] = value
            sub._build(value, stream, inner, path)
        return inner

    def field_names(self) -> list[str]:
        """The names that `build` accepts, in order."""
        names: list[str] = []
        for sub in self.subcons:
            names += [p.name for p in sub.parts] if isinstance(sub, Bits) and sub.name is None else [sub.name]
        return names

    def parse(self, data: bytes, **contextkw: Any) -> Container:
        """The values of all fields. Raises LayoutError when the data is too short or does not fit."""
        try:
            return super().parse(data, **contextkw)
        except ConstructError as error:
            raise LayoutError(f"{self.title}: {_first_line(error)}") from error

    def build(self, obj: Mapping[str, Any] | None = None, **contextkw: Any) -> bytes:
        """Bytes from values; fields not named take their default or zero. Raises LayoutError on an unknown name or a
        value that does not fit."""
        unknown = [name for name in obj or {} if name not in self.field_names() and name != _REST]
        if unknown:
            raise LayoutError(f"{self.title} has no field {unknown[0]!r}")
        try:
            built: bytes = super().build(obj, **contextkw)
        except (ConstructError, TypeError, AttributeError) as error:
            raise LayoutError(f"{self.title}: {_first_line(error)}") from error
        return built

    def read(self, data: bytes) -> Container:
        """The values of the fields wholly present; never raises on short data (an allocation length may cut any
        parameter data)."""
        return self._traced(data, _Trace(tolerant=True))

    def explain(self, data: bytes) -> Explanation:
        """Rows for every field present, in order, and the one-line fault where they had to stop."""
        trace = _Trace(tolerant=True)
        fault = ""
        try:
            self._traced(data, trace)
        except LayoutError as error:
            fault = str(error)
        leaves = [row for row in trace.rows if not row.heading]
        used = max((row.offset + row.size for row in leaves), default=0)
        if trace.cut and not fault:
            fault = f"{self.title}: {trace.cut}"
        return Explanation(self.title, self.clause, trace.rows, used, fault)

    def _traced(self, data: bytes, trace: _Trace) -> Container:
        try:
            return super().parse(data, trace=trace)
        except ConstructError as error:
            raise LayoutError(f"{self.title}: {_first_line(error)}") from error

    def outline(self) -> list[Outline]:
        """Every field without data, for reference pages."""
        return list(_outline(self, 0, 0))

    def fast(self, *names: str) -> struct.Struct:
        """A `struct.Struct` that unpacks the named byte fields, in layout order, from the start of the structure.

        Raises LayoutError for a name that has no fixed offset. The caller checks the length first.
        """
        form, order, position = "", "", 0
        wanted = set(names)
        for row in _outline(self, 0, 0):
            if row.depth or row.name not in wanted or row.bits:
                continue
            if row.offset is None or row.size is None:
                raise LayoutError(f"{self.title}: {row.name} has no fixed place")
            code, order_here = _struct_code(self._subcons[row.name], row.size)
            order = order or order_here
            form += f"{row.offset - position}x{code}" if row.offset > position else code
            position = row.offset + row.size
            wanted.discard(row.name)
        if wanted:
            raise LayoutError(f"{self.title} has no field {sorted(wanted)[0]!r}")
        return struct.Struct((order or "<") + form)


def _numbered(fields: tuple[Construct, ...]) -> list[Construct]:
    """Reserved fields get distinct names, so that what they held survives a round trip. Raises ValueError where two
    others have the same one: the second would be built from the value of the first."""
    count = 0
    out: list[Construct] = []

    def next_name() -> str:
        nonlocal count
        count += 1
        return "reserved" if count == 1 else f"reserved {count}"

    for item in fields:
        if isinstance(item, Bits):
            parts = tuple(
                Part(next_name(), p.width, p.text, p.clause, p.meaning, p.default) if p.name == "reserved" else p
                for p in item.parts
            )
            item = Bits(item.size, parts, item.order, item.name, item.docs)
        elif isinstance(item, Field) and item.name == "reserved":
            item = Field(next_name(), item.subcon, item.docs, item.clause, item.meaning, item.default)
        out.append(item)
    names = [name for item in out for name in _names(item)]
    if twice := {name for name in names if names.count(name) > 1}:
        raise ValueError(f"two fields are called {sorted(twice)[0]!r}")
    return out


def _names(item: Construct) -> list[str]:
    if isinstance(item, Bits) and item.name is None:
        return [part.name for part in item.parts]
    return [] if item.name is None else [item.name]


def _outline(layout: Struct, start: int | None, depth: int) -> Iterator[Outline]:
    offset = start
    for sub in layout.subcons:
        size = _size(sub)
        if isinstance(sub, Bits):
            inner = depth
            if sub.name is not None:
                yield Outline(sub.name, depth, offset, sub.size, None, sub.docs, "", None)
                inner += 1
            for p, first, count, high, low in sub.placed():
                values = p.meaning if isinstance(p.meaning, Mapping) else None
                at = None if offset is None else offset + first
                yield Outline(p.name, inner, at, count, (high, low), p.text, p.clause, values)
        else:
            meaning = getattr(sub, "meaning", None)
            values = meaning if isinstance(meaning, Mapping) else None
            yield Outline(sub.name, depth, offset, size, None, sub.docs, getattr(sub, "clause", ""), values)
            nested = _find_struct(sub)
            if nested is not None:
                yield from _outline(nested, offset if _plain(sub) else None, depth + 1)
        offset = None if offset is None or size is None else offset + size


def _find_struct(sub: Construct) -> Struct | None:
    while isinstance(sub, Subconstruct):
        sub = sub.subcon
    return sub if isinstance(sub, Struct) else None


def _plain(sub: Construct) -> bool:
    """Whether a nested structure stands once and directly, so that its offsets count on from the outer ones."""
    while isinstance(sub, Subconstruct):
        if isinstance(sub, Series):
            return False
        sub = sub.subcon
    return True


def _size(sub: Construct) -> int | None:
    try:
        return int(sub.sizeof())
    except (ConstructError, KeyError, AttributeError, TypeError):
        return None


def _struct_code(sub: Construct, size: int) -> tuple[str, str]:
    while isinstance(sub, Renamed):
        sub = sub.subcon
    if isinstance(sub, FormatField):
        return sub.fmtstr[1:], sub.fmtstr[0]
    if isinstance(sub, Bits):
        code = {1: "B", 2: "H", 4: "I", 8: "Q"}.get(sub.size)
        if code:
            return code, "" if sub.size == 1 else "<" if sub.order == "little" else ">"
    return f"{size}s", ""


def _zero(sub: Construct) -> Any:
    while isinstance(sub, Renamed):
        sub = sub.subcon
    size = _size(sub)
    if isinstance(sub, FormatField) or sub.__class__.__name__ == "BytesInteger":
        return 0
    if isinstance(sub, Layout):
        return {}
    if size is not None:
        return bytes(size)
    return b""


def _first_line(error: Exception) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip() and "path" not in line]
    return lines[0] if lines else error.__class__.__name__
