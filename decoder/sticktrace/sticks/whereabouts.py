"""Who is meant: from the addresses in items to the devices that diagnosis keeps track of.

The bus room is ahead of the items by a little, since an item waits while an earlier exchange is open. So what bus
events say in their order counts first, and the bus room's present view only where they say nothing.
"""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus, BusEvent
from sticktrace.bus.requests import Request
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.transport.exchange import Exchange

Place = tuple[int, int]


class Whereabouts:
    """``subjects`` holds every device in order of appearance; ``units`` the logical units by bus, address and LUN as
    they are now."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self.subjects: list[Subject] = []
        self.units: dict[tuple[int, int, int], Unit] = {}
        self._of_device: dict[int, Subject] = {}
        self._at: dict[Place, Subject] = {}
        self._was: dict[Place, Subject] = {}
        self._zero: dict[int, Subject] = {}
        self._last_event: tuple[tuple[int, ...], Subject] | None = None

    def of_event(self, event: BusEvent) -> Subject:
        """Whom an event concerns; keeps up with addresses given and devices gone."""
        device = event.device or self._bus.find(event.bus, event.address)
        subject = self._of(device, event.bus, event.address)
        self._last_event = (event.records, subject)
        if event.kind == "address":
            self._zero.pop(event.bus, None)
            self._place(subject, event.bus, event.address)
        elif event.kind in ("reset", "attached"):
            self._zero[event.bus] = subject
        elif event.kind == "detached":
            self._leave(subject)
        return subject

    def of_request(self, request: Request) -> Subject:
        """Whom a request was for."""
        if request.address == 0:
            if self._last_event is not None and self._last_event[0] == request.records:
                return self._last_event[1]
            return self._zero.get(request.bus) or self._of(self._bus.find(request.bus, 0), request.bus, 0)
        device = self._bus.find(request.bus, request.address)
        subject = self._at.get((request.bus, request.address))
        if device is not None and (subject is None or subject.device is not device):
            subject = self._of(device, request.bus, request.address)
            self._place(subject, request.bus, request.address)
        return subject or self.at(request.bus, request.address)

    def unit(self, exchange: Exchange) -> Unit:
        """The logical unit of an exchange, made at first sight."""
        subject = self.at(exchange.bus, exchange.address)
        unit = subject.units.get(exchange.lun)
        if unit is None:
            unit = subject.units[exchange.lun] = Unit(subject, exchange.lun)
        self.units[exchange.bus, exchange.address, exchange.lun] = unit
        if subject.first_ns < 0:
            subject.first_ns = exchange.time_ns
        return unit

    def at(self, bus: int, address: int) -> Subject:
        """Whoever is at an address: as events told, else as the bus room knows, else who has just gone from there, else
        a device without descriptors."""
        place = (bus, address)
        found = self._at.get(place)
        if found is not None:
            return found
        device = self._bus.find(bus, address)
        if device is None and place in self._was:
            return self._was[place]  # what still trickles in is about it
        subject = self._of(device, bus, address)
        self._at[place] = subject
        subject.places.add(place)
        return subject

    def _of(self, device: Device | None, bus: int, address: int) -> Subject:
        if device is None:
            nameless = self._at.get((bus, address))
            return nameless or self._new(bus, address, None)
        subject = self._of_device.get(id(device))
        if subject is None:
            before = self._at.get((bus, address)) if address else None
            if before is not None and before.device is None:
                before.device, subject = device, before
            else:
                subject = self._new(bus, address, device)
            self._of_device[id(device)] = subject
        return subject

    def _new(self, bus: int, address: int, device: Device | None) -> Subject:
        subject = Subject(bus, address, device)
        self.subjects.append(subject)
        if device is None:
            self._at[bus, address] = subject
            subject.places.add((bus, address))
        return subject

    def _place(self, subject: Subject, bus: int, address: int) -> None:
        self._leave(subject)
        holder = self._at.get((bus, address))
        if holder is not None:
            self._leave(holder)
        subject.address = address
        subject.places.add((bus, address))
        self._at[bus, address] = subject

    def _leave(self, subject: Subject) -> None:
        for place in subject.places:
            if self._at.get(place) is subject:
                self._was[place] = self._at.pop(place)
            for lun in subject.units:
                self.units.pop((*place, lun), None)
        subject.places.clear()
