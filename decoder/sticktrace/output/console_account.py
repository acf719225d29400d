"""What lines of a console say, transfer by transfer, each byte of it explained: `sticktrace explain -`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sticktrace.capture import Reader, reader_of
from sticktrace.capture.line_patterns import STANDARD, LinePatterns
from sticktrace.capture.logs import Statement
from sticktrace.capture.transfer import BREAK, CONTROL, GAP, Transfer
from sticktrace.codes.status import in_words
from sticktrace.codes.usb_requests import request_name
from sticktrace.errors import CaptureError
from sticktrace.grammar.layout import Explanation
from sticktrace.output.explaining import dump, lines
from sticktrace.output.listing import Style, plain
from sticktrace.output.unprinted import blanked
from sticktrace.storage.recognise import recognise
from sticktrace.text import count_of, safe

Told = tuple[str, bytes, list[Explanation]]
"""One thing that lines say: what it is, its bytes, and the explanations of them."""


def told_in(text: str, patterns: LinePatterns = STANDARD) -> list[Told]:
    """Everything that the lines show or say, in order; empty where nothing is understood."""
    data = text.encode("utf-8", "replace")
    reader = _reader(data, patterns)
    found: list[Told] = []
    command = b""
    for item in (*reader.transfers(), *reader.finish()):
        if isinstance(item, Statement):
            values = ", ".join(f"{name} {value}" for name, value in item.facts()["values"].items())
            found.append((f"the log says ({item.kind}): {item.line}" + (f" [{values}]" if values else ""), b"", []))
        elif item.kind not in (GAP, BREAK):
            payload = bytes(reader.payload[item.data_at : item.data_at + item.captured])
            found.append((_what(item), payload, _explained(item, payload, command)))
            command = payload[15:] if payload[:4] == b"USBC" else command
    return found or _by_line(text, patterns)


def _reader(data: bytes, patterns: LinePatterns) -> Reader:
    """The reader of a whole text; a line or two may be too few to tell the form, but console lines they are."""
    from sticktrace.capture.hex_text import HexTextReader

    try:
        return reader_of("standard input", data, patterns)
    except CaptureError:
        return HexTextReader(data, patterns)


def _by_line(text: str, patterns: LinePatterns) -> list[Told]:
    """Where no transfer comes of the lines: what the patterns read in each."""
    read = ((line, said) for line in text.splitlines() for said in patterns.try_line(line))
    return [(f"{safe(line.strip())}: {said}", b"", []) for line, said in read]


def _what(transfer: Transfer) -> str:
    way = "IN" if transfer.incoming else "OUT"
    if transfer.kind == CONTROL and transfer.setup:
        head = f"control request {request_name(transfer.setup[0], transfer.setup[1])}"
    else:
        head = f"{way} endpoint {transfer.endpoint:02X}h, {count_of(transfer.actual, 'byte')}"
    end = "" if transfer.status == 0 else f"; {in_words(transfer.status)}"
    missing = transfer.actual - transfer.captured
    lacks = "" if missing <= 0 or transfer.not_printed else f"; {count_of(missing, 'byte')} of it not printed"
    named = f"; not printed: {', '.join(transfer.not_printed)}" if transfer.not_printed else ""
    return head + end + lacks + named


def _explained(transfer: Transfer, payload: bytes, command: bytes) -> list[Explanation]:
    """The surest reading of the bytes; parameter data is read by the command that fetched it."""
    if payload[:4] == b"USBC" and transfer.not_printed:
        from sticktrace.grammar.bot import CBW

        return [blanked(CBW.explain(payload), transfer.not_printed)]
    data = transfer.setup + payload
    readings = recognise(data)
    if command and transfer.incoming and payload and payload[:4] != b"USBS":
        readings = [r for r in recognise(command.rstrip(b"\0").ljust(_block_size(command), b"\0") + payload) if
                    r.kind == "cdb"] or readings  # fmt: skip
    parts = list(readings[0].parts) if readings else []
    return [blanked(part, transfer.not_printed) for part in parts]


def _block_size(command: bytes) -> int:
    from sticktrace.grammar.vocabulary import cdb_length

    return (cdb_length(command[0], command) if command else 0) or 0


def account_lines(found: list[Told], style: Style = plain, width: int = 0) -> Iterator[str]:
    """The account as text."""
    for what, payload, parts in found:
        yield style(what, "good")
        for part in parts:
            yield from lines(part, style, width=width)
        if payload and not parts:
            yield from dump(payload)
        yield ""


def facts(found: list[Told]) -> list[dict[str, Any]]:
    """The account as JSON says it."""
    from sticktrace.output.explaining import facts as explained

    return [
        {"kind": "line", "says": what, "bytes": payload.hex(), "parts": [explained(part) for part in parts]}
        for what, payload, parts in found
    ]
