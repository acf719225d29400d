"""Mass Storage Class numbers: Mass Storage Class Specification Overview 1.4, Tables 1 (subclass), 2 (protocol) and
3 (class requests)."""

from __future__ import annotations

CLASS = 0x08
"""bInterfaceClass of a mass storage interface."""

CBI, CBI_NO_INTERRUPT, BULK_ONLY, UAS = 0x00, 0x01, 0x50, 0x62
"""bInterfaceProtocol of the two transports that this project pairs."""

SCSI_TRANSPARENT = 0x06

SUBCLASSES: dict[int, str] = {
    0x00: "SCSI command set not reported",
    0x01: "Reduced Block Commands (RBC)",
    0x02: "MMC-5 (ATAPI)",
    0x03: "obsolete (was QIC-157 tape)",
    0x04: "UFI floppy",
    0x05: "obsolete (was SFF-8070i)",
    0x06: "SCSI transparent command set",
    0x07: "LSD FS (lockable storage)",
    0x08: "IEEE 1667",
    0xFF: "vendor specific",
}

PROTOCOLS: dict[int, str] = {
    0x00: "Control/Bulk/Interrupt with command completion interrupt",
    0x01: "Control/Bulk/Interrupt without command completion interrupt",
    0x02: "obsolete",
    0x50: "Bulk-Only Transport",
    0x62: "USB Attached SCSI",
    0xFF: "vendor specific",
}

ADSC, GET_REQUESTS, PUT_REQUESTS, GET_MAX_LUN, BULK_ONLY_RESET = 0x00, 0xFC, 0xFD, 0xFE, 0xFF

CLASS_REQUESTS: dict[int, str] = {
    ADSC: "Accept Device-Specific Command",
    GET_REQUESTS: "Get Requests",
    PUT_REQUESTS: "Put Requests",
    GET_MAX_LUN: "Get Max LUN",
    BULK_ONLY_RESET: "Bulk-Only Mass Storage Reset",
}


def subclass(code: int) -> str:
    """bInterfaceSubClass in words."""
    return SUBCLASSES.get(code, f"reserved subclass {code:02X}h")


def protocol(code: int) -> str:
    """bInterfaceProtocol in words."""
    return PROTOCOLS.get(code, f"reserved protocol {code:02X}h")
