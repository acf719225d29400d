"""The three strips of an item: command, data, status with sense. Bytes and what they mean; no screen."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from sticktrace import (
    Exchange,
    Explanation,
    LayoutRow,
    Request,
    Saying,
    Stray,
    bytes_in_words,
    count_of,
    describe,
    find_command,
    read_as,
    sense_advice,
    sense_in_words,
    time_in_words,
)
from sticktrace.output.breakdown import CASES, Part, parts_of, tag_words
from sticktrace.output.listing import MARKS, MOODS
from sticktrace.output.wire_text import account as wire_account
from sticktrace_tui.blocks import block_strip
from sticktrace_tui.cells import Piece
from sticktrace_tui.model import Model

LARGEST = 64 << 10
"""Bytes of one strip that are held at a time."""


@dataclass(slots=True)
class Strip:
    """One strip. ``data`` are its bytes (of the present page), ``base`` the place of the first of them, ``rows`` what
    they mean. ``says`` are sentences above the bytes; those marked as outcome are kept back in teaching mode.
    ``summary`` stands for the whole strip when it is folded up."""

    title: str
    summary: Piece
    data: bytes = b""
    base: int = 0
    rows: list[LayoutRow] = field(default_factory=list)
    says: list[Piece] = field(default_factory=list)
    page: int = 0
    pages: int = 1


def strips_of(model: Model, code: int, page: int = 0) -> tuple[Strip, Strip, Strip]:
    """The strips of an item; ``page`` is the page of the data strip."""
    item = model.item(code)
    if isinstance(item, Exchange):
        return _of_exchange(model, item, page)
    if isinstance(item, Request):
        return _of_request(model, item)
    if isinstance(item, Stray):
        data = model.read(item.piece)[:LARGEST]
        return (
            Strip("COMMAND", ("no valid command: this traffic fits no exchange", "warn"), says=[(item.reason, "warn")]),
            Strip("DATA", (f"{count_of(len(data), 'byte')} captured", "plain"), data),
            Strip("STATUS", (item.kind, "bad")),
        )
    if isinstance(item, Saying):
        said, quiet = (item.statement.line, "strong"), ("not a transfer: the words of a log", "quiet")
        return Strip("LOG", said, says=[said]), Strip("DATA", ("none", "quiet")), Strip("STATUS", quiet)
    text = (f"{item.kind}: {item.text}", "strong")
    quiet = ("not a transfer of its own: the tracker concluded it from requests", "quiet")
    return Strip("EVENT", text, says=[text]), Strip("DATA", ("none", "quiet")), Strip("STATUS", quiet)


def _of_exchange(model: Model, item: Exchange, page: int) -> tuple[Strip, Strip, Strip]:
    parts = {part.name: part for part in parts_of(replace_pieces(item), model.read)}
    return _command(item, parts), _data(model, item, page), _status(item, parts)


def replace_pieces(item: Exchange) -> Exchange:
    """The exchange without its data, so that no more than its wrappers is read."""
    return replace(item, pieces=())


def _command(item: Exchange, parts: dict[str, Part]) -> Strip:
    strip = Strip("COMMAND", (describe(item.cdb, item.device_type), "strong"))
    wrapper, block = parts.get("command"), parts.get("command block")
    rows = _rows(block.explanation) if block else []
    strip.data = item.cdb
    if wrapper is not None and wrapper.explanation is not None:
        strip.data = wrapper.data
        strip.rows = _nested(wrapper.explanation, item.cdb, rows, block.explanation if block else None)
    else:
        strip.rows = rows
        strip.says.append(("the wrapper itself is not in this capture; this is its command block", "quiet"))
    where = f"device {item.bus}.{item.address}, LUN {item.lun}, {tag_words(item)}, {item.transport}"
    strip.says.insert(0, (f"{where}; at {item.time_ns / 1e9:.6f} s", "quiet"))
    return strip


def _rows(explanation: Explanation | None, shift: int = 0, deeper: int = 0) -> list[LayoutRow]:
    if explanation is None:
        return []
    return [replace(row, offset=row.offset + shift, depth=row.depth + deeper) for row in explanation.rows]


def _nested(
    wrapper: Explanation, cdb: bytes, block_rows: list[LayoutRow], block: Explanation | None
) -> list[LayoutRow]:
    """The wrapper's rows with the command block's own rows in the place of the bytes that hold it."""
    out: list[LayoutRow] = []
    for row in wrapper.rows:
        holds = not row.heading and cdb and row.size >= len(cdb) >= 6 and row.raw.startswith(cdb)
        if not holds or not block_rows or block is None:
            out.append(row)
            continue
        out.append(replace(row, heading=True, text=f"{block.title}: {row.text}", clause=block.clause))
        out += [replace(one, offset=one.offset + row.offset, depth=one.depth + row.depth + 1) for one in block_rows]
        used = max(one.offset + one.size for one in block_rows)
        if used < row.size:
            rest = row.raw[used:]
            text = "beyond bCBWCBLength, ignored"
            out.append(
                LayoutRow("padding", row.depth + 1, row.offset + used, len(rest), None, "big", rest, rest, "", text, "")
            )
    return out


def _data(model: Model, item: Exchange, page: int) -> Strip:
    if not item.pieces:
        words = "no data phase" if not item.moved else f"{item.moved} bytes moved, none captured"
        if item.expected > 0 and not item.moved:
            words = f"no data moved; {count_of(item.expected, 'byte')} expected"
        return Strip("DATA", (words, "quiet"))
    way = "from device to host" if item.direction == "in" else "from host to device"
    summary = f"{bytes_in_words(item.moved)} {way}"
    if 0 <= item.expected != item.moved:
        summary += f", {item.expected:,} expected"
    command = find_command(item.cdb)
    if command is not None and command.medium:
        return block_strip(model, item, page, Strip("DATA", (summary, "plain")))
    part = next((part for part in parts_of(item, model.read) if part.name == "data"), None)
    if part is None:
        return Strip("DATA", (summary, "plain"))
    strip = Strip("DATA", (summary, "plain"), part.data[:LARGEST], rows=_rows(part.explanation))
    if part.note:
        strip.says.append((part.note, "warn"))
    if part.explanation is not None:
        strip.says.append((f"{part.explanation.title}  [{part.explanation.clause}]", "head"))
        if part.explanation.fault:
            strip.says.append((part.explanation.fault, "warn"))
    return strip


def _status(item: Exchange, parts: dict[str, Part]) -> Strip:
    mood = MOODS[item.status]
    words = MARKS[item.status]
    if item.sense is not None:
        words += f"; {sense_in_words(*item.sense[:3])}"
    strip = Strip("STATUS AND SENSE", (words, mood), says=[(words, mood)])
    if item.sense is not None and (next_step := sense_advice(*item.sense[:3])):
        strip.says.append((f"what next: {next_step}", "head"))
    remarks = [f"stall in {phase}" for phase in item.stalled] + list(item.notes)
    if item.case is not None:
        remarks.append(f"case {item.case} of BOT 1.0 6.7, {CASES[item.case]}")
    strip.says += [(remark, "quiet") for remark in remarks]
    strip.says.append((f"took {time_in_words(item.duration_ns)}: {_phases(item)}", "quiet"))
    if item.wire is not None:
        strip.says += [(line, "quiet") for line in wire_account(item.wire, item.duration_ns)]
    for name in ("status", "sense"):
        part = parts.get(name)
        if part is not None and part.explanation is not None:
            note = f" ({part.note})" if part.note else ""
            at, size = len(strip.data), len(part.data)
            strip.rows.append(
                LayoutRow(part.explanation.title + note, 0, at, size, None, "big", part.data, None, "", "",
                    part.explanation.clause, True)
            )  # fmt: skip
            strip.rows += _rows(part.explanation, at, 1)
            strip.data += part.data
    return strip


def _phases(item: Exchange) -> str:
    """How the time of an exchange divides."""
    places = [("command", item.command_ns), ("data", item.data_ns), ("status", item.end_ns)]
    words, before = [], item.time_ns
    for name, end in places:
        if end >= before:
            words.append(f"{name} {time_in_words(end - before)}")
            before = end
    return ", ".join(words)


def _of_request(model: Model, item: Request) -> tuple[Strip, Strip, Strip]:
    data = model.read(item.data)[:LARGEST]
    command = Strip("SETUP", (f"{item.name} {item.words}".rstrip(), "strong"), item.setup)
    where = f"device {item.bus}.{item.address}; at {item.time_ns / 1e9:.6f} s"
    command.says.append((f"{where}  [{item.clause}]" if item.clause else where, "quiet"))
    answer = Strip("DATA", (_data_words(item, data), "plain"), data)
    if len(item.setup) == 8:
        parts = read_as("setup", item.setup + data).parts
        command.rows = _rows(parts[0])
        if len(parts) > 1:
            answer.rows = _rows(parts[1])
            answer.says.append((f"{parts[1].title}  [{parts[1].clause}]", "head"))
    else:
        command.says.append(("the setup packet is not in this capture", "quiet"))
    mood = "good" if item.done else "warn" if item.result == "not seen" else "bad"
    took = f"took {time_in_words(max(0, item.end_ns - item.time_ns))}"
    result = Strip("RESULT", (item.result, mood), says=[(item.result, mood), (took, "quiet")])
    if item.wire is not None:
        result.says += [(line, "quiet") for line in wire_account(item.wire, max(0, item.end_ns - item.time_ns))]
    return command, answer, result


def _data_words(item: Request, data: bytes) -> str:
    if not item.actual and not data:
        return "no data stage" if item.requested <= 0 else f"no data; {count_of(item.requested, 'byte')} asked"
    missing = "" if len(data) >= item.actual else f", {len(data)} captured"
    return f"{count_of(item.actual, 'byte')} of {item.requested} asked{missing}"
