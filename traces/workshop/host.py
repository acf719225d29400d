"""The host: everything it can do to one stick, over both transports."""

from __future__ import annotations

from workshop import wire
from workshop.identity import Alternate, Hub, Identity, Stick
from workshop.uas import UasHost

HUB_INTERFACE = Alternate(codes=(9, 0, 0), endpoints=((0x81, 3, 1, 12),))
"""One interrupt IN endpoint (USB 2.0 11.23.1)."""


class Host(UasHost):
    """Bring-up, commands, recovery. See `BringUp`, `BulkOnly` and `Transfers` for what it is made of."""

    def external_hub(self, hub: Hub, address: int = 2, port: int = 1) -> None:
        """Brings up a bus-powered hub on a port of the root hub, powers its ports, and moves this host's stick
        behind it."""
        identity = Identity(
            product_id=0x000E, codes=(9, 0, 1), product="Pier Hub", serial="", max_power_ma=100,
            alternates=(HUB_INTERFACE,), speed=self.stick.identity.speed,
        )  # fmt: skip
        stick, stick_port = self.stick, self.port
        self.stick, self.port = Stick(identity), port
        self.attach()
        self.address(address)
        self.read_descriptors()
        self.configure()
        hub.address = address
        self.control(wire.setup(0xA0, 6, wire.HUB_DESCRIPTOR << 8, 0, 15), hub.descriptor())
        for number in range(1, hub.ports + 1):
            self.control(wire.set_port_feature(wire.PORT_POWER, number))
        self.wait_ms(100)
        self.stick, self.port, self.hub = stick, stick_port, hub
        self.watch_hub()
