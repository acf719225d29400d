"""The transfer: one USB transfer, whatever form the capture has. What every room below `capture` works on."""

from __future__ import annotations

from typing import NamedTuple

from sticktrace.capture.wire import Wire

ISOCHRONOUS, INTERRUPT, CONTROL, BULK = 0, 1, 2, 3
"""Transfer kinds, numbered as in the Linux capture header (kernel documentation, usbmon)."""

GAP, BREAK = 4, 5
"""No transfers: the recorder itself says that ``requested`` transfers are missing at this place; another recording
begins at this place, and nothing is carried over into it."""

STALL = -32
"""Status of a transfer answered by STALL, in the errno numbers of the Linux capture header; other forms are mapped."""


class Piece(NamedTuple):
    """Where payload lies: ``at`` is its offset in the capture's bytes, ``captured`` how many were recorded there,
    ``actual`` how many crossed the bus."""

    at: int
    captured: int
    actual: int


NO_DATA = Piece(0, 0, 0)


class Transfer:
    """One transfer, with both halves where the capture has them.

    Times are nanoseconds since the first record of the capture; -1 where that half is lost. ``endpoint`` is the
    endpoint address with bit 7 set for IN. ``requested`` is the length asked for (or -1 if that half is lost),
    ``actual`` what crossed the bus. ``status`` is 0 or a negative errno as in the Linux header, None if the completion
    is lost. ``setup`` holds the 8 setup bytes of a control transfer, b"" otherwise or where not recorded.
    ``records`` are the 1-based record numbers, submission first. ``function`` is the host driver's function
    code where the form has one (link type 249), else -1. ``waited_ns`` is how long a transfer without completion had
    waited when the capture ended, -1 for one whose completion is known or known to be lost. ``not_printed`` names the
    fields of a wrapper that a text did not print: what stands in their place is no observation.

    Of packets, the halves are the first and the last packet, ``records`` these two, and ``requested`` is -1 for a read,
    as what the host had room for is not on the wire. ``wire`` has what packets add, None for captures of a host.
    """

    __slots__ = (
        "actual", "address", "bus", "captured", "completed_ns", "data_at", "endpoint", "function", "kind",
        "not_printed", "records", "requested", "setup", "status", "submitted_ns", "waited_ns", "wire",
    )  # fmt: skip

    def __init__(
        self, bus: int, address: int, endpoint: int, kind: int, setup: bytes = b"", requested: int = -1,
        actual: int = 0, data_at: int = 0, captured: int = 0, status: int | None = None, submitted_ns: int = -1,
        completed_ns: int = -1, records: tuple[int, ...] = (), function: int = -1,
    ) -> None:  # fmt: skip
        self.bus = bus
        self.address = address
        self.endpoint = endpoint
        self.kind = kind
        self.setup = setup
        self.requested = requested
        self.actual = actual
        self.data_at = data_at
        self.captured = captured
        self.status = status
        self.submitted_ns = submitted_ns
        self.completed_ns = completed_ns
        self.records = records
        self.function = function
        self.waited_ns = -1
        self.not_printed: tuple[str, ...] = ()
        self.wire: Wire | None = None

    @property
    def weight(self) -> int:
        """How many records of the capture are accounted for by this transfer."""
        return len(self.records) if self.wire is None else self.wire.packets

    @property
    def fell_short(self) -> bool:
        """Whether less came than was asked, or, of packets, than the last packet had room for."""
        return self.actual < self.requested or (self.wire is not None and self.wire.short)

    @property
    def incoming(self) -> bool:
        """Whether data goes from device to host. For control transfers the setup packet decides, if recorded."""
        if self.kind == CONTROL and self.setup:
            return bool(self.setup[0] & 0x80)
        return bool(self.endpoint & 0x80)

    @property
    def piece(self) -> Piece:
        """Where the payload that crossed the bus lies. Of an OUT transfer that failed more may have been captured than
        was sent: `captured` counts all of it."""
        return Piece(self.data_at, min(self.captured, self.actual), self.actual)

    @property
    def start_ns(self) -> int:
        """Time of the first half that the capture has."""
        return self.submitted_ns if self.submitted_ns >= 0 else self.completed_ns

    @property
    def end_ns(self) -> int:
        """Time of the last half that the capture has."""
        return self.completed_ns if self.completed_ns >= 0 else self.submitted_ns

    def __repr__(self) -> str:
        return (
            f"<Transfer {self.records} {self.bus}.{self.address}.{self.endpoint:02x} kind={self.kind} "
            f"setup={self.setup.hex()} requested={self.requested} actual={self.actual} status={self.status}>"
        )
