"""What packets add to an exchange or request, in words and as JSON says it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from sticktrace.capture.wire import Moved, Wire
from sticktrace.codes.pids import pid_name
from sticktrace.sticks.wire_time import WireTime, wire_time
from sticktrace.storage.table import ExchangeTable
from sticktrace.text import count_of, time_in_words


def frame_rate(moved: Moved) -> str:
    """How many data packets a frame carried: ``8.0 a frame``; "" where no frame can be counted."""
    return f"{moved.packets / moved.frames:.1f} a frame" if moved.frames else ""


def toggles(moved: Moved) -> str:
    """The data PIDs: ``DATA0`` for one packet, ``DATA0 to DATA1`` for several."""
    first = pid_name(moved.first)
    return first if moved.packets == 1 else f"{first} to {pid_name(moved.last)}"


def brief(wire: Wire) -> str:
    """For a line of the listing: ``NAK 60 times in 1.2 ms, 8 data packets at 8.0 a frame, toggles 0 1-0 1``."""
    words = [f"NAK {count_of(wire.naks, 'time')} in {time_in_words(wire.nak_ns)}"] if wire.naks else []
    densest = wire.densest
    if densest is not None and densest.packets > 1:
        rate = frame_rate(densest)
        words.append(f"{densest.packets} data packets" + (f" at {rate}" if rate else ""))
    words += _odd(wire)
    if wire.moved:
        words.append("toggles " + " ".join(map(_toggles_short, wire.moved)))
    return ", ".join(words)


def _toggles_short(moved: Moved) -> str:
    first, last = (pid_name(pid).removeprefix("DATA") for pid in (moved.first, moved.last))
    return first if moved.packets == 1 else f"{first}-{last}"


def _odd(wire: Wire) -> list[str]:
    """What did not go over at the first attempt."""
    words = [f"tried again {count_of(wire.retries, 'time')}"] if wire.retries else []
    if wire.repeats:
        words.append(f"{count_of(wire.repeats, 'repeat')} discarded")
    if wire.unseen:
        words.append(f"{count_of(wire.unseen, 'packet')} not in the recording")
    return words


def account(wire: Wire, whole_ns: int) -> Iterator[str]:
    """Lines for the whole account of something that took ``whole_ns``."""
    counted = f"{count_of(wire.packets, 'packet')} that count"
    if wire.bus_ns:
        counted += f", {time_in_words(wire.bus_ns)} of bus time{_share(wire.bus_ns, whole_ns)}, bit stuffing left out"
    yield counted
    if wire.naks:
        time = f"{time_in_words(wire.nak_ns)}{_share(wire.nak_ns, whole_ns)} until the answer came"
        yield f"NAK {count_of(wire.naks, 'time')}, {time}"
    if wire.bus_ns:
        between = max(0, whole_ns - wire.bus_ns - wire.nak_ns)
        yield f"between packets: {time_in_words(between)}{_share(between, whole_ns)}"
    yield from _odd(wire)
    for moved in wire.moved:
        way = "IN" if moved.endpoint & 0x80 else "OUT"
        spread = f" in {count_of(moved.frames, 'frame')}" if moved.frames else ""
        packets = f"{count_of(moved.packets, 'data packet')}{spread}, {toggles(moved)}"
        yield f"endpoint {moved.endpoint & 0x0F} {way}: {packets}"


def _share(part_ns: int, whole_ns: int) -> str:
    return f" ({100 * part_ns / whole_ns:.0f} %)" if 0 < part_ns <= whole_ns else ""


def time_lines(time: WireTime) -> Iterator[str]:
    """Where the time in commands went, as far as packets show it."""
    whole = time.whole_ns
    row = "{:<16}{:>10}{}".format
    yield row("NAK", time_in_words(time.nak_ns), _share(time.nak_ns, whole) + f", {count_of(time.naks, 'answer')}")
    if time.timed:
        share = _share(time.bus_ns, whole)
        yield row("their packets", time_in_words(time.bus_ns), f"{share} of the bus, bit stuffing left out")
    if time.between_ns >= 0:
        yield row("between packets", time_in_words(time.between_ns), _share(time.between_ns, whole))
    if time.longest:
        yield f"longest in NAK: {time_in_words(time.longest_ns)}, in exchange {time.longest}"
    if time.frames:
        yield f"data packets a frame: {time.a_frame:.1f} on average, {time.most:.1f} at most over a whole transfer"
    odd = Wire(0, retries=time.retries, repeats=time.repeats, unseen=time.unseen)
    if not odd.plain:
        yield ", ".join(_odd(odd))


def table_lines(table: ExchangeTable, took_ns: Iterable[int]) -> tuple[int, list[str]]:
    """The time in the commands of a table, each of which took so long, and `time_lines` of them; no line where the
    table holds no packets."""
    wires = ((table.wire(row), whole, row + 1) for row, whole in enumerate(took_ns))
    found = wire_time((wire, whole, number) for wire, whole, number in wires if wire is not None)
    return (found.whole_ns, list(time_lines(found))) if found is not None else (0, [])


def wire_facts(wire: Wire | None) -> dict[str, Any] | None:
    """As JSON says it; None for a capture that holds no packets."""
    if wire is None:
        return None
    return {
        "packets": wire.packets, "naks": wire.naks, "nak_ns": wire.nak_ns, "retries": wire.retries,
        "repeats": wire.repeats, "unseen": wire.unseen, "bus_ns": wire.bus_ns or None,
        "data": [
            {"endpoint": moved.endpoint, "packets": moved.packets, "frames": moved.frames or None,
             "first": pid_name(moved.first), "last": pid_name(moved.last)} for moved in wire.moved
        ],
    }  # fmt: skip
