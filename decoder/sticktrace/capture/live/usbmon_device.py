"""The kernel's recorder as a device (kernel documentation, usbmon: "Raw binary format and API"), read with read(2)."""

from __future__ import annotations

import contextlib
import struct

from sticktrace.capture.live.inlets import Remark, Stream
from sticktrace.text import count_of

RING_SIZE, STATISTICS = 0x9204, 0x80089203
"""MON_IOCT_RING_SIZE and MON_IOCG_STATS, as the documentation composes them from MON_IOC_MAGIC 92h."""
LARGEST_RING = 1200 * 1024
"""A fifth of it is the most that the kernel keeps of one transfer."""


class UsbmonDevice(Stream):
    """``/dev/usbmonN``. The kernel's buffer is made as large as it goes, and what it lost is said at the end."""

    def opened(self, handle: int) -> None:
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.ioctl(handle, RING_SIZE, LARGEST_RING)

    def closing(self, handle: int, remark: Remark) -> None:
        import fcntl

        with contextlib.suppress(OSError):
            lost = struct.unpack("=II", fcntl.ioctl(handle, STATISTICS, bytes(8)))[1]
            if lost:
                remark(f"the kernel lost {count_of(lost, 'event')}: there was no room for them")
