"""What a recorder on the host side keeps: the two halves of every transfer, with a clock that only moves when told.

A half follows the record of the Linux kernel's usbmon documentation; `forms` writes it as pcap or text.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from workshop import forms

START_NS = 1_935_306_000 * 1_000_000_000
"""The clock of the traces starts on 30 April 2031, 09:00 UTC, when the boat comes for the stick."""

ISOCHRONOUS, INTERRUPT, CONTROL, BULK = 0, 1, 2, 3
IN_PROGRESS, STALL, PROTOCOL, SHORT, CANCELLED, UNLINKED = -115, -32, -71, -121, -104, -2
GONE, TIMED_OUT, BABBLE = -108, -110, -75
"""Status of a transfer (kernel documentation, "USB error codes")."""


@dataclass(slots=True)
class Half:
    """A submission "S", a completion "C" or a failed submission "E". ``length`` is what was asked (S) or moved (C).
    ``setup`` is kept on both halves of a control transfer; the Linux forms write it on the submission alone."""

    time_ns: int
    event: str
    id: int
    kind: int
    endpoint: int
    address: int
    bus: int
    status: int
    length: int
    data: bytes = b""
    setup: bytes = b""
    interval: int = 0
    flags: int = 0
    flips: list[tuple[int, int]] = field(default_factory=list)


class Recorder:
    """Collects halves. ``now_ns`` is the clock; ``snap_length`` cuts each record of a pcap, ``event_limit`` the payload
    that the kernel keeps of one event (61,440 bytes with its default ring)."""

    def __init__(
        self,
        link_type: int = 220,
        order: str = "<",
        nanosecond: bool = False,
        *,
        snap_length: int = 245_824,
        event_limit: int = 245_760,
        start_ns: int = START_NS,
    ) -> None:
        self.link_type, self.order, self.nanosecond = link_type, order, nanosecond
        self.snap_length, self.event_limit = snap_length, event_limit
        self.now_ns = start_ns
        self.halves: list[Half] = []
        self._ids = 0xFFFF_8881_0243_0000
        self._spread = 1

    def wait(self, ns: int) -> None:
        """Lets time pass."""
        self.now_ns += ns

    def about(self, ns: int) -> int:
        """A duration near ``ns``, spread by up to an eighth in a fixed sequence: even the best clocks jitter."""
        self._spread = self._spread * 1_103_515_245 + 12_345 & 0x7FFF_FFFF
        return ns + ns * (self._spread >> 16 & 15) // 120

    def new_id(self) -> int:
        """An id like the kernel's: the address of a structure."""
        self._ids += 0xC0
        return self._ids

    def add(self, half: Half) -> Half:
        """Appends a record made by the caller."""
        self.halves.append(half)
        return half

    def drop(self, number: int) -> Half:
        """Loses a record, as recorders do, without a mark. ``number`` is 1-based."""
        return self.halves.pop(number - 1)

    def flip(self, number: int, offset: int, mask: int = 0xFF) -> None:
        """Damages one byte of a record, header included, wherever it is written as pcap. ``number`` is 1-based."""
        self.halves[number - 1].flips.append((offset, mask))

    def pcap(self) -> bytes:
        """The capture as a pcap file."""
        return forms.pcap(self.halves, self.link_type, self.order, self.nanosecond, self.snap_length, self.event_limit)

    def usbmon_text(self, bus_numbers: bool = True) -> str:
        """The capture as the kernel's text form: 'u' with bus numbers, 't' without."""
        return forms.usbmon_text(self.halves, bus_numbers)

    def hex_text(self) -> str:
        """The bulk traffic as a firmware's console would print it."""
        return forms.hex_text(self.halves)


def merge(first: Recorder, *others: Recorder) -> Recorder:
    """One recorder with the records of all in order of time (ties keep the order of the arguments)."""
    halves: Iterable[Half] = (half for recorder in (first, *others) for half in recorder.halves)
    merged = Recorder(
        first.link_type, first.order, first.nanosecond, snap_length=first.snap_length, event_limit=first.event_limit
    )
    merged.halves = sorted(halves, key=lambda half: half.time_ns)
    merged.now_ns = max(recorder.now_ns for recorder in (first, *others))
    return merged
