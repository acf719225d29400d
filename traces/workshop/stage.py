"""The stage that the scenes share: a fresh recorder, a stick of the scenario, a host of one of two kinds."""

from __future__ import annotations

from workshop.bringup import SMALL_STACK
from workshop.host import Host
from workshop.identity import Identity, Stick
from workshop.recorder import Recorder
from workshop.unit import Unit


def kernel_host(stick: Stick) -> Host:
    """A host that goes about it as a common host kernel does, watching its root hub."""
    host = Host(Recorder(), stick)
    host.watch_hub()
    return host


def board_host(stick: Stick) -> Host:
    """A small board's host stack: 8 bytes first, one reset, no strings; a short read is no error to it."""
    return Host(Recorder(), stick, habit=SMALL_STACK, short_status=0)


def logger(*units: Unit, product_id: int = 1, max_lun: int | None = 0, short: str = "pad") -> Stick:
    """The scenario's stick; the product id tells the demo sticks apart."""
    identity = Identity(product_id=product_id, serial=f"2031041800{product_id:02X}")
    return Stick(identity, list(units), max_lun, short)
