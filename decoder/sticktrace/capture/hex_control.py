"""A control request as a console prints it: setup bytes, then any of its stages, in one line each or not at all.

USB 2.0 8.5.3: a setup stage of 8 bytes to the device, a data stage if wLength is not 0, and a status stage of 0 bytes
against the data stage. Some consoles print the end of each stage, some that of the data or status stage only.
"""

from __future__ import annotations

from sticktrace.capture.hex_blocks import SETUP_SIZE, Block
from sticktrace.capture.transfer import Transfer


class Control:
    """One request under way. ``transfer`` holds what is known of it; its status is None until a stage told."""

    def __init__(self, transfer: Transfer) -> None:
        self.transfer = transfer
        self.naked = False
        self.staged = False
        self._setup_sent = self._data_ended = False

    @property
    def wants_data(self) -> bool:
        """Whether bytes without a direction may be its data: there is a data stage and none of it was printed."""
        transfer = self.transfer
        return transfer.requested > 0 and not transfer.captured and not (self._data_ended and not transfer.actual)

    def fits(self, size: int) -> bool:
        """Whether so many bytes can be its data."""
        return size <= (self.transfer.actual if self._data_ended else self.transfer.requested)

    def stage(self, block: Block, status: int | None) -> bool:
        """A stage of it ended, with ``status`` if it did not succeed. Returns whether the request is over."""
        transfer, incoming, length = self.transfer, block.direction == "in", block.length or 0
        self.staged = True
        transfer.completed_ns = block.time_ns
        if status is None or status:
            transfer.status = status
            if not self._data_ended and incoming == transfer.incoming and transfer.incoming:
                transfer.actual = max(transfer.captured, length)
            return True
        if not incoming and length == SETUP_SIZE and not self._setup_sent and not self._data_ended:
            self._setup_sent = True
            return False
        if transfer.requested and incoming == transfer.incoming and not self._data_ended:
            self._data_ended = True
            transfer.status, transfer.actual = 0, max(length, transfer.captured)
            return False
        transfer.status = 0
        return True
