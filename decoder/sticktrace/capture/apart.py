"""Whether a kernel's messages stand apart from the traffic in a text that holds both.

People paste what `dmesg` shows above or below what their program printed. Such lines are no part of the console: their
place in the text says nothing of their time. They are read as a log beside the capture (`sticktrace.timeline`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from sticktrace.capture.logs.patterns import Table
from sticktrace.capture.logs.stamps import take_off
from sticktrace.capture.text_lines import WRAPPER

KERNEL = re.compile(
    rb"s[dr] \d{1,3}:\d|scsi \d{1,3}:\d|\[s[dr][a-z0-9]{1,3}\]|usb \d{1,3}-\d|usb-storage|\(da\d{1,3}:umass"
)
"""Words that kernels say of sticks, and that no event of usbmon holds. No mark of a word's edge in front: with one the
search takes seven times as long."""

_LARGEST = 64 << 20
"""Texts beyond this are taken as one console."""

_KERNELS = ("linux.", "bsd.", "fat.", "ext.")


def stands_apart(data: Any) -> bool:
    """Whether all that a kernel says stands before the first wrapper of a text, or behind the last."""
    first = KERNEL.search(data)
    if first is None or len(data) > _LARGEST:
        return False
    wrappers = [found.start() for found in WRAPPER.finditer(data)]
    if not wrappers or first.start() > wrappers[-1]:
        return bool(wrappers)
    last = max(found.start() for found in KERNEL.finditer(data))
    return last < wrappers[0]


def kernels_own(table: Table) -> Callable[[str], bool]:
    """Tells which lines are a kernel's."""

    def is_kernels(text: str) -> bool:
        return any(found.pattern.id.startswith(_KERNELS) for found in table.find(take_off(text).text))

    return is_kernels
