"""Traces that break the rules of SAM, SPC and SBC, one for each, and some that keep them."""

from __future__ import annotations

import struct
from typing import Any

from breaches.lab import case, nothing, read, tur, write
from workshop import Host, session, wire

INQUIRY = bytes((0, 0x80, 4, 2, 31, 0, 0, 0)) + b"SKERRY  TIDE LOGGER     2.31"
BAD_FIELD, BAD_CODE, NO_UNIT, NO_MEDIUM = (5, 0x24, 0), (5, 0x20, 0), (5, 0x25, 0), (2, 0x3A, 0)
EJECT, STOP = wire.start_stop(False, True), wire.start_stop(False)


def sense(host: Host, key: int, asc: int = 0, ascq: int = 0, lun: int = 0, **more: Any) -> None:
    """A REQUEST SENSE that brings these codes."""
    host.command(wire.request_sense(), data_in=more.pop("data", wire.fixed_sense(key, asc, ascq)), lun=lun, **more)


def fail(host: Host, cdb: bytes, codes: tuple[int, int, int], expected: int = 0, lun: int = 0, **more: Any) -> None:
    """A command that fails before any data, and the sense that says why."""
    if expected and "data_out" not in more:
        host.command(cdb, data_in=b"", expected=expected, status=1, stall_data=True, lun=lun)
    elif "data_out" in more:
        host.command(cdb, status=1, stall_data=True, lun=lun, data_out=more["data_out"])
    else:
        host.command(cdb, status=1, lun=lun)
    sense(host, *codes, lun=lun)


def inquiry(host: Host, data: bytes = INQUIRY, allocation: int = 36, lun: int = 0, **more: Any) -> None:
    """An INQUIRY answered by this."""
    host.command(wire.inquiry(allocation), data_in=data, expected=more.pop("expected", len(data)), lun=lun, **more)


def page(host: Host, number: int, data: bytes, **more: Any) -> None:
    """A page of vital product data."""
    host.command(wire.inquiry(255, number), data_in=data, expected=255, stall_status=True, **more)


def edited(data: bytes, at: int, *values: int) -> bytes:
    return data[:at] + bytes(values) + data[at + len(values) :]


# -- command blocks

case("s-op-unknown", lambda h: fail(h, bytes((0xF1, 0, 0, 0, 0, 0)), (2, 0x20, 0)))
case("s-field-code", lambda h: fail(h, wire.inquiry(64, 0xFE), (4, 0x24, 0), 64))
RESERVED = bytes((0, 0, 0, 1, 0, 0))
case("s-rsvd-check", lambda h: fail(h, RESERVED, (5, 0x26, 0)), lambda h: fail(h, RESERVED, BAD_FIELD))
case("s-rsvd-host", lambda h: h.command(RESERVED))
case("s-cdb-len", lambda h: read(h, cdb_length=6))
case("s-control", lambda h: h.command(bytes((0, 0, 0, 0, 0, 1))))
case("s-alloc-cap", lambda h: h.command(wire.inquiry(8), data_in=INQUIRY))
NO_DATA_ASKED = wire.inquiry(0)
case("s-alloc-zero", lambda h: fail(h, NO_DATA_ASKED, BAD_FIELD), lambda h: h.command(NO_DATA_ASKED))


def field_shrinks(host: Host) -> None:
    inquiry(host, edited(INQUIRY, 4, 3)[:8], 8)


case("s-alloc-count", field_shrinks)
SELECT_NOTHING = bytes((0x15, 0x10, 0, 0, 0, 0))
case("s-plist-zero", lambda h: fail(h, SELECT_NOTHING, (5, 0x1A, 0)), lambda h: h.command(SELECT_NOTHING))
SELECT_CUT = bytes((0x15, 0x10, 0, 0, 2, 0))
case("s-plist-cut", lambda h: h.command(SELECT_CUT, data_out=bytes(2)),
     lambda h: fail(h, SELECT_CUT, (5, 0x1A, 0), data_out=bytes(2)))  # fmt: skip
UNKNOWN_ACTION = bytes((0x9E, 0x1F)) + bytes(14)


def unknown_action(host: Host, codes: tuple[int, int, int]) -> None:
    host.execute(wire.read_capacity16())
    fail(host, UNKNOWN_ACTION, codes)


case("s-svc-action", lambda h: unknown_action(h, BAD_CODE), lambda h: unknown_action(h, BAD_FIELD))


def ready_and_not(host: Host) -> None:
    tur(host)
    fail(host, wire.read10(0), (2, 4, 1), 512)


def ready_and_read(host: Host) -> None:
    tur(host)
    read(host)


case("s-tur-good", ready_and_not, ready_and_read)
case("s-tur-nodata", lambda h: tur(h, data_in=b"", expected=8, stall_status=True))

# -- units that are not there

ABSENT = b"\x7f" + INQUIRY[1:]


def absent(host: Host, codes: tuple[int, int, int]) -> None:
    inquiry(host, ABSENT, lun=1)
    fail(host, wire.test_unit_ready(), codes, lun=1)


def absent_sense(host: Host, codes: tuple[int, int, int]) -> None:
    inquiry(host, ABSENT, lun=1)
    sense(host, *codes, lun=1)


case("s-lun-none", lambda h: absent(h, (2, 0x3A, 0)), lambda h: absent(h, NO_UNIT))
case("s-lun-inq", lambda h: inquiry(h, lun=1), lambda h: inquiry(h, ABSENT, lun=1))


def absent_page(host: Host, fails: bool) -> None:
    inquiry(host, ABSENT, lun=1)
    if fails:
        fail(host, wire.inquiry(255, 0x80), BAD_FIELD, 255, lun=1)
    else:
        page(host, 0x80, b"\x00\x80\x00\x0c203104180001", lun=1)


case("s-lun-vpd", lambda h: absent_page(h, False), lambda h: absent_page(h, True))
case("s-lun-rs", lambda h: absent_sense(h, (0, 0, 0)), lambda h: absent_sense(h, NO_UNIT))


def luns(host: Host, *units: int, size: int | None = None, allocation: int = 255) -> None:
    size = 8 * len(units) if size is None else size
    data = struct.pack(">I4x", size) + b"".join(bytes((0, unit, 0, 0, 0, 0, 0, 0)) for unit in units)
    host.command(wire.report_luns(allocation), data_in=data, expected=allocation, stall_status=True)


case("s-rl-count", lambda h: luns(h, 0, size=7))
case("s-rl-lun0", lambda h: luns(h))


def spc3(host: Host, allocation: int, fails: bool) -> None:
    inquiry(host, edited(INQUIRY, 2, 5))
    if fails:
        fail(host, wire.report_luns(allocation), BAD_FIELD, allocation)
    else:
        host.command(wire.report_luns(allocation), data_in=bytes((0, 0, 0, 8, 0, 0, 0, 0)))


case("s-rl-alloc", lambda h: spc3(h, 8, False), lambda h: spc3(h, 8, True))


def must_list(host: Host, fails: bool) -> None:
    inquiry(host, edited(INQUIRY, 2, 5))
    if fails:
        fail(host, wire.report_luns(255), BAD_CODE, 255)
    else:
        luns(host, 0, 1)


case("s-rl-must", lambda h: must_list(h, True), lambda h: must_list(h, False), max_lun=1, kept_options={"max_lun": 1})
case("s-rl-match", lambda h: luns(h, 0, 1))

# -- unit attention, and who is exempt

ATTENTION, ON = (6, 0x28, 0), (6, 0x29, 0)


def exempt(host: Host, cdb: bytes, held_up: bool, data: bytes = INQUIRY) -> None:
    if held_up:
        fail(host, cdb, ATTENTION, len(data))
    else:
        host.command(cdb, data_in=data)
        fail(host, wire.test_unit_ready(), ATTENTION)


LIST = struct.pack(">I4x8x", 8)
case(
    "s-rl-ua",
    lambda h: exempt(h, wire.report_luns(16), True, LIST),
    lambda h: exempt(h, wire.report_luns(16), False, LIST),
)
case("s-inq-ua", lambda h: exempt(h, wire.inquiry(), True), lambda h: exempt(h, wire.inquiry(), False))
case("s-ua-exempt", lambda h: exempt(h, wire.inquiry(), True), lambda h: exempt(h, wire.inquiry(), False))
case("s-ua-reset", nothing, unit=session.tide_unit())


def attention_twice(host: Host) -> None:
    fail(host, wire.test_unit_ready(), ATTENTION)
    fail(host, wire.test_unit_ready(), ATTENTION)


case("s-ua-once", attention_twice)


def served_all_the_same(host: Host) -> None:
    host.command(wire.read10(0), data_in=bytes(512), status=1)
    sense(host, *ATTENTION)


case("s-ua-notrun", served_all_the_same, lambda h: fail(h, wire.read10(0), ATTENTION, 512))


def sense_told_nothing(host: Host) -> None:
    tur(host)
    sense(host, 0)
    fail(host, wire.test_unit_ready(), ATTENTION)


def sense_told(host: Host) -> None:
    tur(host)
    sense(host, *ATTENTION)
    tur(host)


case("s-ua-rs", sense_told_nothing, sense_told)


def attention_order(host: Host, *codes: tuple[int, int, int]) -> None:
    for each in codes:
        fail(host, wire.test_unit_ready(), each)


case("s-ua-order", lambda h: attention_order(h, ATTENTION, ON), lambda h: attention_order(h, ON, ATTENTION))


def card_in(host: Host, told: bool) -> None:
    fail(host, wire.test_unit_ready(), NO_MEDIUM)
    if told:
        fail(host, wire.test_unit_ready(), ATTENTION)
    tur(host)


case("s-ua-medium", lambda h: card_in(h, False), lambda h: card_in(h, True))
SELECT = bytes((0x15, 0x10, 0, 0, 24, 0))
CACHING = bytes((0x08, 0x12, 0x04)) + bytes(17)


def select(host: Host, told: bool) -> None:
    host.command(SELECT, data_out=bytes(4) + CACHING)
    if told:
        fail(host, wire.test_unit_ready(), (6, 0x2A, 1))
    else:
        tur(host)


case("s-ua-own", lambda h: select(h, True), lambda h: select(h, False))


def refused(host: Host, codes: tuple[int, int, int], again: bool, data: bytes | None = None) -> None:
    host.command(wire.read10(5), data_in=b"", expected=512, status=1, stall_data=True)
    sense(host, *codes, data=data or wire.fixed_sense(*codes))
    for _ in range(0 if again else 10):
        tur(host)
    host.command(wire.read10(5), data_in=bytes(512))


LATE = (3, 0x0C, 0)
DEFERRED = b"\x71" + wire.fixed_sense(*LATE)[1:]
case("s-ua-retry", lambda h: refused(h, ON, False), lambda h: refused(h, ON, True))
case(
    "s-sense-71",
    lambda h: refused(h, (3, 0x0C, 0), False, DEFERRED),
    lambda h: refused(h, (3, 0x0C, 0), True, DEFERRED),
)


def changed(host: Host) -> None:
    fail(host, wire.test_unit_ready(), ATTENTION)
    read(host)


case("s-ua-drop", changed)

# -- INQUIRY

case("s-inq-min", lambda h: inquiry(h, edited(INQUIRY, 4, 3)))
case("s-inq-add", lambda h: inquiry(h, edited(INQUIRY, 4, 91)))
case("s-inq-fmt", lambda h: inquiry(h, edited(INQUIRY, 3, 1)))
case("s-inq-ascii", lambda h: inquiry(h, edited(INQUIRY, 9, 0)))
case("s-inq-fail", lambda h: fail(h, wire.inquiry(), (2, 4, 1), 36))
ODD_PAGE = bytes((0x12, 0, 0x80, 0, 36, 0))
case("s-inq-page0", lambda h: h.command(ODD_PAGE, data_in=INQUIRY), lambda h: fail(h, ODD_PAGE, BAD_FIELD, 36))


def page_not_there(host: Host) -> None:
    host.execute(wire.inquiry(64, page=0))
    page(host, 0xFE, INQUIRY)


case("s-inq-nopage", page_not_there)
case("s-inq-011", lambda h: inquiry(h, b"\x60" + INQUIRY[1:], lun=1), lambda h: inquiry(h, ABSENT, lun=1))
case("s-inq-change", lambda h: inquiry(h, INQUIRY[:-1] + b"9"))
case("s-vpd-00", lambda h: page(h, 0, bytes((0, 0, 0, 3, 0, 0x83, 0x80))))
case("s-vpd-echo", lambda h: page(h, 0x80, bytes((0, 0, 0, 2, 0x20, 0x20))))
case("s-vpd-80", lambda h: page(h, 0x80, bytes((0, 0x80, 0, 4)) + bytes(4)))


def claims(host: Host, fails: bool) -> None:
    inquiry(host, edited(INQUIRY, 2, 5))
    if fails:
        fail(host, wire.inquiry(255, 0x83), BAD_FIELD, 255)
    else:
        page(host, 0x83, bytes((0, 0x83, 0, 0)))


case("s-vpd-83", lambda h: claims(h, True), lambda h: claims(h, False))

# -- sense data


def failure_then(host: Host, codes: tuple[int, int, int], data: bytes | None = None, **more: Any) -> None:
    tur(host, status=1)
    sense(host, *codes, data=data or wire.fixed_sense(*codes), **more)


case("s-check-sense", lambda h: failure_then(h, (0, 0, 0)))


def old_error(host: Host) -> None:
    tur(host)
    sense(host, 3, 0x11)


case("s-rs-nosense", old_error)


def sense_refused(host: Host) -> None:
    tur(host, status=1)
    host.command(wire.request_sense(), data_in=b"", expected=18, status=1, stall_data=True)


case("s-rs-own", sense_refused)


def sense_twice(host: Host, again: bool) -> None:
    failure_then(host, (3, 0x11, 0))
    sense(host, *((3, 0x11, 0) if again else (0, 0, 0)))


case("s-rs-clear", lambda h: sense_twice(h, True), lambda h: sense_twice(h, False))
SHORT_SENSE = wire.fixed_sense(2, 0x3A)[:14]
case("s-rs-18", lambda h: failure_then(h, (2, 0x3A, 0), SHORT_SENSE, expected=18, stall_status=True))
case("s-rs-desc", lambda h: failure_then(h, (2, 0x3A, 0), bytes((0x72, 2, 0x3A, 0, 0, 0, 0, 0)), expected=18,
                                         stall_status=True))  # fmt: skip
case("s-sense-keep", lambda h: failure_then(h, (0, 0, 0)))


def not_asked(host: Host) -> None:
    tur(host, status=1)
    read(host)


case("s-sense-first", not_asked)
case("s-sense-len", lambda h: failure_then(h, (2, 0x3A, 0), edited(wire.fixed_sense(2, 0x3A), 7, 6)))
case("s-sense-valid", lambda h: failure_then(h, (2, 0x3A, 0), wire.fixed_sense(2, 0x3A, 0, 77)),
     lambda h: failure_then(h, NO_MEDIUM))  # fmt: skip


def bad_block(host: Host, told: int) -> None:
    host.command(wire.read10(100, 8), data_in=b"", expected=4096, status=1, stall_data=True)
    sense(host, 3, 0x11, data=wire.fixed_sense(3, 0x11, 0, told))


case("s-sense-lba", lambda h: bad_block(h, 300), lambda h: bad_block(h, 103))
case("s-sense-70ua", lambda h: failure_then(h, ON, b"\x71" + wire.fixed_sense(*ON)[1:]))

# -- readiness, start and stop


def empty(host: Host, cdb: bytes, codes: tuple[int, int, int] | None, data: bytes = b"") -> None:
    """The slot is empty, then a command fails so, or brings data."""
    fail(host, wire.test_unit_ready(), NO_MEDIUM)
    if codes is None:
        host.command(cdb, data_in=data)
    else:
        fail(host, cdb, codes, len(data) or 512)


case("s-nr-medium", lambda h: empty(h, wire.read10(0), (3, 0x11, 0)), lambda h: empty(h, wire.read10(0), NO_MEDIUM))


def wants_a_start(host: Host, starts: bool) -> None:
    fail(host, wire.test_unit_ready(), (2, 4, 2))
    if starts:
        host.command(wire.start_stop(True))
        fail(host, wire.test_unit_ready(), (2, 4, 2))


case("s-nr-becoming", lambda h: wants_a_start(h, True), lambda h: wants_a_start(h, False))
case("s-nr-info", lambda h: empty(h, wire.inquiry(), NO_MEDIUM), lambda h: empty(h, wire.inquiry(), None, INQUIRY))
case("s-rc-nomed", lambda h: empty(h, wire.read_capacity10(), None, bytes(8)),
     lambda h: empty(h, wire.read_capacity10(), NO_MEDIUM))  # fmt: skip


def ejected(host: Host, gone: bool) -> None:
    host.command(EJECT)
    if gone:
        fail(host, wire.test_unit_ready(), NO_MEDIUM)
    else:
        tur(host)


case("s-ssu-loej", lambda h: ejected(h, False), lambda h: ejected(h, True))


def stopped(host: Host, refuses: bool) -> None:
    host.command(STOP)
    if refuses:
        fail(host, wire.read10(0), (2, 4, 2), 512)
    else:
        read(host)


case("s-stopped", lambda h: stopped(h, False), lambda h: stopped(h, True))


def locked(host: Host, codes: tuple[int, int, int] | None, prevent: bool = True) -> None:
    host.command(wire.prevent_removal(prevent))
    if codes is None:
        host.command(EJECT)
    else:
        fail(host, EJECT, codes)


PREVENTED = (5, 0x53, 2)
case("s-prev-eject", lambda h: locked(h, None), lambda h: locked(h, PREVENTED))
case("s-prev-end", lambda h: locked(h, PREVENTED, False), lambda h: locked(h, None, False))
case("s-prev-host", lambda h: locked(h, None), lambda h: locked(h, None, False))
IMMEDIATE = bytes((0x35, 2)) + bytes(8)
case("s-sync-immed", lambda h: fail(h, IMMEDIATE, (5, 0x26, 0)), lambda h: fail(h, IMMEDIATE, BAD_FIELD))
case("s-sync-zero", lambda h: fail(h, wire.synchronize_cache10(), BAD_FIELD))


def mode(host: Host, body: bytes = CACHING, head: bytes | None = None, number: int = 0x3F, flags: int = 0,
         **more: Any) -> None:  # fmt: skip
    """A MODE SENSE(6) with this in it."""
    head = bytes((3 + len(body), 0, 0, 0)) if head is None else head
    host.command(bytes((0x1A, flags, number, 0, 192, 0)), data_in=head + body, expected=192, stall_status=True, **more)


def mode10(host: Host, body: bytes = CACHING, head: bytes | None = None, number: int = 0x3F, flags: int = 0) -> None:
    """A MODE SENSE(10) with this in it."""
    head = struct.pack(">HBBBxH", 6 + len(body), 0, 0, 0, 0) if head is None else head
    host.command(bytes((0x5A, flags, number, 0, 0, 0, 0, 0, 192, 0)), data_in=head + body, expected=192,
                 stall_status=True)  # fmt: skip


def flushed(host: Host, flush: bool) -> None:
    mode(host)
    write(host)
    if flush:
        host.execute(wire.synchronize_cache10())
    host.command(EJECT)


case("s-sync-host", lambda h: flushed(h, False), lambda h: flushed(h, True))

# -- capacity and addresses: the scenario's medium

LAST = session.BLOCKS - 1
case("s-rc-last", lambda h: fail(h, wire.read10(LAST), (5, 0x21, 0), 512), lambda h: h.execute(wire.read10(LAST)))
case("s-rc-8", lambda h: h.command(wire.read_capacity10(), data_in=struct.pack(">II", LAST, 0)))


def large(host: Host, told: int) -> None:
    host.command(wire.read_capacity10(), data_in=struct.pack(">II", told, 512))
    host.command(wire.read_capacity16(), data_in=struct.pack(">QI20x", 1 << 33, 512))


case("s-rc-ffff", lambda h: large(h, 4095), lambda h: large(h, 0xFFFFFFFF))
case("s-rc-zero", lambda h: h.command(bytes((0x25, 0, 0, 0, 0, 9, 0, 0, 0, 0)), data_in=struct.pack(">II", LAST, 512)))


def long_form(host: Host, data: bytes, **more: Any) -> None:
    host.command(wire.read_capacity16(), data_in=data, expected=32, **more)


case("s-rc-same", lambda h: long_form(h, struct.pack(">QI20x", LAST + 1, 512)))
case("s-rc16-len", lambda h: long_form(h, struct.pack(">QI", LAST, 512), stall_status=True))
case("s-rc16-max", lambda h: long_form(h, b"\xff" * 8 + struct.pack(">I20x", 512)))
case("s-lba-range", lambda h: h.command(wire.read10(LAST + 1), data_in=bytes(512)),
     lambda h: h.execute(wire.read10(LAST + 1)))  # fmt: skip
case("s-lba-host", lambda h: h.execute(wire.read10(LAST + 1)))
READ_256 = bytes((0x08, 0, 0, 0, 0, 0))
case("s-rw6-0", lambda h: h.command(READ_256), lambda h: h.execute(READ_256))
READ_NONE = wire.read10(0, 0)
case("s-rw10-0", lambda h: fail(h, READ_NONE, BAD_FIELD), lambda h: h.command(READ_NONE))
case("s-rw-bytes", lambda h: read(h, expected=1024, residue=512))
case("s-prot-zero", lambda h: h.command(edited(wire.read10(0), 1, 0x20), data_in=bytes(512)))
LIMITS = struct.pack(">BBHHHIIIII36x", 0, 0xB0, 60, 0, 0, 8, 8, 0, 1024, 1)


def limited(host: Host, blocks: int) -> None:
    page(host, 0xB0, LIMITS)
    host.execute(wire.read10(0, blocks))


case("s-max-xfer", lambda h: limited(h, 16), lambda h: limited(h, 8))


def unmap(host: Host, ranges: int) -> None:
    page(host, 0xB0, LIMITS)
    body = struct.pack(">HH4x", 6 + 16 * ranges, 16 * ranges) + struct.pack(">QI4x", 4096, 8) * ranges
    host.command(bytes((0x42, 0, 0, 0, 0, 0, 0, 0, len(body), 0)), data_out=body)


case("s-unmap-limits", lambda h: unmap(h, 2), lambda h: unmap(h, 1))

# -- protection, verifying


def protected(host: Host, bit: int, codes: tuple[int, int, int] | None) -> None:
    mode(host, head=bytes((23, 0, bit, 0)))
    if codes is None:
        write(host)
    else:
        fail(host, wire.write10(2048), codes, data_out=bytes(512))


PROTECTED = (7, 0x27, 0)
case("s-wp-refuse", lambda h: protected(h, 0x80, None), lambda h: protected(h, 0x80, PROTECTED))
case("s-wp-bit", lambda h: protected(h, 0, PROTECTED), lambda h: protected(h, 0, None))
case("s-wp-host", lambda h: protected(h, 0x80, PROTECTED), lambda h: protected(h, 0, None))
case("s-fua-host", lambda h: h.command(edited(wire.read10(0), 1, 8), data_in=bytes(512)))
case("s-ver-nodata", lambda h: h.command(wire.verify10(8), data_in=b"", expected=512, stall_status=True))
COMPARED = edited(wire.verify10(8), 1, 2)
case("s-ver-data", lambda h: h.command(COMPARED), lambda h: h.command(COMPARED, data_out=bytes(512)))
VERIFY_NONE = wire.verify10(8, 0)
case("s-ver-zero", lambda h: fail(h, VERIFY_NONE, BAD_FIELD), lambda h: h.command(VERIFY_NONE))

# -- mode pages

case("s-ms6-head", lambda h: mode(h, head=bytes((24, 0, 0, 0))))
case("s-ms10-head", lambda h: mode10(h, head=struct.pack(">HBBBxH", 30, 0, 0, 0, 0)))
case("s-ms-bd", lambda h: mode(h, head=bytes((23, 0, 0, 4))))
case("s-ms-dbd", lambda h: mode(h, bytes(8) + CACHING, bytes((31, 0, 0, 8)), flags=8), lambda h: mode(h, flags=8))
case("s-ms-longlba", lambda h: mode10(h, head=struct.pack(">HBBBxH", 26, 0, 0, 1, 0)))
case("s-ms-nopage", lambda h: mode(h, b"", number=0x1C), lambda h: mode(h, number=8))
case("s-ms-all", lambda h: mode(h, bytes((0x1C, 0x02, 0, 0)) + CACHING))
case("s-ms-pagelen", lambda h: mode(h, edited(CACHING, 1, 0x20)))
case("s-ms-saved", lambda h: mode(h, number=0xC8), lambda h: fail(h, wire.mode_sense6(0xC8), (5, 0x39, 0), 192))


def select_other(host: Host, size: int) -> None:
    mode(host)
    host.command(SELECT, data_out=bytes(4) + edited(CACHING, 1, size))


case("s-msel-len", lambda h: select_other(h, 10), lambda h: select_other(h, 0x12))
SELECT_10 = bytes((0x55, 0x10, 0, 0, 0, 0, 0, 0, 28, 0))


def pair(host: Host, refuses: bool) -> None:
    mode10(host)
    if refuses:
        fail(host, SELECT_10, BAD_CODE, data_out=bytes(28))
    else:
        host.command(SELECT_10, data_out=bytes(8) + CACHING)


case("s-ms10-pair", lambda h: pair(h, True), lambda h: pair(h, False))
