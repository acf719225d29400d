"""A byte-by-byte account of one exchange: command, data, status and sense, each explained."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from sticktrace.capture.transfer import Piece
from sticktrace.grammar import bot, sense, uas, ufi
from sticktrace.grammar.layout import Explanation
from sticktrace.output.explaining import dump, lines
from sticktrace.output.listing import Style, line_of, plain
from sticktrace.output.unprinted import blanked, called
from sticktrace.output.wire_text import account as wire_account
from sticktrace.storage.commands import find, parameter_layout
from sticktrace.storage.sense import advice, in_words
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.cases import CASES as CASES
from sticktrace.transport.counted import counted
from sticktrace.transport.items import Exchange, Sense

DATA_LOOKED_AT = 64 << 10
"""Parameter data beyond this is not laid out; none that a standard defines comes near."""

DUMPED = 512
"""Bytes without a layout that a table shows."""

SECTORS_SHOWN = 40
"""Structures of the medium's blocks (directory entries, say) that are printed of one exchange."""

Read = Callable[[Piece], bytes]


_WRAPPERS = {"BOT": (bot.CBW, bot.CSW), "UAS": (uas.COMMAND_IU, uas.SENSE_IU)}
"""What goes around command and status. CBI has no wrappers: its command block is the data of a control request."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an exchange: "command", "command block", "data", "status" or "sense".

    ``explanation`` lays out the whole of it; for the medium's own blocks it is None and ``sectors`` lays out what is
    known of them, each with its offset in the data."""

    name: str
    explanation: Explanation | None
    data: bytes
    note: str = ""
    sectors: tuple[tuple[int, Explanation], ...] = ()


Sectors = Callable[[Exchange, bytes], Iterator[tuple[int, Explanation]]]
"""Lays out the blocks of the medium that an exchange moved, as far as they have a structure."""


def parts_of(
    exchange: Exchange, read: Read, device_type: int | None = None, sectors: Sectors | None = None
) -> list[Part]:
    """The parts of an exchange in the order in which they crossed the bus."""
    parts: list[Part] = []
    command_layout, status_layout = _WRAPPERS.get(exchange.transport, (None, None))
    wrapper = read(exchange.command_at)
    if wrapper and command_layout is not None:
        parts.append(Part("command", blanked(command_layout.explain(wrapper), exchange.not_printed), wrapper))
    # CBI carries UFI's forms of the commands, all of 12 bytes (UFI 1.0 3.1).
    command = ufi.find(exchange.opcode) if exchange.transport == "CBI" else find(exchange.cdb, device_type)
    if command is not None:
        parts.append(Part("command block", command.cdb.explain(exchange.cdb[: command.cdb.sizeof()]), exchange.cdb))
    if exchange.pieces:
        part = _data(exchange, read, device_type, sectors)
        told = blanked(part.explanation, exchange.not_printed) if part.explanation is not None else None
        parts.append(replace(part, explanation=told))
    status = read(exchange.status_at)
    if status:
        laid = blanked(status_layout.explain(status), exchange.not_printed) if status_layout is not None else None
        parts.append(Part("status", laid, status))
    if exchange.sense is not None and exchange.sense.at.captured:
        raw = read(exchange.sense.at)
        layout = sense.sense_layout(raw) or sense.FIXED
        parts.append(Part("sense", layout.explain(raw), raw, _source(exchange.sense)))
    return parts


def _source(found: Sense) -> str:
    return f"fetched by exchange {found.exchange}" if found.exchange else "came with the status"


def _data(exchange: Exchange, read: Read, device_type: int | None, sectors: Sectors | None) -> Part:
    data, note = _gather(exchange, read)
    command = find(exchange.cdb, device_type)
    layout = None
    if command is not None and not command.medium:
        layout = parameter_layout(command, exchange.cdb, data, outgoing=exchange.direction == "out")
    laid_out = tuple(sectors(exchange, data)) if sectors is not None and command is not None and command.medium else ()
    return Part("data", layout.explain(data) if layout is not None and data else None, data, note, laid_out)


def _gather(exchange: Exchange, read: Read) -> tuple[bytes, str]:
    """The first captured run of the data that counts, and what is missing behind it."""
    gathered = bytearray()
    counts = counted(exchange)
    limit = min(counts, DATA_LOOKED_AT)
    note = f"{exchange.moved} moved, {counts} count" if counts < exchange.moved else ""
    for piece in exchange.pieces:
        gathered += read(Piece(piece.at, min(piece.captured, limit - len(gathered)), piece.actual))
        if len(gathered) >= limit:
            return bytes(gathered), note if limit == counts else f"the first {limit} of {counts} bytes"
        if piece.captured < piece.actual:
            return bytes(gathered), f"{len(gathered)} of {exchange.moved} bytes captured"
    return bytes(gathered), note


def tag_words(exchange: Exchange) -> str:
    """``tag 00000005h``, or that a log does not print it."""
    return "told of by a log, which prints no tag" if exchange.told else f"tag {exchange.tag:08X}h"


def account(
    exchange: Exchange, read: Read, style: Style = plain, touches: str = "", sectors: Sectors | None = None,
    width: int = 0, extent: tuple[int, int | None] = (0, DUMPED),
) -> Iterator[str]:  # fmt: skip
    """The whole account as tables; ``touches`` is what its blocks are on the volume, ``width`` that of the terminal
    (0: no limit), ``extent`` the first byte of data without a layout that is shown, and how many (None: all)."""
    yield from head_lines(exchange, style, touches)
    for part in parts_of(exchange, read, sectors=sectors):
        yield ""
        head = f"{part.name}, {count_of(len(part.data), 'byte')}" + (f" ({part.note})" if part.note else "")
        yield style(f"{head}:", "head")
        if part.explanation is not None:
            yield from lines(part.explanation, style, width=width)
            continue
        for at, explanation in part.sectors[:SECTORS_SHOWN]:
            yield from lines(explanation, style, at, width)
        if len(part.sectors) > SECTORS_SHOWN:
            yield f"  … {len(part.sectors) - SECTORS_SHOWN} structures more"
        start, limit = extent
        limit = len(part.data) if limit is None else 64 if part.sectors else limit
        yield from dump(part.data[start:], start, limit)
    yield from tail_lines(exchange, style)


def head_lines(exchange: Exchange, style: Style = plain, touches: str = "") -> Iterator[str]:
    """What stands above every account of an exchange: who, when, and how it ended."""
    cells = line_of(exchange, touches)
    when = f"{time_in_words(exchange.time_ns)} after the first record" if exchange.end_ns else "time not known"
    yield style(f"Exchange {exchange.number}: {called(exchange)}", "head")
    yield (
        f"  device {exchange.bus}.{exchange.address} LUN {exchange.lun}, {tag_words(exchange)}, "
        f"{when}, took {cells.duration}, "
        f"{'record' if len(exchange.records) == 1 else 'records'} {_ranges(exchange.records)}"
    )
    yield f"  outcome: {cells.outcome}" + (f"; {cells.remark}" if cells.remark else "")
    if exchange.case is not None:
        yield f"  case {exchange.case} of BOT 1.0 6.7, {CASES[exchange.case]}"
    if exchange.wire is not None:
        yield style("  on the wire:", "head")
        yield from (f"    {line}" for line in wire_account(exchange.wire, exchange.duration_ns))


def tail_lines(exchange: Exchange, style: Style = plain) -> Iterator[str]:
    """What stands below: the sense in words, and what it asks for."""
    if exchange.sense is not None:
        words = advice(exchange.sense.key, exchange.sense.asc, exchange.sense.ascq)
        yield ""
        yield (
            style("sense in words: ", "head")
            + in_words(exchange.sense.key, exchange.sense.asc, exchange.sense.ascq)
            + (f". {words}" if words else "")
        )


def _ranges(numbers: tuple[int, ...]) -> str:
    """Record numbers as ranges: 5-10, 14."""
    out: list[list[int]] = []
    for number in numbers:
        if out and number == out[-1][1] + 1:
            out[-1][1] = number
        else:
            out.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in out)
