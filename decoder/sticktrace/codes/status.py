"""How a USB transfer ended, as host captures report it.

Linux captures carry a negative errno; names and causes follow the kernel documentation "USB Error codes". The column
on sticks is common practice. Numbers are those of x86 and ARM; a few architectures number them otherwise.
Windows captures (link type 249) carry a USBD status as listed in the Windows driver headers (``usb.h``). The
low codes are the completion codes of the OHCI 1.0a specification (4.3.3) and map to errno numbers as those do.
macOS captures (link type 266) carry an IOReturn as listed in the public headers of that system, from memory.
"""

from __future__ import annotations

from typing import NamedTuple


class Ending(NamedTuple):
    """A transfer status: its errno name, what the kernel documents, and what it usually means for a stick."""

    name: str
    text: str
    usually: str


ENDINGS: dict[int, Ending] = {
    0: Ending("OK", "completed", "completed; compare the lengths to see a short transfer"),
    -2: Ending("ENOENT", "unlinked by the host, waiting for it", "the host driver cancelled it: timeout or unbind"),
    -18: Ending("EXDEV", "isochronous transfer only partly completed", "not expected of a storage device"),
    -19: Ending("ENODEV", "the device is gone", "unplugged, or lost in a failed reset"),
    -22: Ending("EINVAL", "invalid request", "the host refused the request before it reached the bus"),
    -32: Ending(
        "EPIPE", "the endpoint answered STALL",
        "part of the protocol: request not supported, end of short data, or an error; the host clears it next",
    ),
    -62: Ending("ETIME", "no response within the bus turn-around time", "cable, power dip, or a device that went away"),
    -63: Ending("ENOSR", "host memory could not supply data fast enough", "host overload"),
    -70: Ending("ECOMM", "host memory could not take data fast enough", "host overload"),
    -71: Ending(
        "EPROTO", "bit stuffing error, no response in time, or unknown USB error",
        "cable, power dip, device firmware hung, or unplugging under way",
    ),
    -75: Ending(
        "EOVERFLOW", "more data came than fits", "the device sent more than was asked, or the phases got out of step",
    ),
    -84: Ending("EILSEQ", "CRC mismatch or no response in time", "signal integrity: cable, connector, hub"),
    -104: Ending(
        "ECONNRESET", "unlinked by the host, without waiting", "driver timeout or user abort: it took too long",
    ),
    -108: Ending(
        "ESHUTDOWN", "the device or its controller was disabled", "disconnected, hub gone, or port switched off",
    ),
    -110: Ending(
        "ETIMEDOUT", "no completion in the time allowed", "the device keeps answering NAK, or is dead after a reset",
    ),
    -113: Ending(
        "EHOSTUNREACH", "rejected because the device is suspended", "power management put the device to sleep",
    ),
    -115: Ending("EINPROGRESS", "still pending", "normal on a submission, not expected on a completion"),
    -121: Ending("EREMOTEIO", "less data came than asked, and the host wanted to know", "normal for short reads"),
}  # fmt: skip

USBD: dict[int, tuple[str, int]] = {
    0x00000000: ("SUCCESS", 0),
    0x40000000: ("PENDING", -115),
    0x80000200: ("INVALID_URB_FUNCTION", -22),
    0x80000300: ("INVALID_PARAMETER", -22),
    0xC0000001: ("CRC", -84),
    0xC0000002: ("BTSTUFF", -71),
    0xC0000003: ("DATA_TOGGLE_MISMATCH", -84),
    0xC0000004: ("STALL_PID", -32),
    0xC0000005: ("DEV_NOT_RESPONDING", -71),
    0xC0000006: ("PID_CHECK_FAILURE", -71),
    0xC0000007: ("UNEXPECTED_PID", -71),
    0xC0000008: ("DATA_OVERRUN", -75),
    0xC0000009: ("DATA_UNDERRUN", -121),
    0xC000000C: ("BUFFER_OVERRUN", -75),
    0xC000000D: ("BUFFER_UNDERRUN", -63),
    0xC0000011: ("XACT_ERROR", -71),
    0xC0000012: ("BABBLE_DETECTED", -75),
    0xC0000030: ("ENDPOINT_HALTED", -32),
    0xC0006000: ("TIMEOUT", -110),
    0xC0007000: ("DEVICE_GONE", -19),
    0xC0010000: ("CANCELED", -104),
}
"""USBD status: its name without the common prefix, and the errno that means the same in a Linux capture."""

_SEVERITY = {0: 0, 1: -115, 2: -22, 3: -71}
"""Top two bits of a USBD status not listed: success, pending, refused by the host stack, failed on the bus."""


def from_usbd(code: int) -> int:
    """The errno for a USBD status (unsigned 32-bit); codes not listed go by their severity bits."""
    known = USBD.get(code)
    return known[1] if known else _SEVERITY[code >> 30 & 3]


IORETURN: dict[int, int] = {
    0x00000000: 0,
    0xE0004001: -84,  # CRC error; the low ones follow OHCI's completion codes as well
    0xE0004002: -71,  # bit stuffing
    0xE0004003: -84,  # data toggle
    0xE0004006: -71,  # PID check
    0xE0004007: -71,  # unexpected PID
    0xE000400C: -75,  # buffer overrun
    0xE000400D: -63,  # buffer underrun
    0xE000404F: -32,  # pipe stalled
    0xE0004051: -110,  # transaction timed out
    0xE00002C0: -19,  # no such device
    0xE00002C2: -22,  # bad argument
    0xE00002C7: -22,  # not supported
    0xE00002D6: -110,  # timeout
    0xE00002D9: -19,  # not attached
    0xE00002E7: -121,  # underrun: less data than asked
    0xE00002E8: -75,  # overrun: more data than fits
    0xE00002EB: -104,  # aborted
    0xE00002ED: -71,  # not responding
}
"""IOReturn of a completed request, and the errno that means the same in a Linux capture."""


def from_ioreturn(code: int) -> int:
    """The errno for an IOReturn (unsigned 32-bit); codes not listed are errors that say no more."""
    return IORETURN.get(code, -71)


def usbd_name(code: int) -> str:
    """The name of a USBD status, or its number."""
    known = USBD.get(code)
    return known[0] if known else f"{code:08X}h"


def in_words(status: int | None) -> str:
    """A transfer status in words: ``EPIPE (-32): the endpoint answered STALL``; None is a lost completion."""
    if status is None:
        return "completion not in this capture"
    ending = ENDINGS.get(status)
    if ending is None:
        return f"status {status}"
    return ending.text if status == 0 else f"{ending.name} ({status}): {ending.text}"


def usually_means(status: int) -> str:
    """What a status usually means for a stick; empty for a status not listed."""
    ending = ENDINGS.get(status)
    return ending.usually if ending else ""
