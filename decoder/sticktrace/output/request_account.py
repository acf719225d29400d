"""Control requests: a list of them as the list of exchanges, and one of them explained, setup packet and data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from sticktrace.bus.requests import Request
from sticktrace.capture.transfer import Piece
from sticktrace.drawing.phases import Phase, strips
from sticktrace.drawing.ruler import ruler
from sticktrace.drawing.scene import Scene, stacked
from sticktrace.grammar.layout import Explanation
from sticktrace.grammar.row_words import doubts
from sticktrace.grammar.usb_answers import explain_control
from sticktrace.output.exchange_drawing import MOST_DOUBTS, Draw
from sticktrace.output.explaining import dump, lines
from sticktrace.output.listing import Style, plain
from sticktrace.text import count_of, safe, time_in_words, wrapped
from sticktrace.transport.items import Item

Read = Callable[[Piece], bytes]
_DATA = 64 << 10


def numbered(items: Iterable[Item]) -> Iterator[tuple[int, Request]]:
    """The control requests among items, each with its number: 1 is the first of the capture."""
    requests = (item for item in items if isinstance(item, Request))
    return enumerate(requests, 1)


def seek(items: Iterable[Item], number: int) -> tuple[Request | None, int]:
    """The request of a number, None if there is none; and how many there were up to there."""
    count = 0
    for count, request in numbered(items):
        if count == number:
            return request, count
    return None, count


def request_parts(request: Request, read: Read) -> list[tuple[Explanation | None, bytes]]:
    """Setup packet and data with their explanations; the setup packet may not be in the capture."""
    data = read(request.data)[:_DATA]
    if len(request.setup) != 8:
        return [(None, data)] if data else []
    told = explain_control(request.setup, data)
    parts: list[tuple[Explanation | None, bytes]] = [(told[0], request.setup)]
    if data:
        parts.append((told[1] if len(told) > 1 else None, data))
    return parts


def _title(request: Request, number: int) -> str:
    return f"Request r{number}: {safe(request.name)} {safe(request.words)}".rstrip()


def head_lines(request: Request, number: int, style: Style = plain) -> Iterator[str]:
    """Who asked what when, and how it ended."""
    yield style(_title(request, number), "head")
    took = time_in_words(max(0, request.end_ns - request.time_ns))
    records = ", ".join(str(record) for record in request.records[:4])
    when = f"{time_in_words(request.time_ns)} after the first record, took {took}" if request.end_ns else ""
    yield f"  device {request.bus}.{request.address}, {when or 'time not known'}, records {records}"
    moved = f"; {request.actual:,} of {count_of(request.requested, 'byte')}" if request.requested > 0 else ""
    clause = f"  [{request.clause}]" if request.clause else ""
    yield f"  result: {request.result}{moved}{style(clause, 'quiet')}"
    if len(request.setup) != 8:
        yield style("  the setup packet is not in this capture", "warn")
    for line in [line for part in (_setup(request),) if part for line in doubts(part)][:MOST_DOUBTS]:
        yield style(f"  look at: {line}", "warn")


def _setup(request: Request) -> Explanation | None:
    return explain_control(request.setup)[0] if len(request.setup) == 8 else None


def request_account(
    request: Request, number: int, read: Read, draw: Draw, style: Style = plain, width: int = 80, table: bool = False
) -> Iterator[str]:
    """The whole account; ``table`` asks for rows instead of drawings."""
    yield from head_lines(request, number, style)
    for explanation, data in request_parts(request, read):
        yield ""
        if table:
            yield from lines(explanation, style, width=width) if explanation else dump(data)
        else:
            yield from draw(_ruler(explanation, data, width))


def _ruler(explanation: Explanation | None, data: bytes, width: int) -> Scene:
    title = "" if explanation else f"{count_of(len(data), 'byte')}, no layout known here"
    return ruler(explanation, data, width, title=title)


def request_scene(request: Request, number: int, read: Read, width: int) -> Scene:
    """The request as one drawing."""
    title = _title(request, number)
    strip = strips([Phase("request", request.time_ns, request.end_ns, request.result)], width, title)
    return stacked(title, [strip, *(_ruler(e, data, width) for e, data in request_parts(request, read))])


def request_line(request: Request, number: int, style: Style = plain, width: int = 0) -> Iterator[str]:
    """One line of the list; words that do not fit go on below."""
    mood = {"done": "good", "not seen": "quiet"}.get(request.result, "bad")
    name = f"r{number}"
    time = f"{request.time_ns / 1e9:.6f}" if request.end_ns else "-"
    who = f"{request.bus}.{request.address}"
    took = time_in_words(max(0, request.end_ns - request.time_ns)) if request.end_ns else "-"
    wide = not width or width >= _WIDE
    start = f"{name:>6}  {time:>12}  {who:<6}" if wide else f"{name:>6}  {who:<6}"
    moved = f"{request.actual}/{request.requested}" if request.requested > 0 else "-"
    result = style(f"{request.result:<9}", mood)
    line = f"{start}  {result}  {moved:>9}  {took:>10}  " if wide else f"{start}  {result}  "
    yield from wrapped(f"{line}{safe(request.name)} {safe(request.words)}".rstrip(), width)


_WIDE = 100
HEAD = f"{'#':>6}  {'time s':>12}  {'device':<6}  {'result':<9}  {'moved':>9}  {'took':>10}  request"
HEAD_NARROW = f"{'#':>6}  {'device':<6}  {'result':<9}  request"


def head_of(width: int) -> str:
    """The names of the columns."""
    return HEAD if not width or width >= _WIDE else HEAD_NARROW
