"""Bytes that were typed or pasted, as drawings: each reading of them, and what speaks against it."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.drawing.nesting import bytes_of, inside
from sticktrace.drawing.scene import Scene, stacked
from sticktrace.grammar.bot import CBW, CBW_MAGIC, CSW, CSW_MAGIC
from sticktrace.grammar.layout import Explanation
from sticktrace.grammar.row_words import doubts
from sticktrace.output.console_account import Told
from sticktrace.output.exchange_drawing import MOST_DOUBTS, Draw, Extent, explained, unexplained
from sticktrace.output.listing import Style, plain
from sticktrace.storage.answers import answer_doubts
from sticktrace.storage.recognise import Reading

_BLOCK_AT, _CBW_SIZE, _CSW_SIZE = 15, 31, 13


def scenes_of(parts: tuple[Explanation, ...], width: int, extent: Extent) -> Iterator[Scene]:
    """A ruler for each part; a command block stands within its wrapper."""
    rest = list(parts)
    while rest:
        part = rest.pop(0)
        data = bytes_of(part)
        if part.title == CBW.title and rest and bytes_of(rest[0]) == data[_BLOCK_AT:][: rest[0].used]:
            joined = inside(part, rest[0], _BLOCK_AT)
            if joined.rows != part.rows:
                part = joined
                rest.pop(0)
        yield explained(part, data, width, extent)


def drawn_parts(reading: Reading, draw: Draw, width: int, extent: Extent) -> Iterator[str]:
    """The rulers of one reading as lines."""
    for scene in scenes_of(reading.parts, width, extent):
        yield from draw(scene)


def unknown(data: bytes, draw: Draw, width: int, extent: Extent) -> Iterator[str]:
    """Bytes that fit no layout, as lines."""
    yield from draw(unexplained(data, width, extent))


def hex_scene(readings: list[Reading], data: bytes, width: int) -> Scene:
    """All of it as one drawing."""
    scenes = [scene for reading in readings for scene in scenes_of(reading.parts, width, Extent())]
    return stacked("Bytes explained", scenes or [unexplained(data, width, Extent())])


def hex_doubts(reading: Reading, data: bytes) -> list[str]:
    """What holds a value that it should not; of a CBW with a CSW behind it whether that answers."""
    found = [line for part in reading.parts for line in doubts(part)]
    if reading.kind == "cbw" and data[-_CSW_SIZE:][:4] == CSW_MAGIC and len(data) >= _CBW_SIZE + _CSW_SIZE:
        between = len(data) - _CBW_SIZE - _CSW_SIZE
        found = [*answer_doubts(data, data[-_CSW_SIZE:], between if between else -1), *found]
    return list(dict.fromkeys(found))[:MOST_DOUBTS]


def told_drawing(found: list[Told], draw: Draw, style: Style = plain, width: int = 80) -> Iterator[str]:
    """What lines of a console say, transfer by transfer, with a ruler for the bytes of each."""
    for (what, payload, parts), against in zip(found, told_doubts(found), strict=True):
        yield style(what, "good")
        for line in against:
            yield style(f"look at: {line}", "warn")
        for scene in _told_scenes(payload, parts, width):
            yield from draw(scene)
        yield ""


def told_scene(found: list[Told], width: int) -> Scene:
    """The same as one drawing."""
    scenes = [scene for _, payload, parts in found for scene in _told_scenes(payload, parts, width)]
    return stacked("What the console shows", scenes)


def _told_scenes(payload: bytes, parts: list[Explanation], width: int) -> Iterator[Scene]:
    if parts:
        yield from scenes_of(tuple(parts), width, Extent())
    elif payload:
        yield unexplained(payload, width, Extent())


def told_doubts(found: list[Told]) -> Iterator[list[str]]:
    """For each thing told what speaks against it: a CSW is held against the CBW before it."""
    cbw, moved, printed = b"", 0, True
    for _, payload, parts in found:
        against = [line for part in parts for line in doubts(part)]
        if payload[:4] == CBW_MAGIC:
            cbw, moved = payload, 0
            printed = not any(row.value is None and not row.heading for part in parts for row in part.rows)
        elif payload[:4] == CSW_MAGIC and any(part.title == CSW.title for part in parts):
            if cbw and printed:
                against = [*answer_doubts(cbw, payload), *against]
            cbw = b""
        else:
            moved += len(payload)
        yield list(dict.fromkeys(against))[:MOST_DOUBTS]
