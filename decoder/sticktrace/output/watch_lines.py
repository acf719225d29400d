"""What happens on a bus, line by line while it happens: as text for a person, or as JSON for a program."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Protocol

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request, is_request, read_request
from sticktrace.capture import Transfer
from sticktrace.findings.live import HANGS_S, Climb
from sticktrace.findings.verdict import Diagnosis
from sticktrace.output import diagnosis_text
from sticktrace.output.json_lines import item_facts
from sticktrace.output.listing import Listing, Style, plain
from sticktrace.output.unprinted import called
from sticktrace.text import safe
from sticktrace.transport.items import MISSING, Exchange, Item, Stray

_EVENTS = {
    Happening.ATTACHED: "head", Happening.DETACHED: "warn", Happening.RESET: "head", Happening.OVER_CURRENT: "bad",
    Happening.DEVICE_ERROR: "bad",
}  # fmt: skip
"""Events with a line of their own, and their mood. The others show as the stage that they reach."""


class Voice(Protocol):
    """Says what happens."""

    def watching(self, source: str) -> Iterator[str]:
        """A source is open."""

    def begin(self, source: str, form: str) -> Iterator[str]:
        """The form of a source is known, or has shown itself to be another one."""

    def item(self, item: Item, touches: str) -> Iterator[str]:
        """Something is complete. ``touches`` is what the blocks of an exchange are on the volume."""

    def under_way(self, pending: Item | Transfer, hangs: bool) -> Iterator[str]:
        """Something has begun, and nothing more comes of it for now, or for so long already that it ``hangs``."""

    def climb(self, climb: Climb) -> Iterator[str]:
        """A stage is reached."""

    def remark(self, words: str) -> Iterator[str]:
        """Something happened to the source itself."""

    def so_far(self, diagnosis: Diagnosis) -> Iterator[str]:
        """The verdict as it stands."""

    def end(self, diagnosis: Diagnosis) -> Iterator[str]:
        """The verdict."""


class TextVoice:
    """Lines for a person. An exchange has its number in front; what is no exchange a mark: + a stage is reached, ! it
    went wrong, ~ it is under way, = the log says so."""

    def __init__(self, width: int = 0, style: Style = plain) -> None:
        self._width, self._style = width, style
        self._listing = Listing(width, style)

    def watching(self, source: str) -> Iterator[str]:
        yield self._style(f"-- watching {safe(source)}; Ctrl-C ends it with the verdict", "quiet")

    def begin(self, source: str, form: str) -> Iterator[str]:
        yield self._style(f"{safe(source)}: {form}", "quiet")
        yield self._listing.head()

    def item(self, item: Item, touches: str) -> Iterator[str]:
        if isinstance(item, Exchange):
            yield self._listing.line(item, touches)
        elif isinstance(item, Request):
            if item.result not in ("done", "not seen"):
                yield self._line("!", item, f"{item.text}", "warn")
        elif isinstance(item, BusEvent):
            if item.kind in _EVENTS:
                yield self._line("", item, item.text, _EVENTS[item.kind])
        elif isinstance(item, Stray):
            yield self._line("!", item, item.reason, "warn")
        else:
            yield self._line("=", item, item.statement.line, "bad" if item.statement.fails else "")

    def under_way(self, pending: Item | Transfer, hangs: bool) -> Iterator[str]:
        begun = _in_words(pending)
        if begun:
            mark, mood = ("!", "warn") if hangs else ("~", "quiet")
            yield self._line(mark, pending, begun + (_HANGS if hangs else ""), mood)
        elif not (hangs or isinstance(pending, Transfer)):
            yield from self.item(pending, "")

    def climb(self, climb: Climb) -> Iterator[str]:
        stick, rung = climb
        words = f"{rung.stage}: {safe(rung.text)}" if rung.text else f"{rung.stage}"
        yield self._style(self._listing.aside("+", rung.time_ns, stick.place, words), "good")

    def remark(self, words: str) -> Iterator[str]:
        yield self._style(f"-- {safe(words)}", "warn")

    def so_far(self, diagnosis: Diagnosis) -> Iterator[str]:
        for number, text in enumerate(diagnosis.answer.lines):
            label = "  so far: " if not number else "          "
            yield self._style(f"{label}{text}", "warn")

    def end(self, diagnosis: Diagnosis) -> Iterator[str]:
        yield ""
        yield from diagnosis_text.lines(diagnosis, self._style, self._width)

    def _line(self, mark: str, item: Item | Transfer, words: str, mood: str) -> str:
        time_ns = item.start_ns if isinstance(item, Transfer) else item.time_ns
        line = self._listing.aside(mark, time_ns, f"{item.bus}.{item.address}", safe(words))
        return self._style(line, mood) if mood else line


class JsonVoice:
    """One object a line (docs/json-lines.md)."""

    def watching(self, source: str) -> Iterator[str]:
        yield self._watch("watching", safe(source))

    def begin(self, source: str, form: str) -> Iterator[str]:
        yield self._watch("form", f"{safe(source)}: {form}")

    def item(self, item: Item, touches: str) -> Iterator[str]:
        yield json.dumps(item_facts(item, touches))

    def under_way(self, pending: Item | Transfer, hangs: bool) -> Iterator[str]:
        if begun := _in_words(pending):
            yield self._watch("hangs" if hangs else "under way", f"{pending.bus}.{pending.address}: {begun}")

    def climb(self, climb: Climb) -> Iterator[str]:
        yield json.dumps(climb.rung.facts(climb.stick.title))

    def remark(self, words: str) -> Iterator[str]:
        yield self._watch("remark", safe(words))

    def so_far(self, diagnosis: Diagnosis) -> Iterator[str]:
        yield self._watch("so far", diagnosis.verdict)

    def end(self, diagnosis: Diagnosis) -> Iterator[str]:
        yield json.dumps(diagnosis.facts())

    @staticmethod
    def _watch(says: str, text: str) -> str:
        return json.dumps({"kind": "watch", "says": says, "text": text})


_HANGS = f"; no answer for {HANGS_S:.0f} s and more"


def _in_words(pending: Item | Transfer) -> str:
    """What is under way; "" for what has happened and only waits for its turn to be told."""
    if isinstance(pending, Exchange):
        return f"{called(pending)}: {'no status yet' if pending.status == MISSING else 'its sense is not read yet'}"
    if not isinstance(pending, Transfer):
        return ""
    if is_request(pending):
        request = read_request(pending)
        return f"{request.name} {request.words}".rstrip() + ": no answer yet"
    return f"OUT ep {pending.endpoint:02x}, {pending.requested} bytes: not taken yet"
