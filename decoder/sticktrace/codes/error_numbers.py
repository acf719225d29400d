"""Error numbers of operating systems, where a log prints a number or a name and not a transfer status.

`sticktrace.codes.status` tells what a number means for a USB transfer; its numbers are those of x86 and ARM. Machines
of other kinds number some errors otherwise (kernel header ``asm/errno.h`` of each), and BSD kernels print names
(from memory of ``usb(4)``).
"""

from __future__ import annotations

NUMBERS: dict[str, int] = {
    "EPERM": 1, "ENOENT": 2, "EINTR": 4, "EIO": 5, "ENXIO": 6, "EAGAIN": 11, "ENOMEM": 12, "EACCES": 13, "EBUSY": 16,
    "EEXIST": 17, "EXDEV": 18, "ENODEV": 19, "EINVAL": 22, "ENOTTY": 25, "EFBIG": 27, "ENOSPC": 28, "EROFS": 30,
    "EPIPE": 32, "ENODATA": 61, "ETIME": 62, "ENOSR": 63, "ENOLINK": 67, "ECOMM": 70, "EPROTO": 71, "EOVERFLOW": 75,
    "EILSEQ": 84, "EOPNOTSUPP": 95, "ECONNRESET": 104, "ESHUTDOWN": 108, "ETIMEDOUT": 110, "EHOSTDOWN": 112,
    "EHOSTUNREACH": 113, "EINPROGRESS": 115, "EREMOTEIO": 121, "ENOMEDIUM": 123,
}  # fmt: skip
"""Kernel headers ``asm-generic/errno-base.h`` and ``asm-generic/errno.h``."""

OTHER_MACHINES: dict[str, dict[int, str]] = {
    "MIPS": {
        79: "EOVERFLOW", 88: "EILSEQ", 131: "ECONNRESET", 140: "EREMOTEIO", 143: "ESHUTDOWN", 145: "ETIMEDOUT",
        147: "EHOSTDOWN", 148: "EHOSTUNREACH", 150: "EINPROGRESS",
    },
    "SPARC": {
        58: "ESHUTDOWN", 60: "ETIMEDOUT", 64: "EHOSTDOWN", 65: "EHOSTUNREACH", 73: "ETIME", 74: "ENOSR", 86: "EPROTO",
        92: "EOVERFLOW", 122: "EILSEQ",
    },
    "Alpha": {83: "ETIME", 82: "ENOSR", 85: "EPROTO", 116: "EILSEQ", 109: "ECOMM"},
    "PA-RISC": {
        47: "EILSEQ", 52: "ETIME", 53: "ENOSR", 72: "EOVERFLOW", 181: "EREMOTEIO", 232: "ECONNRESET", 236: "ESHUTDOWN",
        238: "ETIMEDOUT", 241: "EHOSTDOWN", 242: "EHOSTUNREACH",
    },
}  # fmt: skip
"""Numbers that no usual machine prints for a USB transfer, so that they tell the machine as well. Where two kinds of
machine use one number for different errors it is left out."""

_NAMES = {number: name for name, number in NUMBERS.items()}

WORDS: dict[str, str] = {
    "TIMEOUT": "ETIMEDOUT", "TIMEDOUT": "ETIMEDOUT", "STALLED": "EPIPE", "IOERROR": "EPROTO", "SHORT_XFER": "EREMOTEIO",
    "CANCELLED": "ECONNRESET", "NO_POWER": "ENOSPC", "TOO_DEEP": "EINVAL", "NOMEM": "ENOMEM", "INTERRUPTED": "EINTR",
    "NOT_CONFIGURED": "ENODEV", "BAD_ADDRESS": "EINVAL", "INVAL": "EINVAL", "NO_ADDR": "ENODEV", "SET_ADDR_FAILED":
    "EPROTO", "CRC": "EILSEQ", "BABBLE": "EOVERFLOW",
}  # fmt: skip
"""Names that BSD kernels print for the end of a transfer, some with ``USB_ERR_`` in front, as the error that means the
same in a capture of Linux."""


def from_log(printed: str) -> tuple[int, str]:
    """A printed error as (number as in a Linux capture, machine or ""): ``-145`` gives (-110, "MIPS"), ``TIMEOUT``
    and ``USB_ERR_TIMEOUT`` give (-110, ""). (0, "") for what is neither a number nor a known name."""
    text = printed.strip().strip("()")
    word = text.upper().removeprefix("USB_ERR_").lstrip("-")
    if word in NUMBERS or word in WORDS:
        return -NUMBERS[WORDS.get(word, word)], ""
    try:
        number = abs(int(text, 0))
    except ValueError:
        return 0, ""
    if number in _NAMES or not number:
        return -number, ""
    for machine, names in OTHER_MACHINES.items():
        if number in names:
            return -NUMBERS[names[number]], machine
    return -number, ""


def name(number: int) -> str:
    """``-71`` -> ``EPROTO``; the number itself where it has no name here."""
    return _NAMES.get(abs(number), str(number))
