"""Traces that break the rules of the overview, CBI, UFI and UAS, one for each, and those that keep them."""

from __future__ import annotations

import struct
from typing import Any

from breaches.bulk_only import config, names_only
from breaches.lab import case, nothing, patched
from breaches.scsi import INQUIRY, edited
from workshop import Alternate, Host, wire
from workshop.identity import BULK_ONLY, UAS
from workshop.recorder import INTERRUPT, STALL
from workshop.uas import COMMAND

# -- the overview's codes

case("ovw-class", nothing, alternates=(BULK_ONLY, Alternate(1, 0, (0xFF, 6, 0x50), ((0x83, 2, 512, 0),))))
case("ovw-subclass", nothing, **config(15, 9))
case("ovw-sub-resv", nothing, **config(15, 9))
case("ovw-sub-obs", nothing, **config(15, 5))
case("ovw-proto", names_only, bare=True, **config(16, 0x51))
case("ovw-proto-resv", names_only, bare=True, **config(16, 0x51))
case("ovw-req", lambda h: h.control(wire.setup(0x21, 0x0C), status=STALL))
case("ovw-req-ctx", lambda h: h.control(wire.setup(0x21, 0x00, length=12), out=bytes(12), status=STALL))


def lockable(host: Host, negotiates: bool) -> None:
    if negotiates:
        host.control(wire.setup(0xA1, 0xFD, 0, 0, 8), bytes(8))
    host.execute(wire.inquiry())


def lockable_host(negotiates: bool) -> Any:
    def recipe(host: Host) -> None:
        host.enumerate()
        lockable(host, negotiates)

    return recipe


case("ovw-lock", lockable_host(False), lockable_host(True), bare=True, kept_options=config(15, 7), **config(15, 7))

# -- CBI: an interface with an interrupt pipe, 83h

PIPES = ((0x81, 2, 64, 0), (0x02, 2, 64, 0), (0x83, 3, 2, 32))


def floppy(protocol: int = 0, subclass: int = 4, speed: str = "full") -> dict[str, Any]:
    return {"alternates": (Alternate(codes=(8, subclass, protocol), endpoints=PIPES),), "speed": speed}


class Floppy:
    """The host's side of a drive of the CBI transport."""

    def __init__(self, host: Host) -> None:
        self.host = host
        host.attach()
        host.address(2)
        host.read_descriptors()
        host.configure()

    def block(self, block: bytes, status: int = 0, length: int = 12) -> None:
        self.host.control(wire.setup(0x21, 0, 0, 0, length), out=block.ljust(12, b"\0")[:length], status=status)

    def message(self, *data: int) -> None:
        self.host.bulk(0x83, 2, bytes(data), kind=INTERRUPT)

    def go(self, block: bytes, data: bytes = b"", message: tuple[int, int] | None = (0, 0), out: bool = False) -> None:
        """A command with its data and its message."""
        self.block(block)
        if data:
            self.host.bulk(0x02 if out else 0x81, len(data), data)
        if message is not None:
            self.message(*message)

    def stall(self, block: bytes, clears: bool = True) -> None:
        """Data that ends in STALL, and the message of a failure."""
        self.block(block)
        self.host.bulk(0x81, 512, b"", status=STALL)
        if clears:
            self.host.clear_halt(0x81)
        self.message(0x3A, 0)


TUR, SENSE, RESET = bytes(12), wire.request_sense(), b"\x1d\x04" + b"\xff" * 10
NO_DISK = wire.fixed_sense(2, 0x3A)


def cbi(rule: str, broken: Any, kept: Any, kept_as: dict[str, Any] | None = None, **options: Any) -> None:
    """Traces of a drive; ``broken`` and ``kept`` get it configured."""
    options = options or floppy()
    kept_options = options if kept_as is None else kept_as
    case(rule, lambda h: broken(Floppy(h)), lambda h: kept(Floppy(h)), bare=True, kept_options=kept_options, **options)


def used(drive: Floppy) -> None:
    """A command that passes, one that fails, and the sense that says why."""
    drive.go(TUR)
    drive.go(TUR, message=(0x3A, 0))
    drive.go(SENSE, NO_DISK)
    drive.go(TUR)


def reset(drive: Floppy, clears: bool = True, block: bytes = RESET, accepts: bool = True) -> None:
    drive.go(TUR)
    drive.block(block)
    drive.message(0, 0)
    if clears:
        drive.host.clear_halt(0x81)
        drive.host.clear_halt(0x02)
    drive.block(TUR, status=0 if accepts else STALL)
    if accepts:
        drive.message(0, 0)


cbi("ovw-cbi-fs", used, used, floppy(), **floppy(speed="high"))
cbi("cbi-adsc", lambda d: d.host.control(wire.setup(0x21, 0, 1, 0, 12), out=bytes(12)), used)
cbi("cbi-cbreset", lambda d: reset(d, block=b"\x1d\x04"), reset)
cbi("cbi-rst-clear", lambda d: reset(d, clears=False), reset)
cbi("cbi-rst-dev", lambda d: reset(d, accepts=False), reset)


def refused_block(drive: Floppy, after: str) -> None:
    drive.block(b"\xf1", status=STALL)
    drive.go(SENSE, NO_DISK, message=(0, 0) if after == "works" else (0x3A, 0))


cbi("cbi-stat-ctl", lambda d: refused_block(d, "fails"), lambda d: refused_block(d, "works"))


def no_message(drive: Floppy) -> None:
    drive.go(TUR, message=None)
    drive.go(TUR)


cbi("cbi-stat-int", no_message, used)
cbi("cbi-int-ep", used, used, floppy(), speed="full",
    alternates=(Alternate(codes=(8, 4, 0), endpoints=PIPES[:2]),))  # fmt: skip
cbi("cbi-poll", no_message, used)
cbi("cbi-one", no_message, used)


def data_stall(drive: Floppy, clears: bool) -> None:
    drive.stall(wire.read10(0), clears)
    drive.go(SENSE, NO_DISK)


cbi("cbi-clear", lambda d: data_stall(d, False), lambda d: data_stall(d, True))


def plain(drive: Floppy) -> None:
    drive.go(TUR)
    drive.go(TUR, message=(0, 1))
    drive.go(SENSE, NO_DISK)


cbi("cbi-idb", lambda d: d.go(TUR, message=(0x3A, 1)), plain, **floppy(subclass=6))


def told(drive: Floppy, codes: tuple[int, int]) -> None:
    drive.go(TUR, message=codes)
    drive.go(SENSE, NO_DISK)


cbi("cbi-ufi", lambda d: told(d, (0x28, 0)), lambda d: told(d, (0x3A, 0)))


def phase(drive: Floppy, resets: bool) -> None:
    drive.go(TUR, message=(0, 2))
    drive.go(RESET if resets else TUR)
    drive.go(TUR)


cbi("cbi-phase", lambda d: phase(d, False), lambda d: phase(d, True), **floppy(subclass=6))


def by_sense(drive: Floppy, asks: bool) -> None:
    drive.go(TUR, message=None)
    drive.go(SENSE if asks else TUR, wire.fixed_sense(0) if asks else b"", message=None)
    drive.go(SENSE, wire.fixed_sense(0), message=None)


cbi("cbi-noint", lambda d: by_sense(d, False), lambda d: by_sense(d, True), **floppy(1))

# -- UFI

UFI_INQUIRY = bytes((0, 0x80, 0, 1, 31, 0, 0, 0)) + INQUIRY[8:]


def ask_who(drive: Floppy, data: bytes = UFI_INQUIRY, allocation: int = 36) -> None:
    drive.go(wire.inquiry(allocation), data)


cbi("ufi-12", lambda d: (d.block(bytes(6), length=6), d.message(0, 0)), used)


def on_bulk_only(rule: str, broken: Any, kept: Any = nothing) -> None:
    options = config(15, 4)
    case(rule, broken, kept, kept_options=options, **options)


def padded(cdb: bytes) -> bytes:
    return cdb.ljust(12, b"\0")


on_bulk_only("ufi-lun", lambda h: h.command(padded(bytes((0, 0x20)))))
cbi("ufi-zero", lambda d: d.go(edited(wire.read10(0), 1, 8), bytes(512)), lambda d: d.go(wire.read10(0), bytes(512)))
cbi("ufi-inq-always", lambda d: d.go(wire.inquiry(), message=(0x3A, 0)), ask_who)
cbi("ufi-inq-36", lambda d: ask_who(d, UFI_INQUIRY[:20]), ask_who)
cbi("ufi-inq-addlen", lambda d: ask_who(d, edited(UFI_INQUIRY, 4, 3)[:8], 8), lambda d: ask_who(d, UFI_INQUIRY[:8], 8))
cbi("ufi-inq-fmt", lambda d: ask_who(d, INQUIRY), ask_who)


def no_effect(drive: Floppy, same: bool) -> None:
    drive.go(TUR, message=(0x3A, 0))
    drive.go(SENSE, NO_DISK)
    ask_who(drive)
    drive.go(TUR, message=(0x3A, 0) if same else (0, 0))
    drive.go(SENSE, NO_DISK)


cbi("ufi-inq-noeffect", lambda d: no_effect(d, False), lambda d: no_effect(d, True))


def capacities(drive: Floppy, kind: int) -> None:
    drive.go(TUR, message=(0x3A, 0))
    drive.go(SENSE, NO_DISK)
    drive.go(wire.read_format_capacities(12), struct.pack(">3xBIB3s", 8, 2880, kind, b"\0\2\0"))


cbi("ufi-fmtcap-nomed", lambda d: capacities(d, 2), lambda d: capacities(d, 3))


def list_lengths(drive: Floppy, second: int) -> None:
    drive.go(wire.read_format_capacities(12), struct.pack(">3xBIB3s", 16, 2880, 2, b"\0\2\0"))
    drive.go(wire.read_format_capacities(4), bytes((0, 0, 0, second)))


cbi("ufi-fmtcap-len", lambda d: list_lengths(d, 0), lambda d: list_lengths(d, 16))


def after_success(drive: Floppy, data: bytes) -> None:
    drive.go(TUR)
    drive.go(SENSE, data)


cbi("ufi-sense", lambda d: after_success(d, NO_DISK), lambda d: after_success(d, wire.fixed_sense(0)))

# -- UAS: setting 1 of the interface, behind the bulk-only one

BOTH = {"alternates": (BULK_ONLY, UAS)}


def uas_up(host: Host, chooses: bool = True) -> Host:
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    if chooses:
        host.choose_alternate(0, 1)
    return host


def uas_works(host: Host) -> None:
    uas_up(host)
    for _ in range(2):
        host.uas(wire.test_unit_ready())
    host.uas(wire.inquiry())
    host.uas(wire.read_capacity10())


def uas(rule: str, broken: Any, kept: Any = uas_works, **options: Any) -> None:
    case(rule, broken, kept, bare=True, kept_options=BOTH, **(options or BOTH))


def edit(at: int, *values: int) -> dict[str, Any]:
    """The configuration changed: the UAS setting is at 32, its endpoints with their usage at 41, 52, 63, 74."""
    return BOTH | {"edits": {0x0200: patched(at, *values)}}


uas("uas-if", uas_works, **edit(36, 5))
uas("uas-pu-follow", uas_works, alternates=(BULK_ONLY, Alternate(0, 1, (8, 6, 0x62), UAS.endpoints)))
uas("uas-pu-form", uas_works, **edit(51, 1))
uas("uas-pu-ids", uas_works, **edit(50, 2))


def class_request(host: Host) -> None:
    uas_works(host)
    host.control(wire.get_max_lun(), status=STALL)


uas("uas-noclass", class_request)


def raw(host: Host, unit: bytes, answer: bytes | None, tag_used: bool = True) -> None:
    """A unit on the command pipe, and one on the status pipe."""
    host._post_status()
    host.bulk(COMMAND, len(unit), unit, id=host.command_id)
    if answer is not None:
        host._information(answer)


def unit_of(tag: int, cdb: bytes = bytes(6)) -> bytes:
    return wire.uas_command(tag, 0, cdb)


def odd(unit: bytes, answer: bytes | None) -> Any:
    """A session in which this unit is sent, and this comes back."""

    def recipe(host: Host) -> None:
        uas_works(host)
        raw(host, unit, answer)

    return recipe


GOOD = wire.uas_sense(77, 0)
uas("uas-pipes", odd(bytes((2, 0, 0, 77)) + bytes(28), None))
uas("uas-cmd-packet", odd(unit_of(77) + unit_of(78), GOOD))
uas("uas-cmd-form", odd(edited(unit_of(77), 5, 1), GOOD))
uas("uas-attr", odd(edited(unit_of(77), 4, 3), GOOD))


uas("uas-sense-packet", odd(unit_of(77), GOOD + bytes(4)))
uas("uas-sense-len", odd(unit_of(77), wire.uas_sense(77, 0, wire.fixed_sense(0))))
uas("uas-sense-own", odd(unit_of(77), wire.uas_sense(77, 2, wire.fixed_sense(0))),
    odd(unit_of(77), wire.uas_sense(77, 2, NO_DISK)))  # fmt: skip


def second_end(host: Host) -> None:
    uas_works(host)
    raw(host, unit_of(77), GOOD)
    host._post_status()
    host._information(GOOD)


uas("uas-one-end", second_end)
RESPONSE = bytes((4, 0, 0, 77, 0, 0, 0, 2))
uas("uas-resp-packet", odd(unit_of(77), RESPONSE + b"\0"), odd(unit_of(77), RESPONSE))
uas("uas-resp-add", odd(unit_of(77), edited(RESPONSE, 5, 9)), odd(unit_of(77), RESPONSE))


def task(function: int, about: int = 0) -> bytes:
    return struct.pack(">BBHBBH8x", 5, 0, 77, function, 0, about)


uas("uas-tmf-packet", odd(task(1, 5) + bytes(4), RESPONSE), odd(task(1, 5), RESPONSE))
uas("uas-tmf-tag", odd(task(8, 5), RESPONSE), odd(task(8), RESPONSE))
uas("uas-tmf-unsup", odd(task(0x33), edited(RESPONSE, 7, 0)), odd(task(0x33), edited(RESPONSE, 7, 4)))
uas("uasp-fallback", lambda h: names_only(h), alternates=(Alternate(0, 0, (8, 6, 0xFF)), UAS))
