"""What loggers put in front of a message: quoting, dates, hosts, levels, clocks. Taken off, and the time read.

Every kernel, system logger and board prints its own; what they have in common is that each part is recognised by
itself, so the parts are taken off one after the other until none fits. Clocks differ in what they count from:
a kernel's counts from its start, a wall clock from midnight or 1970. One text may show both; the kernel's is the finer.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

SECOND = 1_000_000_000
DAY = 86_400 * SECOND
UPTIME, OF_DAY, CALENDAR = "uptime", "of day", "calendar"
"""What a printed time counts from: the start of the system, midnight, or 1970."""


@dataclass(slots=True)
class Head:
    """What stood in front: the time and what it counts from (-1 and "" if none), whether anything was taken off, and
    where the message begins. ``cut`` tells a stamp that was shortened: there is one, but it cannot be read."""

    text: str
    time_ns: int = -1
    clock: str = ""
    headed: bool = False
    cut: bool = False


_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|[\x00-\x08\x0b-\x1f\x7f]")
_HOUR = r"(?P<h>\d{1,2}):(?P<m>\d\d):(?P<s>\d\d)(?:[.,](?P<f>\d{1,9}))?"
_WORD_MONTH = r"(?:\d{1,2}\.?\s+)?(?:[^\W\d_]{2,10}\.?|\d{1,2}月)\s+(?:\d{1,2}\s+)?"
_QUOTES = re.compile(r"(?:\s*[>|]\s?)+(?=\S)|\s+(?=\S)")
_LEVEL = re.compile(r"\s*<\d{1,3}>\s*")
_KERNEL = re.compile(r"\s*\[\s*(\d{1,8})\.(\d{1,9})\s*\](?:\s*\[\s*[TC]\d+\s*\])?\s?")
_CUT = re.compile(
    r"\s*(?:\[\s*\d[\d.]*\.{2,}\s*\]|\[\s*\d[\d.]*\.{2,}|\d{0,6}\.\d{3,9}\]"
    r"|\[\s*(?:[-.]{2,}|x+|\d{1,6})\s*\](?=\s*\w+[ :]))\s*"
)
_ISO = re.compile(
    rf"\s*\[?(?P<Y>\d{{4}})[-/](?P<M>\d\d)[-/](?P<D>\d\d)[T ]{_HOUR}(?:Z|\s?[+-]\d\d:?\d\d)?\]?\s*[:,|-]?\s+"
)
_LONG = re.compile(
    rf"\s*\[?(?:[^\W\d_]{{2,9}}\.?,?\s+)?(?:{_WORD_MONTH}){_HOUR}"
    r"(?:\s+(?P<Y>\d{4}))?(?:\s+[A-Z]{3,4}\b)?\]?:?\s+"
)
_SHORT = re.compile(rf"\s*(?P<M>\d\d)[-/.](?P<D>\d\d)[-/. ](?:\d{{2,4}}\s+)?\s*{_HOUR}\s+")
_TIME = re.compile(rf"\s*\[?{_HOUR}\]?\s*(?:->|-|\||:)?\s+")
_AFTER = re.compile(
    r"(?:(?:kern|user|daemon|auth|syslog|local\d)\.[a-z]+\s+)?"
    r"(?:[\w.@-]+\s+)?(?:kernel|klogd|vmunix)(?:\[\d+\])?:\s?"
    r"|(?:kern|user|daemon)\.[a-z]+\s+(?:[\w.-]+:\s)?"
)
_KERNEL_NAME = re.compile(r"(?:kernel|klogd|vmunix)(?:\[\d+\])?:\s?")
_BOARD = (
    re.compile(r"\s*[EWIDV]\s\((?P<ms>\d{1,10})\)\s(?=\S)"),
    re.compile(r"\s*\[\s*(?P<ms>\d{1,9})\]\[[EWIDV]\]\s*"),
    re.compile(r"\s*\d{1,6}\s+\d{1,6}\s+[EWIDV]\s(?=\S)"),
    re.compile(r"\s*\[[EWIDV]/[\w.-]+\]\s*"),
    re.compile(r"\s*[EWIDV]/[\w.-]+:\s*"),
    re.compile(r"\s*[-|]\s(?=\[)"),
)  # fmt: skip


def take_off(line: str) -> Head:
    """The message of a line without what loggers put in front of it."""
    if "\x1b" in line or not line.isprintable():
        line = _ESCAPES.sub("", line)
    head = Head(line)
    if line.startswith("{") and '"' in line:
        _journal(head)
    while _step(head):
        head.headed = True
    return head


def _step(head: Head) -> bool:
    """Takes off one part. Returns whether there was one."""
    text = head.text
    first = text[:1]
    if first in " \t>|":
        return _quotes(head)
    if first == "<":
        return _cut_off(head, _LEVEL.match(text))
    if first == "[":
        return _kernel(head) or _wall(head) or _board(head) or _shortened(head)
    if first.isdigit() or first == ".":
        return _wall(head) or _shortened(head)
    if first in "EWIDV-" and _board(head):
        return True
    if (head.clock and head.clock != UPTIME) or text[:6] in ("kernel", "klogd[", "klogd:", "vmunix"):
        return _cut_off(head, _AFTER.match(text)) if head.clock else _cut_off(head, _KERNEL_NAME.match(text))
    if text[:5] in ("kern.", "user."):
        return _cut_off(head, _AFTER.match(text))
    return not head.clock and _wall(head)


def _cut_off(head: Head, found: re.Match[str] | None) -> bool:
    if found is None or not found.end():
        return False
    head.text = head.text[found.end() :]
    return True


def _quotes(head: Head) -> bool:
    """Quoting and blanks; blanks alone do not make a line a headed one."""
    found = _QUOTES.match(head.text)
    if found is None or not found.end():
        return False
    was = head.headed
    head.text = head.text[found.end() :]
    if _step(head):
        head.headed = True
    else:
        head.headed = was
    return head.headed


def _kernel(head: Head) -> bool:
    found = _KERNEL.match(head.text)
    if found is None:
        return False
    head.time_ns = int(found[1]) * SECOND + int(found[2].ljust(9, "0"))
    head.clock = UPTIME
    return _cut_off(head, found)


def _wall(head: Head) -> bool:
    """A date or a time of day; the kernel's own stamp behind it is the finer one and takes its place."""
    text = head.text
    for regex in (_ISO, _LONG, _SHORT, _TIME):
        found = regex.match(text)
        if found is None:
            continue
        if head.clock != UPTIME:
            head.time_ns, head.clock = _time_of(found)
        return _cut_off(head, found)
    return False


def _time_of(found: re.Match[str]) -> tuple[int, str]:
    """Nanoseconds of a wall clock, from 1970 where the line has a date that can be read, else from midnight."""
    part = found.groupdict()
    seconds = int(part["h"]) * 3600 + int(part["m"]) * 60 + int(part["s"])
    ns = seconds * SECOND + int((part.get("f") or "0").ljust(9, "0"))
    if part.get("Y") and part.get("M"):
        from datetime import date

        try:
            day = date(int(part["Y"]), int(part["M"]), int(part["D"])).toordinal() - date(1970, 1, 1).toordinal()
        except ValueError:
            return ns, OF_DAY
        return day * DAY + ns, CALENDAR
    return ns, OF_DAY


def _board(head: Head) -> bool:
    for regex in _BOARD:
        found = regex.match(head.text)
        if found is not None:
            if "ms" in regex.groupindex and not head.clock:
                head.time_ns, head.clock = int(found["ms"]) * 1_000_000, UPTIME
            return _cut_off(head, found)
    return False


def _shortened(head: Head) -> bool:
    """A stamp of which a part is missing."""
    found = _CUT.match(head.text)
    if found is None:
        return False
    head.cut = True
    return _cut_off(head, found)


def _journal(head: Head) -> None:
    """A line of a journal in JSON: its message, and the kernel's time or the wall clock's, both in microseconds."""
    try:
        entry = json.loads(head.text)
        message = entry["MESSAGE"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return
    if isinstance(message, list):
        message = bytes(b for b in message if isinstance(b, int) and 0 <= b < 256).decode("utf-8", "replace")
    if not isinstance(message, str):
        return
    head.text, head.headed = message, True
    for key, clock in (("_SOURCE_MONOTONIC_TIMESTAMP", UPTIME), ("__REALTIME_TIMESTAMP", CALENDAR)):
        told = str(entry.get(key, ""))
        if told.isdigit() and len(told) < 20:
            head.time_ns, head.clock = int(told) * 1000, clock
            return


class Clock:
    """Keeps the time since the first one printed, whatever each line counts from: clocks that start again, and texts
    put together from several, go on from the last time."""

    BACK = 5 * SECOND

    def __init__(self) -> None:
        self.now_ns = 0
        self.timed = False
        self.restarts = 0
        self._base: dict[str, int] = {}
        self._last: dict[str, int] = {}

    def take(self, head: Head) -> bool:
        """Note a line's time. Returns whether the clock of the system started again here."""
        if head.time_ns < 0:
            return False
        clock, time_ns = head.clock, head.time_ns
        again = False
        if clock not in self._base:
            self._base[clock] = time_ns - self.now_ns
        elif time_ns < self._last[clock] - self.BACK:
            if clock == OF_DAY and self._last[clock] - time_ns > DAY // 2:
                self._base[clock] -= DAY
            else:
                self._base[clock] = time_ns - self.now_ns
                again = clock == UPTIME
                self.restarts += again
        self._last[clock] = time_ns
        self.now_ns = max(self.now_ns, time_ns - self._base[clock])
        self.timed = True
        return again
