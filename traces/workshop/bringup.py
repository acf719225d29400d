"""Bring-up from the host's side: port, reset, address, descriptors, configuration (USB 2.0 9.1, 11.24; the order of a
common host kernel, and of small stacks that ask for 8 bytes first)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

from workshop import wire
from workshop.bot import BulkOnly
from workshop.identity import HIGH, LOW, Hub, Stick
from workshop.recorder import STALL, Recorder

CONNECTED, ENABLED, OVER_CURRENT, POWERED, LOW_SPEED, HIGH_SPEED = 1, 2, 8, 0x100, 0x200, 0x400
"""wPortStatus bits (USB 2.0 Table 11-21). Change bits of Table 11-22 have the same places."""
RESET_CHANGE = 0x10


@dataclass(frozen=True, slots=True)
class Habit:
    """How a host goes about bring-up: bytes of the first descriptor read, whether it resets again after it, reads
    strings, and how long it waits (milliseconds)."""

    first_read: int = 64
    second_reset: bool = True
    strings: bool = True
    debounce_ms: float = 100
    recovery_ms: float = 56
    address_ms: float = 15


KERNEL = Habit()
SMALL_STACK = Habit(first_read=8, second_reset=False, strings=False, debounce_ms=120, recovery_ms=20, address_ms=5)


class BringUp(BulkOnly):
    """``hub`` and ``port`` are where the stick is plugged in."""

    def __init__(
        self, recorder: Recorder, stick: Stick, *, hub: Hub | None = None, port: int = 1, habit: Habit = KERNEL,
        **options: Any,
    ) -> None:  # fmt: skip
        super().__init__(recorder, stick, **options)
        self.hub, self.port, self.habit = hub or Hub(), port, habit

    def enumerate(self, address: int = 2) -> None:
        """The whole bring-up up to Get Max LUN."""
        self.attach()
        self.address(address)
        self.read_descriptors()
        self.configure()
        self.get_max_lun()

    def watch_hub(self) -> None:
        """The host posts the read of the hub's status change endpoint."""
        self.hub.watch_id = self.hub.watch_id or self.recorder.new_id()
        self.interrupt("S", self.hub.address, self.hub.watch_id, self.hub.report_bytes)

    def notice(self) -> None:
        """The hub reports a change of the port, if the host is watching."""
        if self.hub.watch_id:
            self.interrupt("C", self.hub.address, self.hub.watch_id, 1, bytes((1 << self.port,)))
            self.recorder.wait(30_000)
            self.interrupt("S", self.hub.address, self.hub.watch_id, self.hub.report_bytes)
            self.recorder.wait(40_000)

    def set_port(self, status: int, change: int) -> None:
        """The hub's view of the port from now on; a change is reported."""
        self.hub.status[self.port] = status
        self.hub.change[self.port] = change
        if change:
            self.notice()

    def port_status(self) -> None:
        """GET_STATUS of the port."""
        self.control(wire.port_status(self.port), self.hub.port(self.port), address=self.hub.address)

    def clear_port(self, feature: int) -> None:
        """CLEAR_FEATURE of the port; a change bit goes out."""
        self.control(wire.clear_port_feature(feature, self.port), address=self.hub.address)
        if feature >= 16:
            self.hub.change[self.port] = self.hub.change.get(self.port, 0) & ~(1 << feature - 16)

    def attach(self) -> None:
        """The stick is plugged in: connect change, debounce, reset."""
        self.set_port(POWERED | CONNECTED, CONNECTED)
        self.port_status()
        self.clear_port(wire.C_PORT_CONNECTION)
        self.wait_ms(self.habit.debounce_ms)
        self.port_status()
        self.reset_port()

    def detach(self) -> None:
        """The stick is gone: connect change with nothing there."""
        self.set_port(POWERED, CONNECTED | ENABLED)
        self.port_status()
        self.clear_port(wire.C_PORT_CONNECTION)
        self.clear_port(wire.C_PORT_ENABLE)

    def reset_port(self, reset_ms: float = 60) -> None:
        """Port reset, its end, and the recovery time."""
        speed = {HIGH: HIGH_SPEED, LOW: LOW_SPEED}.get(self.stick.identity.speed, 0)
        self.control(wire.set_port_feature(wire.PORT_RESET, self.port), address=self.hub.address)
        self.wait_ms(reset_ms)
        self.set_port(POWERED | CONNECTED | ENABLED | speed, RESET_CHANGE)
        self.port_status()
        self.clear_port(wire.C_PORT_RESET)
        self.wait_ms(self.habit.recovery_ms)
        self.stick.address = 0

    def first_descriptor(self, status: int = 0, took_ns: int | None = None) -> None:
        """The first read of the device descriptor, at address 0; ``status`` lets it fail."""
        request = wire.get_descriptor(wire.DEVICE, self.habit.first_read)
        reply = b"" if status else self.stick.identity.device()
        self.control(request, reply, status=status, address=0, took_ns=took_ns)

    def address(self, address: int = 2) -> None:
        """First descriptor read, second reset if the host has that habit, SET_ADDRESS."""
        self.first_descriptor()
        if self.habit.second_reset:
            self.reset_port()
        self.control(wire.set_address(address), address=0)
        self.stick.address = address
        self.wait_ms(self.habit.address_ms)

    def read_descriptors(self) -> None:
        """Device, configuration head, configuration, strings."""
        self.ask(wire.get_descriptor(wire.DEVICE, 18))
        self.ask(wire.get_descriptor(wire.CONFIGURATION, 9))
        total = struct.unpack_from("<H", self.stick.identity.configuration(), 2)[0]
        self.ask(wire.get_descriptor(wire.CONFIGURATION, total))
        if self.habit.strings and self.ask(wire.get_descriptor(wire.STRING, 255))[0] == 0:
            for number in (2, 1, 3):
                if self.stick.identity.string(number):
                    self.ask(wire.get_descriptor(wire.STRING, 255, number, 0x0409))

    def configure(self, value: int = 1) -> None:
        """SET_CONFIGURATION."""
        self.control(wire.set_configuration(value), took_ns=2_000_000)

    def choose_alternate(self, interface: int, alternate: int) -> None:
        """SET_INTERFACE."""
        self.control(wire.set_interface(interface, alternate), took_ns=1_000_000)

    def get_max_lun(self) -> int:
        """Get Max LUN; a STALL counts as one LUN (BOT 1.0 3.2)."""
        status, reply = self.ask(wire.get_max_lun(self.stick.interface()))
        return 0 if status == STALL or not reply else reply[0]

    def recover_by_port_reset(self) -> None:
        """What a common host kernel does after a transport error: reset the port, address and configure again."""
        address = self.stick.address
        self.reset_port()
        self.control(wire.set_address(address), address=0)
        self.stick.address = address
        self.wait_ms(self.habit.address_ms)
        self.ask(wire.get_descriptor(wire.DEVICE, 18))
        total = len(self.stick.identity.configuration())
        self.ask(wire.get_descriptor(wire.CONFIGURATION, total))
        self.configure()
