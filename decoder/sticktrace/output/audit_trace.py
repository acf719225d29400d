"""Shows the place at which a rule was put to the test, byte by byte."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from sticktrace.bus.requests import Request
from sticktrace.duties.score import Place
from sticktrace.output.breakdown import account
from sticktrace.output.explaining import dump, lines
from sticktrace.output.listing import Style, plain
from sticktrace.storage.recognise import recognise
from sticktrace.transport.items import Exchange, Stray

if TYPE_CHECKING:
    from sticktrace.output.audit_text import Shower
    from sticktrace.session import Capture


def shower(captures: Mapping[str, Capture], style: Style = plain) -> Shower:
    """A function that finds a place again in its capture and explains what is there."""

    def show(place: Place) -> Iterator[str]:
        capture = next((one for name, one in captures.items() if place.capture in (name, one.name)), None)
        if capture is None:
            return
        reading = capture.reading()
        for item in reading:
            if isinstance(item, Exchange) and item.number == place.exchange and place.exchange:
                yield from account(item, reading.read, style)
                return
            if place.exchange or not place.records or item.records[:1] != place.records[:1]:
                continue
            if isinstance(item, Request):
                yield f"  {item.text}"
                yield from explained(item.setup + reading.read(item.data), style)
                return
            if isinstance(item, Stray):
                yield f"  {item.reason}"
                yield from explained(reading.read(item.piece), style)
                return

    return show


def explained(data: bytes, style: Style = plain) -> Iterator[str]:
    """Bytes laid out as what they look like first, or as they are."""
    found = next(iter(recognise(data)), None)
    if found is None:
        yield from dump(data)
        return
    for part in found.parts:
        yield from lines(part, style)
