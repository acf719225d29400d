"""The devices: hub tree, then the card and the life line of each."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace import Device, Stick, safe, time_in_words
from sticktrace.output.device_text import card_lines
from sticktrace_tui.cells import wrap
from sticktrace_tui.model import Model
from sticktrace_tui.pages import Entry, Goal
from sticktrace_tui.rows import broken
from sticktrace_tui.styled import pieces, style

_MOMENTS = 200
"""Lines of one life line; a device that was reset for hours has more."""


def build(model: Model, width: int) -> list[Entry]:
    """The lines of the page."""
    if model.reading is None:
        return [Entry([]), Entry([("Opening the capture…", "quiet")])]
    with model.watchers.lock:
        sticks = model.watchers.sticks()
        out = [Entry([("Who hangs where", "head")]), *_tree([stick.device for stick in sticks])]
        for stick in sticks:
            out.append(Entry([]))
            out += _card(stick, width)
            out += _life(model, stick.device, width)
    if not sticks and len(out) == 1:
        out.append(Entry([("  no descriptor and no storage traffic so far says who is there", "quiet")]))
    return out


def _tree(devices: list[Device]) -> Iterator[Entry]:
    """Hubs with what hangs behind their ports, buses as roots."""
    below: dict[int, list[Device]] = {}
    for device in devices:
        below.setdefault(id(device.hub) if device.hub is not None else -1 - device.bus, []).append(device)
    seen: set[int] = set()

    def branch(key: int, stem: str) -> Iterator[Entry]:
        children = [device for device in below.get(key, []) if id(device) not in seen]
        for n, device in enumerate(children):
            seen.add(id(device))
            last = n == len(children) - 1
            port = f"port {device.port}: " if device.port else ""
            gone = "" if device.present else "  gone"
            text = f"{safe(device.title)}, address {device.address}{', ' + device.speed if device.speed else ''}"
            yield Entry([(f"{stem}{'└─' if last else '├─'} ", "bar"), (port, "quiet"), (text, "plain"), (gone, "warn")])
            yield from branch(id(device), stem + ("   " if last else "│  "))

    for bus in sorted({device.bus for device in devices}):
        yield Entry([(f"  bus {bus}", "strong")])
        yield from branch(-1 - bus, "  ")


def _card(stick: Stick, width: int) -> Iterator[Entry]:
    for n, text in enumerate(card_lines(stick, style)):
        for line in broken(pieces(text if n == 0 else text.strip()), width, 3) if n == 0 else _row(text, width):
            yield Entry(line)


def _row(text: str, width: int) -> list[list[tuple[str, str]]]:
    """A row of the card: its name in 14 cells, then words that wrap beside it."""
    line = pieces(text)
    plain = "".join(piece for piece, _ in line)
    mood = line[0][1] if len(line) == 1 else "plain"
    return wrap(plain[16:], width, mood if mood != "quiet" else "plain", " " * 16, f"  {plain[2:16]}")


def _life(model: Model, device: Device, width: int) -> Iterator[Entry]:
    """The story: when, how long after the moment before, what; each leads to the request that shows it."""
    if device.story:
        yield Entry([("  its life", "strong")])
    before = None
    for time_ns, text, records in sorted(device.story[:_MOMENTS], key=lambda moment: moment[0]):
        gap = "" if before is None else f"+{time_in_words(time_ns - before)}"
        before = time_ns
        goal = next((Goal(code) for code in map(model.code_of_record, records) if code is not None), None)
        head = f"  {time_ns / 1e9:>11.6f} {gap:>11}  "
        for n, line in enumerate(wrap(text, width, "plain", " " * len(head), head)):
            yield Entry(line, goal if n == 0 else None)
    if len(device.story) > _MOMENTS:
        yield Entry([(f"  and {len(device.story) - _MOMENTS:,} moments more", "quiet")])
