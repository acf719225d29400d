"""Storage commands written field by field, as wrappers of words, byte by byte, or as a driver talks: what the reader of
labelled logs is tried with.

Names of fields are those of BOT 1.0 Tables 5.1 and 5.2 and others in use; the driver's lines follow the Linux kernel's
sources (drivers/usb/storage/transport.c and scsiglue.c), in our own numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass


@dataclass
class Command:
    """One command as it went over the bus: the wrappers, and the bytes of the data phase as far as captured."""

    cbw: bytes
    data: bytes
    moved: int
    csw: bytes

    @property
    def fields(self) -> tuple[int, int, int, int, int]:
        """Tag, length, flags, LUN, length of the command block."""
        return struct.unpack_from("<4xIIBBB", self.cbw)  # type: ignore[return-value]

    @property
    def cdb(self) -> bytes:
        """The command block."""
        return self.cbw[15 : 15 + self.fields[4]]

    @property
    def status(self) -> tuple[int, int, int]:
        """Tag, residue, status."""
        return struct.unpack_from("<4xIIB", self.csw)  # type: ignore[return-value]


def spaced(data: bytes) -> str:
    return data.hex(" ")


def one_a_line(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield from ("CBW:", "  signature: 0x43425355", f"  tag:       0x{tag:08x}", f"  datlen:    0x{length:08x}")
    yield from (f"  flags:     0x{flags:02x}", f"  lun:       0x{lun:02x}", f"  cblen:     0x{size:02x}", "CB:")
    yield "  " + " ".join(f"0x{byte:02x}" for byte in c.cdb)
    tag, residue, status = c.status
    yield from ("CSW:", "  signature: 0x53425355", f"  tag:       0x{tag:08x}")
    yield from (f"  residue:   0x{residue:08x}", f"  status:    0x{status:02x}")


def standard_names(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield from (f"dCBWTag={tag:#x}", f"dCBWDataTransferLength={length}", f"bmCBWFlags={flags:#04x}", f"bCBWLUN={lun}")
    yield from (f"bCBWCBLength={size}", "adc: level 1874 mm", "CBWCB: " + spaced(c.cdb))
    tag, residue, status = c.status
    yield from (f"dCSWTag={tag:#x}", f"dCSWDataResidue={residue}", f"bCSWStatus={status}")


def any_order(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield from ("CBW sent", f"CBW LUN ({lun})", f"CBW Flags ({flags:#x})", f"CBW Data Transfer Length -> {length}")
    yield from (f"CBW Tag -> {tag:#010x}", "tick 100", f"CBW CB Length : {size:x}h")
    yield "CBWCB: " + spaced(c.cdb)
    tag, residue, status = c.status
    yield from (f"CSW Status -> {status}", "tick 101", f"CSW Data Residue -> {residue}", f"CSW Tag -> {tag:#010x}")


def byte_a_line(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield from (f"CBW Tag = {tag:#x}", f"CBW Len = {length}", f"CBW Flags = {flags:#x}", f"CBW LUN = {lun:#x}")
    yield f"CBW CDB Len = {size:#x}"
    yield from (f"CBW CDB-{at:02d} = {byte:#04x}" for at, byte in enumerate(c.cdb))
    tag, residue, status = c.status
    yield from (f"CSW Tag = {tag:#x}", f"CSW Residue = {residue:#x}", f"CSW Status = {status:#x}")


def indexed(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield f"cbw: tag {tag:#x} len {length} flags {flags:#x} lun {lun} cblen {size}"
    yield ", ".join(f"CBWCB[{at}]={byte:#x}" for at, byte in enumerate(c.cdb))
    tag, residue, status = c.status
    yield f"csw: tag {tag:#x} residue {residue} status {status}"


def whole_byte_by_byte(c: Command) -> Iterator[str]:
    yield from (f"cbw[{at}] = 0x{byte:02x}" for at, byte in enumerate(c.cbw))
    yield from (f"csw[{at}] = 0x{byte:02x}" for at, byte in enumerate(c.csw))


def as_json(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    yield (
        f'{{"cbw": {{"dCBWSignature": "0x43425355", "dCBWTag": {tag}, "dCBWDataTransferLength": {length}, '
        f'"bmCBWFlags": {flags}, "bCBWLUN": {lun}, "bCBWCBLength": {size}, "CBWCB": "{spaced(c.cdb)}"}}}}'
    )
    tag, residue, status = c.status
    yield f'{{"csw": {{"dCSWTag": {tag}, "dCSWDataResidue": {residue}, "bCSWStatus": {status}}}}}'


def words(c: Command) -> Iterator[str]:
    for name, wrapper in (("cbw", c.cbw), ("csw", c.csw)):
        padded = wrapper.ljust(32 if name == "cbw" else 16, b"\0")
        yield f"{name}: " + " ".join(f"{word:08x}" for word in struct.unpack(f"<{len(padded) // 4}I", padded))


def word_dump(c: Command) -> Iterator[str]:
    for wrapper in (c.cbw, c.csw):
        padded = wrapper.ljust(32 if wrapper is c.cbw else 16, b"\0")
        for at in range(0, len(padded), 16):
            row = struct.unpack_from("<4I", padded, at)
            yield f"  {at:04x}: " + " ".join(f"0x{word:08X}" for word in row)


def endpoint_length(c: Command) -> Iterator[str]:
    yield f"02[31]: {spaced(c.cbw)}"
    if c.moved:
        way = "81" if c.fields[2] & 0x80 else "02"
        yield f"{way}[{c.moved}]: {spaced(c.data[:32])}"
    yield f"81[13]: {spaced(c.csw)}"


def cut_dump(c: Command) -> Iterator[str]:
    """The first sixteen bytes, a dash in the middle, and how many are not shown."""
    for wrapper in (c.cbw, c.csw):
        row = wrapper[:16]
        yield f"E980: {spaced(row[:8])}-{spaced(row[8:])}"
        if len(wrapper) > 16:
            yield f"      {len(wrapper) - 16} more bytes not shown"


def driver(c: Command) -> Iterator[str]:
    tag, length, flags, lun, size = c.fields
    names = {0x12: "INQUIRY", 0x00: "TEST_UNIT_READY", 0x28: "READ_10", 0x2A: "WRITE_10", 0x25: "READ_CAPACITY"}
    name = names.get(c.cdb[0], "(unknown command)")
    lines = [f"Command {name} ({size} bytes)", f"bytes: {spaced(c.cdb)}"]
    if c.cdb[0] == 3:
        lines = ["Issuing auto-REQUEST_SENSE"]
    lines.append(f"Bulk Command S 0x43425355 T {tag:#x} L {length} F {flags} Trg 0 LUN {lun} CL {size}")
    lines += ["xfer 31 bytes", "Status code 0; transferred 31/31", "-- transfer complete"]
    if length:
        code = 0 if c.moved == length else -121
        lines += [f"xfer {length} bytes", f"Status code {code}; transferred {c.moved}/{length}"]
    lines += ["Attempting to get CSW...", "Status code 0; transferred 13/13", "Bulk status result = 0"]
    lines.append("Bulk Status S 0x53425355 T {:#x} R {} Stat {:#x}".format(*c.status))
    if c.cdb[0] == 3 and len(c.data) > 13:
        lines.append(f"-- code: {c.data[0]:#x}, key: {c.data[2]:#x}, ASC: {c.data[12]:#x}, ASCQ: {c.data[13]:#x}")
    yield from (f"usb-storage: {line}" for line in lines)


@dataclass
class Labelled:
    """A style, and what it does not print."""

    write: Callable[[Command], Iterator[str]]
    moved: bool = False
    sense: bool = False
    block: bool = True  # the command block, of REQUEST SENSE too


STYLES = {
    "one a line": Labelled(one_a_line),
    "standard names": Labelled(standard_names),
    "any order": Labelled(any_order),
    "byte a line": Labelled(byte_a_line),
    "indexed": Labelled(indexed),
    "whole byte by byte": Labelled(whole_byte_by_byte),
    "json": Labelled(as_json),
    "words": Labelled(words),
    "word dump": Labelled(word_dump),
    "endpoint and length": Labelled(endpoint_length, moved=True, sense=True),
    "cut dump": Labelled(cut_dump, block=False),
    "driver": Labelled(driver, moved=True, sense=True),
}
