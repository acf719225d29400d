"""Traces that break the rules of Bulk-Only Transport 1.0, one for each, and some that keep them."""

from __future__ import annotations

import struct

from breaches.lab import case, new_host, nothing, patched, read, tur, write
from workshop import Alternate, Host, Recorder, wire
from workshop.bot import Oddity
from workshop.recorder import STALL

# -- class requests and order


def recover(host: Host) -> None:
    host.reset_recovery()
    tur(host)


def bad_reset(host: Host) -> None:
    host.control(wire.setup(0x21, 0xFF, 1, 0))


case("bot-rst-setup", bad_reset, recover)


def dead_after_reset(host: Host) -> None:
    host.reset_recovery()
    tur(host, command_error=STALL)
    tur(host)


case("bot-rst-ready", dead_after_reset, recover)


def halt_lifted(host: Host, bit: int = 0) -> None:
    read(host, stall_data=True, data_in=b"", expected=512, status=1, clears=False)
    host.control(wire.class_reset())
    host.control(wire.setup(0x82, 0, 0, host.bulk_in, 2), bytes((bit, 0)))


case("bot-rst-halt", halt_lifted, lambda h: halt_lifted(h, 1))
case("bot-lun-contig", nothing, max_lun=16)
case("bot-gml-setup", lambda h: h.control(wire.setup(0xA1, 0xFE, 0, 0, 2), b"\0"))
case("bot-gml-one", lambda h: h.control(wire.get_max_lun(), b""))


def second_unit(host: Host, first: int = 0) -> None:
    answer = bytes((first, 0x80, 4, 2, 31, 0, 0, 0)) + b"SKERRY  TIDE LOGGER     2.31"
    host.command(wire.inquiry(), data_in=answer, lun=1)


case("bot-gml-zero", lambda h: second_unit(h, 0x7F), second_unit, max_lun=1, kept_options={"max_lun": 1})
case("bot-gml-nolun", lambda h: tur(h, lun=1))
case("bot-order-out", lambda h: h.bulk(h.bulk_out, 512, bytes(512)))
case("bot-order-in", lambda h: h.bulk(h.bulk_in, 512, bytes(512)))


def data_unasked(host: Host) -> None:
    host._send(wire.cbw(700, 0, 0, 0, wire.test_unit_ready()), Oddity())
    host.bulk(host.bulk_out, 512, bytes(512))
    host.read_status(wire.csw(700))


def sent_too_much(host: Host) -> None:
    host._send(wire.cbw(700, 0, 0, 0, wire.test_unit_ready()), Oddity())
    host.bulk(host.bulk_in, 512, bytes(100), status=0)
    host.read_status(wire.csw(700))


def status_not_read(host: Host) -> None:
    tur(host, no_status=True)
    tur(host)


case("bot-zero-host", data_unasked)
case("bot-zero-dev", sent_too_much)
case("bot-one-cmd", status_not_read)


def both_ways(host: Host) -> None:
    host._send(wire.cbw(700, 512, 0x80, 0, wire.read10(0)), Oddity())
    host.bulk(host.bulk_out, 512, bytes(512))
    host.bulk(host.bulk_in, 512, bytes(512))
    host.read_status(wire.csw(700))


case("bot-one-dir", both_ways)

# -- descriptors: the configuration's interface stands at byte 9, its endpoints at 18 and 25

CONFIG, DEVICE, SERIAL = 0x0200, 0x0100, 0x0303


def config(at: int, *values: int) -> dict[str, object]:
    return {"edits": {CONFIG: patched(at, *values)}}


def names_only(host: Host) -> None:
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()


case("bot-desc-if", names_only, bare=True, **config(16, 0xFF))
case("bot-desc-eps", names_only, bare=True, **config(21, 3))
case("bot-desc-serial", nothing, serial="")
case("bot-dev-class0", nothing, edits={DEVICE: patched(4, 8)})


def refused_serial(host: Host) -> None:
    host.control(wire.get_descriptor(wire.STRING, 255, 3, 0x0409), status=STALL)


case("bot-ser-index", refused_serial)
case("bot-ser-len", nothing, serial="20310418")


def twins(host: Host, other: str = "203104180001") -> Recorder:
    host.enumerate(2)
    second = new_host(recorder=host.recorder, hub=host.hub, port=2, serial=other)
    second.enumerate(3)
    return host.recorder


case("bot-ser-uniq", twins, lambda h: twins(h, "203104180002"), bare=True)
case("bot-ser-chars", nothing, serial="2031041800zz")
case("bot-cfg-one", nothing, **config(4, 2))
case("bot-if-class", names_only, bare=True,
     alternates=(Alternate(), Alternate(1, 0, (0xFF, 6, 0x50), ((0x83, 2, 512, 0),))))  # fmt: skip
case("bot-if-sub", nothing, **config(15, 0x0A))
case("bot-if-proto", names_only, bare=True, **config(16, 0x51))
case("bot-if-numep", nothing, **config(13, 1))
case("bot-ep-in", nothing, **config(21, 0x12))
case("bot-ep-out", nothing, **config(28, 0x12))

# -- the command wrapper


def raw_cbw(host: Host, data: bytes, status: bytes = b"") -> None:
    """A wrapper as given, and a status read that ends in STALL or brings bytes."""
    host.bulk(host.bulk_out, len(data), data)
    host.read_status(status, status=0 if status else STALL)


def fields(length: int = 0, flags: int = 0, lun: int = 0, size: int = 6, cdb: bytes = bytes(6)) -> bytes:
    return struct.pack("<IIIBBB16s", wire.CBW_SIGNATURE, 900, length, flags, lun, size, cdb)


def wrapped(host: Host, cbw: bytes, tag: int = 900, **more: object) -> None:
    """A command whose wrapper is as given, answered in order."""
    host.command(cbw[15:31], cbw=cbw, csw=wire.csw(tag), **more)  # type: ignore[arg-type]


WRITE, READ = wire.write10(2048), wire.read10(0)
case("bot-cbw-31", lambda h: raw_cbw(h, fields() + b"\0"))
case("bot-cbw-sig", lambda h: raw_cbw(h, b"USBX" + fields()[4:]))
case("bot-data-bound", lambda h: raw_cbw(h, fields(512, 0, 0, 10, WRITE) + bytes(512)))


def glued(host: Host) -> None:
    host._send(wire.cbw(700, 525, 0x80, 0, READ), Oddity())
    host.bulk(host.bulk_in, 525, bytes(512) + wire.csw(700))
    host.wait_ms(100)
    host.reset_recovery()
    tur(host)


case("bot-cbw-next", glued)
case("bot-cbw-le", lambda h: wrapped(h, fields(0x00020000, 0x80, 0, 10, READ), data_in=bytes(512)))
case("bot-tag-echo", lambda h: tur(h, csw_tag=99))
case("bot-cbw-len", lambda h: read(h, expected=1024, residue=512))
case("bot-dir-zero", lambda h: tur(h, flags=0x80, status=2), lambda h: tur(h, flags=0x80))
case("bot-dir-bit", lambda h: read(h, flags=0))
case("bot-flag6", lambda h: tur(h, flags=0x40))
case("bot-flag50", lambda h: tur(h, flags=0x01))
case("bot-lun-field", lambda h: h.command(bytes((0, 0x20, 0, 0, 0, 0))),
     lambda h: h.command(bytes((0, 0x20, 0, 0, 0, 0)), lun=1), max_lun=1, kept_options={"max_lun": 1})  # fmt: skip
case("bot-lun-zero", lambda h: tur(h, lun=1))
case("bot-lun-resv", lambda h: tur(h, lun=0x10))
case("bot-cblen", lambda h: tur(h, cdb_length=0))
case("bot-cblen-resv", lambda h: tur(h, cdb_length=0x26))
case("bot-cb-first", lambda h: h.command(b"\0" + READ, data_in=bytes(512)))


def filler(host: Host, answers: bool = True) -> None:
    data = bytes((0, 0x80, 4, 2, 31, 0, 0, 0)) + b"SKERRY  TIDE LOGGER     2.31"
    plain = fields(36, 0x80, 0, 6, wire.inquiry())
    wrapped(host, plain, data_in=data)
    other = plain[:21] + b"\xaa" * 10
    if answers:
        wrapped(host, other, data_in=data)
    else:
        host.command(b"", cbw=other, csw=wire.csw(900, 36, 1), data_in=b"", expected=36, stall_data=True)


case("bot-cb-ignore", lambda h: filler(h, False), filler)


def stalled_command(host: Host, recovers: bool = False) -> None:
    tur(host, command_error=STALL)
    if recovers:
        host.reset_recovery()
    tur(host)


case("bot-cbw-ack", stalled_command)
case("bot-cbw-stall", stalled_command, lambda h: stalled_command(h, True))
case("bot-cbw-valid", stalled_command)
case("bot-data-exact", lambda h: write(h, expected=1024, residue=0, accepts=512, split=512))
case("bot-data-resp", lambda h: more_than_asked(h))


def more_than_asked(host: Host) -> None:
    host._send(wire.cbw(700, 512, 0x80, 0, READ), Oddity())
    host.bulk(host.bulk_in, 1024, bytes(1024))
    host.read_status(wire.csw(700))


case("bot-hn-send", lambda h: tur(h, flags=0x08))
case("bot-hn-csw", status_not_read)
case("bot-ho-send", lambda h: write(h, expected=1024, residue=0, accepts=512, split=512))

# -- the status wrapper

case("bot-csw-13", lambda h: tur(h, csw=wire.csw(h.tag) + b"\0"))


def big_endian(host: Host) -> None:
    status = struct.pack("<II", wire.CSW_SIGNATURE, host.tag) + bytes((0, 0, 1, 0, 0))
    read(host, data_in=bytes(256), expected=512, csw=status, stall_status=True)


case("bot-csw-le", big_endian, lambda h: h.execute(wire.inquiry(255)))
case("bot-csw-sig", lambda h: tur(h, csw_signature=0x53425354))
case("bot-res-out", lambda h: write(h, residue=512))
case("bot-res-in", lambda h: read(h, data_in=bytes(100), expected=512, residue=0))
case("bot-res-max", lambda h: tur(h, residue=5))


def sense_after_pass(host: Host) -> None:
    tur(host)
    host.command(wire.request_sense(), data_in=wire.fixed_sense(3, 0x11))


case("bot-st-ok", sense_after_pass)


def no_reason(host: Host) -> None:
    tur(host, status=1)
    host.command(wire.request_sense(), data_in=wire.fixed_sense(0))


case("bot-st-bad", no_reason)
case("bot-st-resv", lambda h: tur(h, status=3))


def status_stalled(host: Host, clears: bool = False) -> None:
    tur(host, stall_status=True, clears=clears)
    tur(host)


case("bot-csw-algo", status_stalled, lambda h: status_stalled(h, True))
case("bot-h-stall-csw", status_stalled, lambda h: status_stalled(h, True))


def phase(host: Host, recovers: bool = False) -> None:
    tur(host, status=2)
    if recovers:
        host.reset_recovery()
    tur(host)


case("bot-phase-rr", phase, lambda h: phase(h, True))
case("bot-h-02", phase, lambda h: phase(h, True))


def recovery_mixed_up(host: Host) -> None:
    host.control(wire.class_reset())
    host.clear_halt(host.bulk_out)
    host.clear_halt(host.bulk_in)
    tur(host)


case("bot-rr-order", recovery_mixed_up, recover)

# -- checks and recovery


def same_tag(host: Host, answers: bool = True) -> None:
    tur(host)
    host.tag -= 1
    tur(host, no_status=not answers)
    if not answers:
        host.reset_recovery()
        tur(host)


case("bot-tag-only", lambda h: same_tag(h, False), same_tag)


def wrong_status(host: Host, recovers: bool = False) -> None:
    tur(host, csw_signature=0x53425354)
    if recovers:
        host.reset_recovery()
    tur(host)


case("bot-csw-valid", wrong_status, lambda h: wrong_status(h, True))
case("bot-inv-csw", wrong_status, lambda h: wrong_status(h, True))


UNSIGNED = b"USBX" + fields()[4:]
case("bot-inv-in", lambda h: raw_cbw(h, UNSIGNED, wire.csw(900)), lambda h: raw_cbw(h, UNSIGNED))


def data_stalled_after(host: Host) -> None:
    host.bulk(host.bulk_out, 31, UNSIGNED)
    host.bulk(host.bulk_out, 512, bytes(512), status=STALL)


case("bot-inv-out", lambda h: raw_cbw(h, UNSIGNED, wire.csw(900)), data_stalled_after)


def not_for_ever(host: Host, works: bool = True) -> None:
    raw_cbw(host, UNSIGNED)
    host.clear_halt(host.bulk_in)
    if works:
        tur(host)
    else:
        tur(host, stall_status=True, clears=False)
        host.reset_recovery()
        tur(host)


case("bot-inv-keep", not_for_ever, lambda h: not_for_ever(h, False))


def clash(host: Host, cdb: bytes, length: int, flags: int, status: int, **more: object) -> None:
    host.command(cdb, expected=length, flags=flags, status=status, **more)  # type: ignore[arg-type]


def two(host: Host, status: int) -> None:
    """Case 2: no data announced, the command has some."""
    clash(host, READ, 0, 0, status)
    host.reset_recovery()


def three(host: Host, status: int) -> None:
    clash(host, WRITE, 0, 0, status)
    host.reset_recovery()


def seven(host: Host, status: int, moved: int = 512, **more: object) -> None:
    """Case 7: two blocks meant, one announced."""
    clash(host, wire.read10(0, 2), 512, 0x80, status, data_in=bytes(moved), **more)
    host.reset_recovery()


def thirteen(host: Host, status: int, moved: int = 512) -> None:
    clash(host, wire.write10(2048, 2), 512, 0, status, data_out=bytes(512), accepts=moved)
    host.reset_recovery()


case("bot-disagree", lambda h: two(h, 0), lambda h: two(h, 2))
case("bot-cmd-fail", lambda h: (stalled_command(h), tur(h)))

# -- the thirteen cases

case("bot-c1", lambda h: tur(h, residue=1))
case("bot-c2", lambda h: two(h, 0), lambda h: two(h, 2))
case("bot-c3", lambda h: three(h, 0), lambda h: three(h, 2))


def data_stalled(host: Host, incoming: bool, clears: bool) -> None:
    if incoming:
        read(host, data_in=b"", expected=512, stall_data=True, status=1, clears=clears)
    else:
        write(host, stall_data=True, status=1, clears=clears)
    tur(host)


case("bot-hi-stall", lambda h: data_stalled(h, True, False), lambda h: data_stalled(h, True, True))
case("bot-ho-stall", lambda h: data_stalled(h, False, False), lambda h: data_stalled(h, False, True))


def given_up(host: Host, incoming: bool) -> None:
    (read if incoming else write)(host, no_status=True)
    tur(host)


case("bot-hi-csw", lambda h: given_up(h, True))
case("bot-ho-csw", lambda h: given_up(h, False))
case("bot-c45-send", lambda h: more_than_asked(h))
case("bot-c45-stall", lambda h: h.execute(wire.inquiry(255)), short="packet")
case("bot-c45-csw", lambda h: read(h, data_in=bytes(100), expected=512, residue=0))
case("bot-c6", lambda h: read(h, residue=512))
case("bot-c78-max", lambda h: (h._send(wire.cbw(700, 512, 0x80, 0, wire.read10(0, 2)), Oddity()),
                               h.bulk(h.bulk_in, 1024, bytes(1024)), h.read_status(wire.csw(700, 0, 2))),
     lambda h: seven(h, 2))  # fmt: skip
case("bot-c78-stall", lambda h: seven(h, 2, 100), lambda h: seven(h, 2, 100, stall_data=True))
case("bot-c78-02", lambda h: seven(h, 0), lambda h: seven(h, 2))
case("bot-c911-take", lambda h: write(h, expected=1024, residue=512, accepts=512, split=512),
     lambda h: write(h, accepts=0, stall_data=True, status=1))  # fmt: skip
case("bot-c911-csw", lambda h: write(h, accepts=0, stall_data=True, status=1, residue=0),
     lambda h: write(h, accepts=0, stall_data=True, status=1))  # fmt: skip
case("bot-c12", lambda h: write(h, residue=512))
case("bot-c1013-take", lambda h: thirteen(h, 2, 100), lambda h: thirteen(h, 2))
case("bot-c1013-02", lambda h: thirteen(h, 0), lambda h: thirteen(h, 2))
