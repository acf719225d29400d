"""The steps of an exchange for a time ladder: each transfer on its way, with the requests and resets around it, until
the host goes on with the next command."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import is_request, read_request
from sticktrace.capture.transfer import BULK, STALL, Transfer
from sticktrace.codes.status import in_words
from sticktrace.drawing.time_ladder import BOTH, IN, LOST, OUT, Step
from sticktrace.grammar import bot, uas
from sticktrace.session import Reading
from sticktrace.storage.commands import describe
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.items import Exchange, Item, Transport

_STATUS = {0: ("passed", "good"), 1: ("FAILED", "bad"), 2: ("PHASE ERROR", "bad")}
_EVENTS = (Happening.RESET, Happening.ATTACHED, Happening.OVER_CURRENT)
MOST_FOLLOWED = 2000
"""Transfers behind an exchange that are looked at for its recovery."""


def steps_of(first: Iterable[Item], second: Reading, number: int) -> list[Step]:
    """The steps of exchange ``number``; two passes over the same capture, neither begun."""
    exchange, until, events = _found(first, number)
    if exchange is None:
        return []
    steps = list(_transfers(second, exchange, until))
    steps += [Step(event.time_ns, BOTH, event.text, "warn") for event in events]
    steps.sort(key=lambda step: step.time_ns)
    shown = list(_gathered(steps))
    return shown if second.reader.timed else [Step(-1, step.way, step.words, step.mood) for step in shown]


def _found(items: Iterable[Item], number: int) -> tuple[Exchange | None, int, list[BusEvent]]:
    """The exchange, when the next one of its device begins (-1: none follows), and what happened in between."""
    found: Exchange | None = None
    events: list[BusEvent] = []
    for item in items:
        if isinstance(item, Exchange):
            if found is not None and item.device is found.device:
                return found, item.time_ns, [event for event in events if event.time_ns < item.time_ns]
            found = item if item.number == number else found
        elif isinstance(item, BusEvent) and found is not None and item.device is found.device and item.kind in _EVENTS:
            events.append(item)
    return found, -1, events


def _transfers(reading: Reading, exchange: Exchange, until: int) -> Iterator[Step]:
    """Steps of the transfers of one device, from the command on."""
    records, followed = set(exchange.records), 0
    last = max(exchange.records, default=0)
    for transfer in _all(reading):
        if not isinstance(transfer, Transfer) or (transfer.bus, transfer.address) != (exchange.bus, exchange.address):
            continue
        own = bool(records.intersection(transfer.records))
        inside = exchange.time_ns <= transfer.start_ns and (until < 0 or transfer.start_ns < until)
        if own or (inside and is_request(transfer)):
            yield from _steps(transfer, reading, exchange)
        if min(transfer.records, default=0) > last:
            followed += 1
            if followed > MOST_FOLLOWED or (0 <= until <= transfer.start_ns):
                return


def _all(reading: Reading) -> Iterator[object]:
    yield from reading.reader.transfers()
    yield from reading.reader.finish()


def _steps(transfer: Transfer, reading: Reading, exchange: Exchange) -> Iterator[Step]:
    data = bytes(reading.reader.payload[transfer.data_at : transfer.data_at + min(transfer.captured, 64)])
    if is_request(transfer):
        request = read_request(transfer, data)
        yield Step(transfer.start_ns, OUT, f"{request.name} {request.words}".rstrip(), "plain", request.clause)
        if transfer.status == 0 and transfer.incoming:
            yield Step(transfer.end_ns, IN, count_of(transfer.actual, "byte"))
    elif transfer.actual or (transfer.kind == BULK and transfer.status == 0):
        unit = exchange.transport == Transport.UAS and all(p.at != transfer.data_at for p in exchange.pieces)
        yield (_unit if unit else _moved)(transfer, data)
    if transfer.status not in (0, None):
        way = IN if transfer.status == STALL else LOST
        end = "STALL" if transfer.status == STALL else in_words(transfer.status)
        yield Step(transfer.end_ns, way, f"{end} (endpoint {transfer.endpoint:02X}h)", "bad")
    elif transfer.status is None:
        yield Step(transfer.end_ns, LOST, f"how it ended is not seen (endpoint {transfer.endpoint:02X}h)", "warn")


def _moved(transfer: Transfer, data: bytes) -> Step:
    """A transfer on a bulk pipe."""
    if data[:4] == bot.CBW_MAGIC and transfer.actual == 31 and not transfer.incoming:
        return Step(transfer.start_ns, OUT, f"CBW: {describe(data[15:31])}", "strong")
    if data[:4] == bot.CSW_MAGIC and transfer.actual == 13 and transfer.incoming:
        _, _, residue, status = bot.CSW_FAST.unpack_from(data)
        words, mood = _STATUS.get(status, (f"reserved status {status:02X}h", "bad"))
        return Step(transfer.end_ns, IN, f"CSW: {words}" + (f", residue {residue:,}" if residue else ""), mood)
    if transfer.incoming:
        return Step(transfer.end_ns, IN, f"data, {bytes_in_words(transfer.actual)}")
    return Step(transfer.start_ns, OUT, f"data, {bytes_in_words(transfer.actual)}")


def _unit(transfer: Transfer, data: bytes) -> Step:
    """An information unit of UAS: all that is no data of the command (UAS 6.2)."""
    layout = uas.IU_LAYOUTS.get(data[0]) if data else None
    if layout is None:
        return _moved(transfer, data)
    if layout is uas.COMMAND_IU:
        return Step(transfer.start_ns, OUT, f"{layout.title}: {describe(data[16:32])}", "strong")
    if layout is uas.SENSE_IU and len(data) > 6:
        mood = "bad" if data[6] else "good"
        return Step(transfer.end_ns, IN, f"{layout.title}: {uas.STATUS.get(data[6], f'status {data[6]:02X}h')}", mood)
    time, way = (transfer.end_ns, IN) if transfer.incoming else (transfer.start_ns, OUT)
    return Step(time, way, layout.title)


def _gathered(steps: list[Step]) -> Iterator[Step]:
    """Long rows of data the same way as their first, their last and a count of what lies between."""
    at = 0
    while at < len(steps):
        end = at
        while end < len(steps) and steps[end].way == steps[at].way and steps[end].words.startswith("data, "):
            end += 1
        if end - at > 4:
            yield steps[at]
            yield Step(steps[at + 1].time_ns, steps[at].way, f"{end - at - 2:,} transfers of data more", "quiet")
            at = end - 1
        else:
            yield steps[at]
            at += 1
