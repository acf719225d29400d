"""Times and log tags in front of a line of console text (docs/hex-text.md lists the forms)."""

from __future__ import annotations

import re

# What stands in brackets, and log levels as kernels and several kits print them: <7>, <dbg>.
_TAG = re.compile(r"\s*(?:\[([^\]]{0,40})\]|<\d>|<(?:dbg|debug|inf|info|wrn|warn|err|error)>)", re.I)
_TICK = re.compile(r"\s*[EWIDV] \((\d{1,12})\)\s")  # level letter and milliseconds, as several kits print
_CLOCK = re.compile(
    r"\s*[\[(]?(?:\d{4}-\d\d-\d\d[ T])?([01]?\d|2[0-3]):([0-5]\d):([0-5]\d)(?:[.,](\d{1,9}))?[\])]?(?=\s|$)", re.ASCII
)
_SECONDS = re.compile(r"\s*[\[(]\s*(\d{1,12})\.(\d{1,9})\s*[\])]|\s*(\d{1,12})\.(\d{3,9})(?=[:,]?\s)", re.ASCII)
_UNIT = re.compile(
    r"\s*[\[(@]?\s*\+?(\d{1,18})(?:\.(\d{1,9})|-(\d{1,10}))?\s*(ns|us|µs|μs|ms|s|sec)[\])]?[:,]?(?=\s|$)", re.ASCII
)
_SCALE = {"ns": 1, "us": 1_000, "µs": 1_000, "μs": 1_000, "ms": 1_000_000, "s": 1_000_000_000, "sec": 1_000_000_000}

_BYTES_ONLY = re.compile(r"(?:(?:0[xX])?[0-9A-Fa-f]{2}[ ,:-]*)+")
_TAGS = 4
"""Times and tags that are taken from one line at most."""


def take_time(text: str) -> tuple[int | None, int, bool, str]:
    """The first time in ns (None without one), how long it took up to then ("212190-67 us": it began 67 us before),
    whether it is a time of day, and the line without times and tags."""
    time_ns: int | None = None
    took_ns = 0
    of_day = False
    for _ in range(_TAGS):
        found: int | None = None
        if match := _CLOCK.match(text):
            hours, minutes, seconds, fraction = match.groups()
            found = _nanoseconds((int(hours) * 60 + int(minutes)) * 60 + int(seconds), fraction, 1_000_000_000)
            of_day = time_ns is None or of_day
        elif match := _SECONDS.match(text):
            found = _nanoseconds(int(match[1] or match[3]), match[2] or match[4], 1_000_000_000)
        elif match := _UNIT.match(text):
            scale = _SCALE[match[4]]
            found = _nanoseconds(int(match[1]), match[2], scale)
            took_ns = int(match[3]) * scale if match[3] and time_ns is None else took_ns
        elif match := _TICK.match(text):
            found = _nanoseconds(int(match[1]), None, 1_000_000)
        elif not (match := _TAG.match(text)) or (match[1] and _BYTES_ONLY.fullmatch(match[1].strip())):
            break
        time_ns = found if time_ns is None else time_ns
        text = text[match.end() :].lstrip(":")
    return time_ns, took_ns, of_day, text.strip()


def _nanoseconds(whole: int, fraction: str | None, scale: int) -> int:
    return whole * scale + (int(fraction) * scale // 10 ** len(fraction) if fraction else 0)
