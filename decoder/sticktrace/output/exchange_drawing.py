"""An exchange as drawings: strips as long as its phases took, and a ruler for command, data, status and sense."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sticktrace.drawing.nesting import inside
from sticktrace.drawing.phases import Phase, strips
from sticktrace.drawing.ruler import DRAWN, ruler
from sticktrace.drawing.scene import Scene, stacked
from sticktrace.grammar.layout import Explanation
from sticktrace.grammar.row_words import doubts
from sticktrace.output.breakdown import Part, Read, Sectors, head_lines, parts_of, tail_lines
from sticktrace.output.listing import MARKS, MOODS, Style, plain
from sticktrace.output.unprinted import called
from sticktrace.storage.answers import answer_doubts
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.items import Exchange, Field, Transport

_BLOCK_AT = {Transport.BOT: 15, Transport.UAS: 16}
"""Where the command block lies in CBW (BOT 1.0 5.1) and COMMAND IU (UAS 6.2.2), and sense in the SENSE IU."""

Draw = Callable[[Scene], Iterator[str]]
"""Turns a scene into lines."""

MOST_DOUBTS = 8
STRUCTURES = 6
"""Structures of the medium's blocks that are drawn of one exchange."""
PLAIN = 128
"""Bytes without a layout that are drawn."""


@dataclass(frozen=True, slots=True)
class Extent:
    """How much of the data is drawn: from byte ``start`` on, all of it or a part."""

    start: int = 0
    whole: bool = False

    @property
    def limit(self) -> int | None:
        """Bytes of a ruler."""
        return None if self.whole else DRAWN


def phases_of(exchange: Exchange, timed: bool = True) -> list[Phase]:
    """The phases of an exchange, for `strips`. Where a time is not known the phase has no end."""
    started, ended = exchange.time_ns, exchange.end_ns if timed else -1
    command = exchange.command_ns if timed else -1
    data = exchange.data_ns if timed else -1
    after = max(started, command)
    out = [Phase("command", started, command, exchange.command)]
    way = {"in": "from the stick", "out": "to the stick"}.get(exchange.direction, "")
    if exchange.moved or exchange.pieces:
        out.append(Phase("data", after, data, f"{bytes_in_words(exchange.moved)} {way}".rstrip()))
        after = max(after, data)
    elif exchange.expected > 0 and Field.LENGTH not in exchange.not_printed:
        out.append(Phase("data", after, -1, f"none came; {count_of(exchange.expected, 'byte')} expected", "warn"))
    out.append(Phase("status", after, ended, MARKS[exchange.status], MOODS[exchange.status]))
    return out


def strips_of(exchange: Exchange, width: int, timed: bool = True) -> Scene:
    """The three strips."""
    return strips(phases_of(exchange, timed and exchange.end_ns > 0), width)


def rulers_of(
    exchange: Exchange, read: Read, width: int, extent: Extent, sectors: Sectors | None = None
) -> Iterator[tuple[str, Scene]]:
    """A ruler for each part in the order in which they crossed the bus, with what there is to say above it."""
    parts = list(_joined(exchange, parts_of(exchange, read, sectors=sectors)))
    for part in parts:
        note = f" ({part.note})" if part.note else ""
        head = f"{part.name}, {count_of(len(part.data), 'byte')}{note}"
        whole = Extent() if part.name != "data" else extent
        yield from ((head if not at else "", scene) for at, scene in enumerate(scenes_of(part, width, whole)))


def _joined(exchange: Exchange, parts: list[Part]) -> Iterator[Part]:
    """The command block inside its wrapper, and sense inside its unit."""
    at = _BLOCK_AT.get(exchange.transport, 0)
    named = {part.name: part for part in parts}
    for outer, inner in (("command", "command block"), ("status", "sense")):
        one, two = named.get(outer), named.get(inner)
        if one and two and one.explanation and two.explanation and two.data in one.data[at : at + len(two.data)]:
            joined = inside(one.explanation, two.explanation, at)
            if joined is not one.explanation and len(joined.rows) > len(one.explanation.rows):
                named[outer] = Part(outer, joined, one.data, one.note)
                del named[inner]
    yield from named.values()


def scenes_of(part: Part, width: int, extent: Extent) -> Iterator[Scene]:
    """The rulers of one part: one for all of it, or one for each structure in it and the rest as it is."""
    if part.explanation is not None:
        yield explained(part.explanation, part.data, width, extent)
        return
    shown = [one for one in part.sectors if one[0] + one[1].used > extent.start]
    for at, explanation in shown if extent.whole else shown[:STRUCTURES]:
        yield ruler(explanation, part.data[at : at + explanation.used], width, base=at, limit=extent.limit,
                    fold=not extent.whole)  # fmt: skip
    if not part.sectors and part.data:
        yield unexplained(part.data, width, extent)


def explained(explanation: Explanation, data: bytes, width: int, extent: Extent) -> Scene:
    """The ruler of bytes with a layout."""
    start = min(extent.start, max(0, len(data) - 1))
    return ruler(explanation, data, width, start=start, limit=extent.limit, fold=not extent.whole)


def unexplained(data: bytes, width: int, extent: Extent) -> Scene:
    """The ruler of bytes of which no layout is known."""
    start = min(extent.start, max(0, len(data) - 1))
    limit = None if extent.whole else PLAIN
    return ruler(
        None, data, width, title="no layout known here", start=start, limit=limit, fold=False, same=not extent.whole
    )


def left_out(parts: list[Part], extent: Extent) -> str:
    """How to see what is not drawn of the data; "" where all of it is."""
    for part in parts:
        if part.name != "data" or extent.whole:
            continue
        if part.sectors and len(part.sectors) > STRUCTURES:
            more = len([1 for at, one in part.sectors if at + one.used > extent.start]) - STRUCTURES
            if more > 0:
                at = part.sectors[len(part.sectors) - more][0]
                return f"{count_of(more, 'structure')} more; --from {at} goes on there, --all draws all of it"
        behind = extent.start + (DRAWN if part.explanation is not None else PLAIN)
        if not part.sectors and len(part.data) > behind:
            return f"{count_of(len(part.data) - behind, 'byte')} more; --from {behind} goes on there, --all draws all"
    return ""


def exchange_doubts(exchange: Exchange, read: Read, parts: list[Part]) -> list[str]:
    """What is wrong with its wrappers: a CSW that does not answer, values that are reserved."""
    told = [name for name in exchange.not_printed if name != Field.SENSE_REST]
    found: list[str] = []
    if exchange.transport == Transport.BOT and not told:
        moved = exchange.moved if not exchange.truncated or exchange.moved else -1
        found += answer_doubts(read(exchange.command_at), read(exchange.status_at), moved)
    for part in parts:
        if part.explanation is not None and part.name in ("command", "command block", "status"):
            found += [line for line in doubts(part.explanation) if not line.startswith("bCSWStatus")]
    return found[:MOST_DOUBTS]


def drawn_account(
    exchange: Exchange, read: Read, draw: Draw, style: Style = plain, touches: str = "",
    sectors: Sectors | None = None, *, width: int = 80, extent: Extent = Extent(), timed: bool = True,
) -> Iterator[str]:  # fmt: skip
    """The whole account with its drawings; ``draw`` turns a scene into lines."""
    yield from head_lines(exchange, style, touches)
    parts = parts_of(exchange, read, sectors=sectors)
    for line in exchange_doubts(exchange, read, parts):
        yield style(f"  look at: {line}", "warn")
    if not exchange.told:
        yield ""
        yield from draw(strips_of(exchange, width, timed))
    for head, scene in rulers_of(exchange, read, width, extent, sectors):
        yield ""
        if head:
            yield style(f"{head}:", "head")
        yield from draw(scene)
    if more := left_out(parts, extent):
        yield style(f"… {more}", "quiet")
    yield from tail_lines(exchange, style)


def exchange_scene(
    exchange: Exchange, read: Read, width: int, extent: Extent, sectors: Sectors | None = None, timed: bool = True
) -> Scene:
    """The strips and rulers of an exchange as one drawing."""
    title = f"Exchange {exchange.number}: {called(exchange)}"
    scenes = [strips(phases_of(exchange, timed and exchange.end_ns > 0), width, title)]
    scenes += [scene for _, scene in rulers_of(exchange, read, width, extent, sectors)]
    return stacked(title, scenes)
