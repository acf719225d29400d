"""Who a line of console text is about, where the line does not say so itself.

Light host stacks print ``[bus:device]`` on some lines and not on others, or nowhere. What SET_ADDRESS gave, which
endpoints a configuration descriptor showed, and to whom a hub's requests went tells the rest (USB 2.0 9.4.6, 9.6.6,
11.24.2). What is told so is no guess of a value, only of whom a printed line concerns.
"""

from __future__ import annotations

import re

from sticktrace.capture.hex_blocks import Block
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer

_PLACE = re.compile(r"\[ ?(\d):(\d{0,3})(?::(\d{0,3}))? ?\](?!\d)", re.ASCII)
_FRONT = 80
_ENDPOINT, _ENDPOINT_SIZE = 5, 7
_KINDS = (CONTROL, ISOCHRONOUS, BULK, INTERRUPT)
"""Transfer types by bmAttributes bits 1-0 (USB 2.0 Table 9-13)."""

_GET_DESCRIPTOR_CONFIGURATION, _GET_HUB_DESCRIPTOR = b"\x80\x06", b"\xa0\x06"
_SET_ADDRESS, _PORT_RESET = b"\x00\x05", b"\x23\x03\x04\x00"
_HUB_REQUESTS = frozenset((0x20, 0x23, 0xA0, 0xA3))


def printed_place(text: str) -> tuple[int, ...] | None:
    """The numbers of ``[0:1]`` or ``[0:1:2]`` near the beginning of a line: bus, device, port; -1 for one left out. A
    time of day does not look like that: its numbers have two digits."""
    match = _PLACE.search(text, 0, _FRONT)
    if match is None:
        return None
    numbers = tuple(int(part) if part else -1 for part in match.groups() if part is not None)
    return numbers if all(number < 128 for number in numbers) else None


class Places:
    """Follows who is spoken to. ``current`` is bus and address of the device that the lines are about now, ``printed``
    whether the text itself says so."""

    def __init__(self) -> None:
        self.current = (0, 0)
        self.printed = False
        self.kinds: dict[tuple[int, int, int], int] = {}
        self._hub: tuple[int, int] | None = None

    def see(self, bus: int, address: int) -> None:
        """A line names bus and device; -1 for a device that is not there yet."""
        self.printed = True
        self.current = (bus, max(0, address))

    def newcomer(self, bus: int | None = None) -> None:
        """A device was plugged in, or its port reset: it is asked at address 0."""
        if not self.printed:
            self.current = (self.current[0] if bus is None else bus, 0)

    def settle(self, block: Block) -> None:
        """Gives a block the address of the device that it is about, if it has none."""
        if block.address is not None:
            self.current = (block.bus, block.address)
            return
        block.bus, block.address = self._owner(block) or self.current

    def _owner(self, block: Block) -> tuple[int, int] | None:
        if not block.endpoint or not block.endpoint & 0x0F:
            return None
        number = block.endpoint & 0x0F | (0x80 if block.direction == "in" else 0)
        if (*self.current, number) in self.kinds:
            return self.current
        owners = [key[:2] for key in self.kinds if key[2] == number]
        return owners[-1] if owners else None

    def of_request(self, setup: bytes) -> tuple[int, int]:
        """To whom a request goes that names nobody: a hub's to the hub, all others to the device at hand."""
        if setup[:2] == _GET_HUB_DESCRIPTOR:
            self._hub = self.current
        to_hub = setup[0] in _HUB_REQUESTS and setup[1] != 0xFE and self._hub is not None
        return self._hub if to_hub and self._hub is not None else self.current

    def kind(self, bus: int, address: int, endpoint: int) -> int:
        """The kind of transfers on an endpoint: as a descriptor told, else bulk."""
        return self.kinds.get((bus, address, endpoint), BULK) if endpoint & 0x0F else CONTROL

    def learn(self, request: Transfer, data: bytes) -> None:
        """A control request has ended: what it tells of addresses and endpoints."""
        setup = request.setup
        if request.status:
            return
        if setup[:2] == _SET_ADDRESS and 0 < setup[2] < 128 and not self.printed:
            self.current = (request.bus, setup[2])
        elif setup[:4] == _PORT_RESET:
            self.newcomer(request.bus)
        elif setup[:2] == _GET_DESCRIPTOR_CONFIGURATION and setup[3] == 2:
            self._endpoints(request.bus, request.address, data)

    def _endpoints(self, bus: int, address: int, data: bytes) -> None:
        at = 0
        while at + 2 <= len(data) and data[at]:
            if data[at + 1] == _ENDPOINT and data[at] >= _ENDPOINT_SIZE and at + _ENDPOINT_SIZE <= len(data):
                self.kinds[bus, address, data[at + 2]] = _KINDS[data[at + 3] & 3]
            at += data[at]
