"""Selection words for control requests: the same words as for exchanges where they mean the same, see `USE`."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable

from sticktrace.bus.requests import Request
from sticktrace.errors import SticktraceError
from sticktrace.output.selection import SelectionError, duration_of, number_of, range_of, seconds_of

Test = Callable[[int, Request], bool]

USE = {
    "request": "by name, as get_descriptor or clear_feature; a * at the end: all that begin so",
    "status": 'done, stall, "no answer", "not seen", error; bad: all but done and not seen',
    "number": "1 is the first request: 30 or 10..20",
    "device": "bus.address, as 1.4",
    "time": "seconds since the first record: 1.5..2",
    "slower": "took longer than 5ms",
    "faster": "took less than 5ms",
    "moved": "bytes that moved: 18..",
    "asked": "wLength: ..64",
    "direction": "of the data stage: in, out, none",
}
"""Every word with what it takes."""


class RequestSelection:
    """Parsed selection words; an empty one selects everything. Raises SelectionError."""

    def __init__(self, words: Iterable[str] = ()) -> None:
        self._tests = [_test(word) for word in words]

    def fits(self, number: int, request: Request) -> bool:
        """Whether all words hold of a request."""
        return all(test(number, request) for test in self._tests)


def _test(word: str) -> Test:
    turned = word.startswith("-")
    key, colon, value = word.lstrip("-").partition(":")
    maker = _MAKERS.get(key.lower())
    if not colon or maker is None:
        near = difflib.get_close_matches(key.lower(), _MAKERS, 1)
        hint = f"; did you mean {near[0]}:?" if near else "; known are " + ", ".join(f"{key}:" for key in _MAKERS)
        raise SelectionError(f"{word!r} is no selection word of requests{hint}")
    if not value:
        raise SelectionError(f"{word!r} lacks a value after the colon")
    try:
        tests = [maker(one.strip()) for one in value.split(",")]
    except SticktraceError as error:
        raise SelectionError(f"{word}: {error}") from error
    return lambda number, request: any(test(number, request) for test in tests) != turned


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _name(text: str) -> Test:
    wanted, begins = _plain(text), text.endswith("*")
    if not wanted:
        raise SelectionError("names no request")
    return lambda _, request: _plain(request.name).startswith(wanted) if begins else _plain(request.name) == wanted


_RESULTS = ("done", "stall", "no answer", "not seen", "error")


def _status(text: str) -> Test:
    said = text.lower()
    if said == "bad":
        return lambda _, request: request.result not in ("done", "not seen")
    if said not in _RESULTS:
        raise SelectionError(f"not known; write one of {', '.join(_RESULTS)}, bad")
    return lambda _, request: request.result.split(" -")[0] == said


def _device(text: str) -> Test:
    bus, dot, address = text.partition(".")
    if not dot:
        raise SelectionError("not understood; write bus.address, as in device:1.4")
    place = number_of(bus), number_of(address)
    return lambda _, request: (request.bus, request.address) == place


def _direction(text: str) -> Test:
    if text.lower() not in ("in", "out", "none"):
        raise SelectionError("not known; write one of in, out, none")
    return lambda _, request: _way(request) == text.lower()


def _way(request: Request) -> str:
    if request.requested <= 0:
        return "none"
    return "in" if request.request_type & 0x80 else "out"


def _between(value: Callable[[int, Request], int], read: Callable[[str], int] = number_of) -> Callable[[str], Test]:
    def make(text: str) -> Test:
        low, high = range_of(text, read)
        return lambda number, request: low <= value(number, request) <= high

    return make


def _took(request: Request) -> int:
    return max(0, request.end_ns - request.time_ns)


def _slower(text: str) -> Test:
    limit = duration_of(text)
    return lambda _, request: _took(request) > limit


def _faster(text: str) -> Test:
    limit = duration_of(text)
    return lambda _, request: _took(request) < limit


_MAKERS: dict[str, Callable[[str], Test]] = {
    "request": _name, "status": _status, "number": _between(lambda number, _: number), "device": _device,
    "time": _between(lambda _, request: request.time_ns, seconds_of), "slower": _slower, "faster": _faster,
    "moved": _between(lambda _, request: request.actual), "asked": _between(lambda _, request: request.requested),
    "direction": _direction,
}  # fmt: skip
