"""The timing of a capture as text: tables, bars, and the reasons in words."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from sticktrace.output.listing import Style, plain
from sticktrace.output.wire_text import time_lines
from sticktrace.sticks.stages import WHAT, Stage
from sticktrace.text import bytes_in_words, count_of, time_in_words
from sticktrace.timing.ceiling import Ceiling
from sticktrace.timing.flow import Flow, reasons
from sticktrace.timing.measure import IDLE_NS, StickTiming, Timing
from sticktrace.timing.spreads import PERCENTILES, Course, Kind

BAR = 40
"""Columns of a full bar."""
_EIGHTHS = " ▏▎▍▌▋▊▉"
_NAME, _CELL = 21, 10
"""Columns of a command's name and of a time; the whole table is 80 wide."""
_PHASES = {"data": "data phase", "status": "to the status", "gap": "host gap"}
_BEGINNINGS = {Stage.ATTACH, Stage.ADDRESS, Stage.DESCRIPTORS, Stage.CONFIGURATION, Stage.IDENTITY}
"""Steps that a host takes only when a device is new to it."""
_WAYS = {"in": "read", "out": "written"}


def bar(value: float, full: float, columns: int = BAR) -> str:
    """A bar of block characters: ``value`` against ``full``; anything above zero shows at least a sliver."""
    if value <= 0 or full <= 0:
        return ""
    eighths = max(1, round(min(value / full, 1.0) * columns * 8))
    return "█" * (eighths // 8) + _EIGHTHS[eighths % 8].strip()


def rate_in_words(rate: float) -> str:
    """Bytes in a second, in decimal units as bus rates are given: ``1.22 MB/s``, ``64.0 kB/s``."""
    if rate >= 1_000_000:
        return f"{rate / 1_000_000:.2f} MB/s"
    return f"{rate / 1_000:.1f} kB/s"


def timing_text(timing: Timing, style: Style = plain) -> Iterator[str]:
    """The whole report. Without a storage device it says so."""
    if not timing.parts:
        yield "no storage device in this capture: nothing to time"
    for number, part in enumerate(timing.parts):
        if number:
            yield ""
        yield from _part(part, style)


def _part(part: StickTiming, style: Style) -> Iterator[str]:
    stick = part.stick
    commands = count_of(sum(kind.count for kind in part.kinds.values()), "storage command")
    yield style(f"Device {stick.place}, {stick.name}: {commands}", "head")
    if stick.device.earlier is not None:
        yield "  the same device as before, back again"
    yield from _stages(part, style)
    if part.kinds:
        yield from _kinds(part, style)
    yield from _flows(part, style)
    if part.wire is not None:
        yield ""
        yield style("On the wire", "head") + f" ({time_in_words(part.wire.whole_ns)} in commands)"
        yield from (f"  {line}" for line in time_lines(part.wire))
    yield from _course(part.course, style)


def _stages(part: StickTiming, style: Style) -> Iterator[str]:
    times = {stage: at.time_ns for stage, at in part.stick.reached.items()}
    start = times.get(Stage.ATTACH)
    yield ""
    if not _BEGINNINGS & times.keys():
        yield style("Bring-up", "head") + ": not in this capture, which begins later or never saw it"
        return
    if start is None:
        yield style("Bring-up", "head") + " (the plugging in is not in this capture: times since its first step seen)"
    else:
        yield style("Bring-up", "head") + " (since the connection was seen)"
    origin = min(times.values()) if start is None else start
    last = max(times.values()) - origin
    for step, text in WHAT.items():
        if step not in times:
            yield f"  {step:<14} {'not seen':>10}  " + style(text, "quiet")
            continue
        at = times[step] - origin
        yield f"  {step:<14} {time_in_words(at):>10}  {text:<35} {bar(at, last, 14)}".rstrip()


def _kinds(part: StickTiming, style: Style) -> Iterator[str]:
    yield ""
    names = "".join(f"{'p' + str(p):>{_CELL}}" for p in PERCENTILES)
    yield style(f"  {'command':<{_NAME}}{'count':>7}{'bytes':>10}{names}{'max':>{_CELL}}", "head")
    for kind in sorted(part.kinds.values(), key=lambda kind: -(sum(kind.spreads["whole"].values))):
        yield from _kind(kind)
    yield style("  beside the name: the whole command; data phase: command done to last data;", "quiet")
    yield style("  to the status: from there to the CSW; host gap: on to the next command", "quiet")


def _kind(kind: Kind) -> Iterator[str]:
    """A row for the whole command, then one for each of its parts that is not the whole of it."""
    sums = f"{kind.count:>7,}{bytes_in_words(kind.bytes):>10}"
    if len(kind.name) > _NAME:
        yield f"  {kind.name}"
        yield f"  {'':<{_NAME}}{sums}{_cells(kind, 'whole')}"
    else:
        yield f"  {kind.name:<{_NAME}}{sums}{_cells(kind, 'whole')}"
    if kind.failed:
        yield f"    {kind.failed:,} did not pass"
    for phase in ("data", "status", "gap"):
        cells = _cells(kind, phase)
        if cells:
            yield f"    {_PHASES[phase]:<{_NAME + 15}}{cells}"


def _cells(kind: Kind, phase: str) -> str:
    """The percentiles of a phase, "" where it was never measured."""
    facts = kind.spreads[phase].facts()
    if facts is None:
        return ""
    values = [facts[f"p{p}"] for p in PERCENTILES] + [facts["max"]]
    return "".join(f"{time_in_words(value):>{_CELL}}" for value in values)


def _flows(part: StickTiming, style: Style) -> Iterator[str]:
    top = part.ceiling
    flows = [flow for flow in part.flows.values() if flow.commands]
    if not flows:
        return
    yield ""
    yield style("Throughput of the medium's blocks", "head") + f" (pauses over {time_in_words(IDLE_NS)} left out)"
    yield from _wrapped("  ", _ceiling(part, top))
    for flow in flows:
        yield from _flow(flow, top, style)
    if part.pauses:
        pauses = count_of(part.pauses, "pause")
        yield f"  the host paused: {pauses} over {time_in_words(IDLE_NS)}, {time_in_words(part.pause_ns)} in all"


def _ceiling(part: StickTiming, top: Ceiling | None) -> str:
    stick = part.stick
    if top is not None:
        return (
            f"{stick.speed} speed, packets of {top.payload} bytes: at most {top.packets} per {top.unit}, "
            f"{rate_in_words(top.bytes_per_second)} ({top.source})"
        )
    if not stick.speed or not stick.bulk_packet:
        return "no ceiling: this capture does not show speed and packet size"
    return f"no ceiling: no table of USB 2.0 5.8.4 covers {stick.speed} speed with packets of {stick.bulk_packet} bytes"


def _flow(flow: Flow, top: Ceiling | None, style: Style) -> Iterator[str]:
    size, largest = bytes_in_words(flow.bytes // flow.commands), bytes_in_words(flow.largest)
    commands = count_of(flow.commands, "command")
    yield f"  {_WAYS[flow.direction]}: {bytes_in_words(flow.bytes)} by {commands}, {size} on average, largest {largest}"
    share = f", {100 * flow.rate / top.bytes_per_second:.1f} % of the ceiling" if top else ""
    yield f"    {rate_in_words(flow.rate)}{share}; in the data phases alone {rate_in_words(flow.data_rate)}"
    if top:
        yield f"    [{bar(flow.rate, top.bytes_per_second):<{BAR}}]"
    why = reasons(flow, top)
    for number, reason in enumerate(why):
        first, *more = _wrapped(" " * 9, reason)
        yield "    " + style("why: " if not number else "     ", "warn") + first.strip()
        yield from more


def _wrapped(indent: str, text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False) or [indent]


def _course(course: Course, style: Style) -> Iterator[str]:
    rows = course.facts()
    if len(rows) < 2:
        return
    yield ""
    width = rows[0]["width_ns"]
    yield style("Over time", "head") + f" (slots of {time_in_words(width)}; = read, # written)"
    most = max(row["read"] + row["written"] for row in rows)
    for number, row in enumerate(rows):
        if not row["read"] + row["written"]:
            empty = _empty_from(rows, number)
            if not number or rows[number - 1]["read"] + rows[number - 1]["written"]:
                yield style(f"  {row['time_ns'] / 1e9:>10.3f} s  nothing for {time_in_words(empty * width)}", "quiet")
            continue
        read, written = row["read"], row["written"]
        drawn = max(round((read + written) / most * BAR), bool(read) + bool(written))
        reads = min(drawn - bool(written), max(bool(read), round(drawn * read / (read + written))))
        line = "=" * reads + "#" * (drawn - reads)
        rate = rate_in_words((read + written) * 1e9 / width)
        yield f"  {row['time_ns'] / 1e9:>10.3f} s  {line:<{BAR}}  {rate:>11}"


def _empty_from(rows: list[dict[str, int]], start: int) -> int:
    """How many slots in a row are empty."""
    count = 0
    while start + count < len(rows) and not rows[start + count]["read"] + rows[start + count]["written"]:
        count += 1
    return count
