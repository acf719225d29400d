"""Control requests: one control transfer read into a name, its arguments in words and its result.

Standard requests follow USB 2.0 chapter 9, hub requests chapter 11, mass storage requests Bulk-Only Transport 1.0 and
the MSC Specification Overview 1.4. A Windows host capture (link type 249) may hold a function of the host driver in
place of the setup packet; it is read as the request that it puts on the bus, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sticktrace.bus.device import UNTOLD, Device
from sticktrace.capture.transfer import NO_DATA, STALL, Piece, Transfer
from sticktrace.capture.wire import Wire
from sticktrace.codes import usb_requests as codes
from sticktrace.grammar import usb

_SETUP = usb.SETUP.fast("bmRequestType", "bRequest", "wValue", "wIndex", "wLength")

_UNANSWERED = {-2, -62, -104, -110}
"""Host gave up waiting: unlinked (-2, -104), no response in the turn-around time (-62), timed out (-110)."""

CONTROL_FUNCTIONS = {0x0008, 0x0032}
"""Link type 249: functions that carry a plain control transfer (from memory of usb.h)."""

PIPE_FUNCTIONS = {-1, 0x0009, 0x000A, 0x0037, 0x0038}
"""Functions that move data on a pipe: bulk or interrupt, isochronous, the same with chained buffers; -1 for none."""


@dataclass(slots=True, eq=False)
class Request:
    """One control request.

    ``request_type``, ``request``, ``value``, ``index`` are the setup packet's fields, -1 where not recorded; ``setup``
    its 8 bytes or b"". ``words`` are the arguments in words. ``result`` is "done", "stall", "no answer" (the host gave
    up), "not seen" (the completion is not in this capture) or "error -71". ``in_exchange`` tells that the request is
    part of a storage exchange too (a halt cleared in mid exchange). ``requested`` is wLength, ``actual`` the bytes
    moved in the data stage, ``data`` their place. Times are nanoseconds since the first record.
    """

    time_ns: int
    end_ns: int
    bus: int
    address: int
    setup: bytes
    name: str
    words: str
    result: str
    status: int | None
    requested: int
    actual: int
    data: Piece
    records: tuple[int, ...]
    clause: str
    request_type: int = -1
    request: int = -1
    value: int = -1
    index: int = -1
    number: int = 0
    in_exchange: bool = False
    device: Device = field(default=UNTOLD, repr=False)
    wire: Wire | None = None

    @property
    def done(self) -> bool:
        """Whether it is known to have succeeded."""
        return self.result == "done"

    @property
    def text(self) -> str:
        """The request and its result in one phrase: "GET_DESCRIPTOR device: stall"."""
        said = f"{self.name} {self.words}".rstrip()
        return said if self.done else f"{said}: {self.result}"


def is_request(transfer: Transfer) -> bool:
    """Whether a transfer is a control request: on a control pipe, or a host driver's function that stands for one."""
    return transfer.kind == 2 or transfer.function not in PIPE_FUNCTIONS


def result_in_words(status: int | None) -> str:
    """How a control transfer ended, as `Request.result`."""
    if status is None:
        return "not seen"
    if status == 0:
        return "done"
    if status == STALL:
        return "stall"
    return "no answer" if status in _UNANSWERED else f"error {status}"


def read_request(transfer: Transfer, data: bytes = b"") -> Request:
    """The request in a control transfer. ``data`` is the captured payload of its data stage, used to tell which
    descriptor came where the setup packet is not recorded."""
    request = Request(
        transfer.start_ns, transfer.end_ns, transfer.bus, transfer.address, transfer.setup, "", "",
        result_in_words(transfer.status), transfer.status, transfer.requested, transfer.actual,
        transfer.piece if transfer.captured else NO_DATA, transfer.records, "", wire=transfer.wire,
    )  # fmt: skip
    if len(transfer.setup) == 8:
        _from_setup(request)
    elif transfer.function >= 0 and transfer.function not in CONTROL_FUNCTIONS:
        _from_function(request, transfer, data)
    else:
        request.name, request.words = "control request", "setup packet not in this capture"
    return request


def _from_setup(request: Request) -> None:
    kind, code, value, index, length = _SETUP.unpack(request.setup)
    request.request_type, request.request, request.value, request.index = kind, code, value, index
    request.requested = length
    known = codes.known(kind, code)
    request.name = codes.request_name(kind, code)
    request.clause = known.clause if known else ""
    request.words = ", ".join(
        words for words in (codes.value_words(kind, code, value), codes.index_words(kind, code, index, value)) if words
    )


def _from_function(request: Request, transfer: Transfer, data: bytes) -> None:
    """Link type 249 without setup bytes: only what the function, the endpoint and the data themselves say."""
    wire = codes.HOST_FUNCTIONS.get(transfer.function)
    if wire is None:
        request.name = codes.HOST_ONLY_FUNCTIONS.get(transfer.function, f"host function {transfer.function:04X}h")
        request.words = "done by the host driver; no setup packet recorded"
        return
    request.request_type, request.request = wire
    known = codes.known(*wire)
    request.name, request.clause = codes.request_name(*wire), known.clause if known else ""
    said = ["recorded without its setup packet"]
    if wire[0] & 0x1F == codes.ENDPOINT:
        request.index = transfer.endpoint
        said.insert(0, codes.index_words(*wire, transfer.endpoint))
        if transfer.function in (0x001E, 0x0031):
            request.value = codes.ENDPOINT_HALT
            said.insert(0, "ENDPOINT_HALT")
    elif wire[1] == codes.GET_DESCRIPTOR and len(data) >= 2:
        # The index is not known; the type is, from the descriptor that came.
        said.insert(0, codes.DESCRIPTOR_TYPES.get(data[1], f"descriptor type {data[1]:02X}h"))
    request.words = ", ".join(said)
