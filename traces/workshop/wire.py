"""Bytes that go over the wire: setup packets, wrappers, command blocks, sense data.

Sources: USB 2.0 chapters 9 and 11; USB Mass Storage Class Bulk-Only Transport 1.0; SPC and SBC command blocks; USB
Attached SCSI information units.
"""

from __future__ import annotations

import struct

CBW_SIGNATURE, CSW_SIGNATURE = 0x43425355, 0x53425355
"""BOT 1.0 Tables 5.1 and 5.2: "USBC" and "USBS" as little-endian words."""

DEVICE, CONFIGURATION, STRING, HUB_DESCRIPTOR = 1, 2, 3, 0x29
"""Descriptor types, USB 2.0 Table 9-5 and 11.23.2.1."""

PORT_RESET, PORT_POWER = 4, 8
C_PORT_CONNECTION, C_PORT_ENABLE, C_PORT_OVER_CURRENT, C_PORT_RESET = 16, 17, 19, 20
"""Port features, USB 2.0 Table 11-17."""


def setup(request_type: int, request: int, value: int = 0, index: int = 0, length: int = 0) -> bytes:
    """A setup packet (USB 2.0 Table 9-2)."""
    return struct.pack("<BBHHH", request_type, request, value, index, length)


def get_descriptor(kind: int, length: int, number: int = 0, language: int = 0) -> bytes:
    """GET_DESCRIPTOR (USB 2.0 9.4.3)."""
    return setup(0x80, 6, kind << 8 | number, language, length)


def set_address(address: int) -> bytes:
    """SET_ADDRESS (USB 2.0 9.4.6)."""
    return setup(0, 5, address)


def set_configuration(value: int) -> bytes:
    """SET_CONFIGURATION (USB 2.0 9.4.7)."""
    return setup(0, 9, value)


def set_interface(number: int, alternate: int) -> bytes:
    """SET_INTERFACE (USB 2.0 9.4.10)."""
    return setup(1, 11, alternate, number)


def clear_halt(endpoint: int) -> bytes:
    """CLEAR_FEATURE(ENDPOINT_HALT) (USB 2.0 9.4.1)."""
    return setup(2, 1, 0, endpoint)


def get_max_lun(interface: int = 0) -> bytes:
    """Get Max LUN (BOT 1.0 3.2)."""
    return setup(0xA1, 0xFE, 0, interface, 1)


def class_reset(interface: int = 0) -> bytes:
    """Bulk-Only Mass Storage Reset (BOT 1.0 3.1)."""
    return setup(0x21, 0xFF, 0, interface)


def port_status(port: int) -> bytes:
    """GET_STATUS of a hub port (USB 2.0 11.24.2.7)."""
    return setup(0xA3, 0, 0, port, 4)


def set_port_feature(feature: int, port: int) -> bytes:
    """SET_FEATURE of a hub port (USB 2.0 11.24.2.13)."""
    return setup(0x23, 3, feature, port)


def clear_port_feature(feature: int, port: int) -> bytes:
    """CLEAR_FEATURE of a hub port (USB 2.0 11.24.2.2)."""
    return setup(0x23, 1, feature, port)


def cbw(tag: int, length: int, flags: int, lun: int, cdb: bytes, cdb_length: int | None = None) -> bytes:
    """A command block wrapper, 31 bytes (BOT 1.0 Table 5.1)."""
    size = len(cdb) if cdb_length is None else cdb_length
    return struct.pack("<IIIBBB16s", CBW_SIGNATURE, tag, length, flags, lun, size, cdb)


def csw(tag: int, residue: int = 0, status: int = 0, signature: int = CSW_SIGNATURE) -> bytes:
    """A command status wrapper, 13 bytes (BOT 1.0 Table 5.2)."""
    return struct.pack("<IIIB", signature, tag, residue, status)


def test_unit_ready() -> bytes:
    """TEST UNIT READY (SPC)."""
    return bytes(6)


test_unit_ready.__test__ = False  # type: ignore[attr-defined]  # pytest collects by name


def request_sense(allocation: int = 18) -> bytes:
    """REQUEST SENSE (SPC)."""
    return struct.pack(">BBHBB", 0x03, 0, 0, allocation, 0)


def inquiry(allocation: int = 36, page: int | None = None) -> bytes:
    """INQUIRY, with EVPD when a page is given (SPC)."""
    return struct.pack(">BBBHB", 0x12, page is not None, page or 0, allocation, 0)


def mode_sense6(page: int = 0x3F, allocation: int = 192) -> bytes:
    """MODE SENSE(6) (SPC)."""
    return struct.pack(">BBBBBB", 0x1A, 0, page, 0, allocation, 0)


def mode_sense10(page: int = 0x3F, allocation: int = 192) -> bytes:
    """MODE SENSE(10) (SPC)."""
    return struct.pack(">BBBB3xHB", 0x5A, 0, page, 0, allocation, 0)


def start_stop(start: bool, load_eject: bool = False) -> bytes:
    """START STOP UNIT (SBC)."""
    return struct.pack(">B3xBB", 0x1B, load_eject << 1 | start, 0)


def prevent_removal(prevent: bool) -> bytes:
    """PREVENT ALLOW MEDIUM REMOVAL (SBC)."""
    return struct.pack(">B3xBB", 0x1E, prevent, 0)


def read_format_capacities(allocation: int = 252) -> bytes:
    """READ FORMAT CAPACITIES (UFI 1.0 4.10)."""
    return struct.pack(">B6xHB", 0x23, allocation, 0)


def read_capacity10() -> bytes:
    """READ CAPACITY(10) (SBC)."""
    return bytes((0x25,)) + bytes(9)


def read_capacity16(allocation: int = 32) -> bytes:
    """READ CAPACITY(16) (SBC)."""
    return struct.pack(">BB8xIBB", 0x9E, 0x10, allocation, 0, 0)


def read10(lba: int, blocks: int = 1) -> bytes:
    """READ(10) (SBC)."""
    return struct.pack(">BBIBHB", 0x28, 0, lba, 0, blocks, 0)


def write10(lba: int, blocks: int = 1) -> bytes:
    """WRITE(10) (SBC)."""
    return struct.pack(">BBIBHB", 0x2A, 0, lba, 0, blocks, 0)


def read16(lba: int, blocks: int = 1) -> bytes:
    """READ(16) (SBC)."""
    return struct.pack(">BBQIBB", 0x88, 0, lba, blocks, 0, 0)


def write16(lba: int, blocks: int = 1) -> bytes:
    """WRITE(16) (SBC)."""
    return struct.pack(">BBQIBB", 0x8A, 0, lba, blocks, 0, 0)


def verify10(lba: int, blocks: int = 1) -> bytes:
    """VERIFY(10) without data (SBC)."""
    return struct.pack(">BBIBHB", 0x2F, 0, lba, 0, blocks, 0)


def synchronize_cache10() -> bytes:
    """SYNCHRONIZE CACHE(10) of the whole medium (SBC)."""
    return bytes((0x35,)) + bytes(9)


def report_luns(allocation: int = 16) -> bytes:
    """REPORT LUNS (SPC)."""
    return struct.pack(">BBB3xIBB", 0xA0, 0, 0, allocation, 0, 0)


def fixed_sense(key: int, asc: int = 0, ascq: int = 0, information: int | None = None) -> bytes:
    """Fixed format sense data, 18 bytes, current error (SPC-3 4.5.3)."""
    code = 0x70 | (0 if information is None else 0x80)
    return struct.pack(">BBBIB4xBB4x", code, 0, key, information or 0, 10, asc, ascq)


def uas_command(tag: int, lun: int, cdb: bytes) -> bytes:
    """A command information unit with a simple task attribute, 32 bytes (UAS)."""
    return struct.pack(">BBHBBBB8s16s", 1, 0, tag, 0, 0, 0, 0, bytes((0, lun)), cdb)


def uas_sense(tag: int, status: int, sense: bytes = b"") -> bytes:
    """A sense information unit: SCSI status with its sense data (UAS)."""
    return struct.pack(">BBHHB7xH", 3, 0, tag, 0, status, len(sense)) + sense


def uas_ready(tag: int, write: bool) -> bytes:
    """A READ READY or WRITE READY information unit (UAS)."""
    return struct.pack(">BBH", 7 if write else 6, 0, tag)
