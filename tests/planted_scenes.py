"""Scenes with a marker in every place that can hold something private: what a device says of itself, what commands and
requests carry, and what stands on volumes. See `planted`."""

from __future__ import annotations

import struct
from collections.abc import Callable

from planted import Garden
from volume_lab import sample
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire


def device(garden: Garden) -> Recorder:
    """Everything by which a device tells who it is, and what other requests carry."""
    identity = Identity(
        manufacturer=garden.plant("string: manufacturer"), product=garden.plant("string: product"),
        serial=garden.plant("string: serial number"),
    )  # fmt: skip
    one = Host(Recorder(), Stick(identity, [Unit(Medium(1 << 16))]))
    one.enumerate()
    _requests(one, garden)
    _inquiries(one, garden)
    _parameters(one, garden)
    _transfers(one, garden)
    return one.recorder


def _string(text: bytes) -> bytes:
    return struct.pack("<BB", 2 + len(text), 3) + text


def _requests(one: Host, garden: Garden) -> None:
    for number, name in ((4, "configuration"), (5, "interface")):
        one.control(wire.get_descriptor(3, 255, number, 0x0409), _string(garden.wide(f"string: {name}")))
    one.control(wire.get_descriptor(3, 255, 2, 0x0407), _string(garden.wide("string: another language")))
    long = _string(garden.wide("string: before the end")) + garden.raw("string: behind its end")
    one.control(wire.get_descriptor(3, 255, 6, 0x0409), long)
    body = struct.pack("<BB", 10, 0x41) + garden.raw("descriptor: a vendor's own")
    head = bytearray(identity_of(one).configuration())
    head += body
    head[2:4] = struct.pack("<H", len(head))
    one.control(wire.get_descriptor(2, 255), bytes(head) + garden.raw("descriptor: behind the configuration"))
    container = b"\x14\x10\x04\0" + garden.raw("BOS: container identifier", 16)
    platform = b"\x1c\x10\x05\0" + garden.raw("BOS: platform identifier", 16) + garden.raw("BOS: platform data")
    bos = b"\x05\x0f" + struct.pack("<HB", 5 + len(container + platform), 2) + container + platform
    one.control(wire.get_descriptor(0x0F, 255), bos)
    one.control(wire.setup(0x81, 6, 0x2200, 0, 64), garden.raw("descriptor: of an interface"))
    one.control(wire.setup(0x00, 7, 0x0301, 0x0409, 18), out=_string(garden.wide("descriptor: set by the host")))
    one.control(wire.setup(0xA1, 0, 0, 0, 64), b"\0\x20" + garden.raw("class request: in"))
    one.control(wire.setup(0x21, 9, 0x0200, 0, 8), out=garden.raw("class request: out"))
    one.control(wire.setup(0xC0, 0x42, 0, 0, 64), garden.raw("vendor request: in"))
    one.control(wire.setup(0x40, 0x42, 0, 0, 8), out=garden.raw("vendor request: out"))
    one.control(wire.setup(0xE0, 0x42, 0, 0, 8), garden.raw("reserved request: in"))


def identity_of(one: Host) -> Identity:
    """The identity of the stick of a host."""
    return one.stick.identity


def _inquiries(one: Host, garden: Garden) -> None:
    plain = b"\0\x80\x06\x02\x7b\0\0\0" + garden.raw("INQUIRY: vendor") + garden.raw("INQUIRY: product", 16) + b"2.31"
    plain += garden.raw("INQUIRY: vendor specific", 20) + bytes(18) + garden.raw("INQUIRY: reserved", 22)
    plain += garden.raw("INQUIRY: vendor's parameters", 32)
    one.command(wire.inquiry(128), data_in=plain)
    one.command(wire.inquiry(128), data_in=plain[:36] + garden.raw("INQUIRY: in two transfers", 20), split=32)
    text = garden.raw("VPD 83h: T10 identifier", 16)
    names = b"\x02\x01\0" + bytes([len(text)]) + text
    names += b"\x03\x28\0\x0c" + b"naa." + garden.raw("VPD 83h: SCSI name")
    names += b"\x02\x00\0\x08" + garden.raw("VPD 83h: vendor's name") + b"\x01\x03\0\x08" + garden.raw("VPD 83h: NAA")
    pages = {
        0x80: garden.raw("VPD 80h: serial number", 16), 0x83: names, 0x89: bytes(20) + garden.raw("VPD 89h: ATA"),
        0x85: b"\0\0\0\x08" + garden.raw("VPD 85h: network address"), 0xC0: garden.raw("VPD C0h: a vendor's page"),
        0xB1: bytes(60) + garden.raw("VPD B1h: behind its end"),
    }  # fmt: skip
    for page, body in pages.items():
        one.command(wire.inquiry(255, page), data_in=struct.pack(">BBH", 0, page, len(body)) + body)


def _parameters(one: Host, garden: Garden) -> None:
    """Commands whose data describes the unit, with room for more than that."""

    def cdb(*head: int, size: int = 10) -> bytes:
        return bytes(head).ljust(size, b"\0")

    page = bytes([0x20, 8]) + garden.raw("MODE SENSE(6): a vendor's page")
    one.command(wire.mode_sense6(), data_in=bytes([3 + len(page), 0, 0, 0]) + page)
    page = bytes([0, 8]) + garden.raw("MODE SENSE(10): a vendor's page")
    one.command(wire.mode_sense10(), data_in=struct.pack(">H6x", 6 + len(page)) + page)
    page = bytes([8, 10]) + bytes(10) + garden.raw("MODE SENSE(10): behind the pages")
    one.command(wire.mode_sense10(8), data_in=struct.pack(">H6x", 18) + page)
    ins = {
        "TEST UNIT READY: not due": cdb(0, size=6), "READ CAPACITY: behind its end": wire.read_capacity10(),
        "REPORT LUNS: behind its end": wire.report_luns(64), "REQUEST SENSE: behind its end": wire.request_sense(64),
        "LOG SENSE: a vendor's page": cdb(0x4D, 0, 0x70), "READ TOC: CD-TEXT": cdb(0x43, 0, 5),
        "READ SUB-CHANNEL: media catalogue number": cdb(0x42, 2, 0x40, 2),
        "READ DISC INFORMATION: bar code": cdb(0x51), "READ FORMAT CAPACITIES: behind": wire.read_format_capacities(),
        "GET EVENT STATUS: behind": cdb(0x4A, 1), "READ TRACK INFORMATION: behind": cdb(0x52, 1),
        "GET CONFIGURATION: a vendor's feature": cdb(0x46), "MAINTENANCE IN: identifying text": cdb(0xA3, 5, size=12),
        "READ LONG(16): data": cdb(0x9E, 0x11, size=16), "READ LONG(10): data": cdb(0x3E), "READ BUFFER": cdb(0x3C, 2),
        "SECURITY PROTOCOL IN": cdb(0xA2, 1, size=12), "ATA IDENTIFY DEVICE": cdb(0xA1, 8, 0x0E, size=12),
        "RECEIVE DIAGNOSTIC RESULTS": cdb(0x1C, 1, 0x80, size=6), "a vendor's command: in": cdb(0xD0),
        "READ CAPACITY(16): behind": wire.read_capacity16(64), "GET PERFORMANCE": cdb(0xAC, size=12),
        "MECHANISM STATUS": cdb(0xBD, size=12), "READ MEDIA SERIAL NUMBER": cdb(0xAB, 1, size=12),
        "PERSISTENT RESERVE IN: key": cdb(0x5E, 0), "READ ATTRIBUTE": cdb(0x8C, size=16),
    }  # fmt: skip
    lead = {
        0x25: struct.pack(">II", 65535, 512), 0xA0: struct.pack(">I4x8x", 8), 0x03: wire.fixed_sense(5, 0x24),
        0x51: struct.pack(">H", 32) + bytes(22), 0x23: struct.pack(">4xIHH", 0, 0, 0)[:4] + b"\0\0\0\x08" + bytes(8),
        0x4A: bytes(8), 0x52: struct.pack(">H", 34) + bytes(34), 0x42: b"\0\x15\0\x14\x02\0\0\0\x80",
        0x43: b"\0\x12\1\1\x80\0\0\0", 0x46: struct.pack(">I4xHBB", 20, 0xFF00, 3, 8), 0x9E: bytes(32),
    }  # fmt: skip
    for place, block in ins.items():
        one.command(block, data_in=lead.get(block[0], bytes(8)) + garden.raw(place))
    for place, block, head in (
        ("MODE SELECT(6): a vendor's page", cdb(0x15, 0x10, size=6), 4),
        ("MODE SELECT(10): a vendor's page", cdb(0x55, 0x10), 8),
    ):
        one.command(block, data_out=bytes(head) + b"\x08\x0a" + bytes(10) + b"\x20\x08" + garden.raw(place))
    outs = {
        "MODE SELECT(6): no page at all": cdb(0x15, 0x10, size=6), "MODE SELECT(10): none either": cdb(0x55, 0x10),
        "UNMAP: behind its ranges": cdb(0x42), "WRITE SAME(16)": cdb(0x93, size=16), "WRITE BUFFER": cdb(0x3B, 2),
        "FORMAT UNIT": cdb(4, 0x18, size=6), "SEND DIAGNOSTIC": cdb(0x1D, size=6), "a vendor's command: out": cdb(0xD1),
        "COMPARE AND WRITE": cdb(0x89, size=16), "MAINTENANCE OUT: identifying text": cdb(0xA4, 6, size=12),
        "SECURITY PROTOCOL OUT: password": cdb(0xB5, 1, size=12), "PERSISTENT RESERVE OUT": cdb(0x5F, 0),
        "VERIFY(10) with data": cdb(0x2F, 2), "LOG SELECT": cdb(0x4C), "START STOP UNIT: not due": cdb(0x1B, size=6),
        "SYNCHRONIZE CACHE: not due": cdb(0x35),
    }  # fmt: skip
    for place, block in outs.items():
        one.command(block, data_out=bytes(8) + garden.raw(place))


def _transfers(one: Host, garden: Garden) -> None:
    """Data in odd places of the transport."""
    one.execute(wire.read_capacity10())
    ready = wire.cbw(one.tag, 0, 0, 0, wire.test_unit_ready())
    one.command(wire.test_unit_ready(), cbw=ready[:22] + garden.raw("CBW: behind the command block", 9))
    ready = wire.cbw(one.tag, 0, 0, 0, wire.test_unit_ready())
    one.command(wire.test_unit_ready(), cbw=ready + garden.raw("CBW: behind its end"))
    one.command(wire.test_unit_ready(), csw=wire.csw(one.tag, 0, 0) + garden.raw("CSW: behind its end"),
                status_length=64)  # fmt: skip
    block = lambda place: garden.raw(place).ljust(512, b".")  # noqa: E731
    one.command(wire.read10(5), data_in=block("a block that was read"))
    one.command(wire.read10(5), data_in=block("a block that was read in two transfers"), split=256)
    one.command(wire.write10(5), data_out=block("a block that was written"))
    one.command(wire.write10(6), data_out=block("a block that was refused"), status=1, stall_data=True)
    one.command(wire.read10(6), data_in=block("data of a read that failed"), status=1)
    one.command(wire.read10(7), data_in=block("a read") + block("more than was asked for"), expected=1024)
    one.command(wire.read10(7), data_in=garden.raw("less than a block"), expected=512, residue=0)
    for number, mark in enumerate((b"USBC", b"USBS")):
        alike = mark + bytes(8) + garden.raw(f"a block that looks like a wrapper {number}")
        one.command(wire.read10(8 + number), data_in=alike.ljust(512, b"."))
    one.bulk(one.bulk_in, 512, b"USBS" + bytes(40) + garden.raw("stray data that looks like a CSW"))
    one.bulk(one.bulk_out, 512, b"USBC" + bytes(40) + garden.raw("stray data that looks like a CBW"))
    one.bulk(one.bulk_in, 512, garden.raw("stray data"))
    one.bulk(one.bulk_out, 64, garden.raw("another endpoint: out"), status=-32)
    for number, kind in ((9, 1), (10, 3), (11, 0)):
        if kind == 0:
            continue
        one.half("S", kind, 0x84, 64, id=900 + number, address=number, interval=1)
        one.half("C", kind, 0x84, 8, id=900 + number, address=number, interval=1, status=0,
                 data=garden.raw(f"another device's data: kind {kind}"))  # fmt: skip
    one.half("S", 3, 0x05, 8, id=950, address=12, data=garden.raw("another device's data: never completed"))
    one.half("C", 3, 0x86, 8, id=951, address=12, data=garden.raw("another device's data: never submitted"), status=0)


def volume(garden: Garden, name: str) -> Recorder:
    """A volume with markers in its names, files and corners; all of it that is not zero is read, some written."""
    image = _IMAGES[name](garden)
    medium = Medium(len(image) // 512)
    one = Host(Recorder(), Stick(Identity(), [Unit(medium)]))
    one.enumerate()
    one.execute(wire.read_capacity10())
    wanted = [lba for lba in range(len(image) // 512) if any(image[lba * 512 : lba * 512 + 512])]
    for lba in wanted:
        medium.write(lba, bytes(image[lba * 512 : lba * 512 + 512]))
    at = 0
    while at < len(wanted):
        count = 1
        while at + count < len(wanted) and wanted[at + count] == wanted[at] + count and count < 16:
            count += 1
        one.execute(wire.read10(wanted[at], count))
        at += count
    for lba in wanted[::3]:
        one.execute(wire.write10(lba), data_out=medium.read(lba))
    return one.recorder


def fat_image(garden: Garden, name: str) -> bytearray:
    """A FAT sample with more in it: names, deleted ones, labels, slack, reserved places."""
    image = sample(name)
    reserved, fats, entries, size16 = struct.unpack_from("<HBH", image, 14) + struct.unpack_from("<H", image, 22)
    wide = not size16
    size = size16 or struct.unpack_from("<I", image, 36)[0]
    cluster = image[13] * 512
    root = (reserved + fats * size) * 512
    heap = root + entries * 32
    at = 71 if wide else 43
    image[3:11] = garden.raw("FAT: formatter's name")
    image[at : at + 11] = garden.raw("FAT: label in the boot sector", 11)
    image[300:308] = garden.raw("FAT: boot code")
    if wide:
        image[52:60] = garden.raw("FAT: reserved bytes")
        image[512 + 40 : 512 + 48] = garden.raw("FAT: FSInfo, reserved")
        image[512 + 496 : 512 + 504] = garden.raw("FAT: FSInfo, behind")
        image[1024 + 100 : 1024 + 108] = garden.raw("FAT: third boot sector")
        image[6 * 512 : 7 * 512] = image[:512]
        image[6 * 512 + 320 : 6 * 512 + 328] = garden.raw("FAT: boot code of the backup")
        image[9 * 512 : 9 * 512 + 8] = garden.raw("FAT: reserved sector")
    slots = bytearray()
    slots += garden.raw("FAT: label in the root", 11) + b"\x08" + bytes(20)
    slots += b"\xe5" + garden.raw("FAT: label that was deleted", 10)[:10] + b"\x08" + bytes(20)
    slots += garden.raw("FAT: short name", 8) + b"TXT\x20" + bytes(20)
    slots += b"\xe5" + garden.raw("FAT: deleted short name", 10) + b"\x20" + bytes(20)
    slots += _long(garden.wide("FAT: long name") + "  .csv".encode("utf-16-le"), b"LEVELS~1CSV", 1, 0x41)
    slots += b"LEVELS~1CSV\x20" + bytes(20)
    slots += (
        _long(garden.wide("FAT: deleted long name"), b"OLDONE~1CSV", 0xE5, 0xE5) + b"\xe5LDONE~1CSV\x20" + bytes(20)
    )
    slots += _long(garden.wide("FAT: long name without a short one"), b"GONEONE CSV", 1, 0x41)
    here = heap if wide else root
    free = next(i for i in range(0, 512, 32) if not image[here + i])
    end = here + free + len(slots)
    image[here + free : end] = slots
    image[end + 32 : end + 40] = garden.raw("FAT: behind the end of a directory")
    last = heap + 40 * cluster
    image[last : last + 8] = garden.raw("FAT: a free cluster")
    image[last + 512 : last + 1024] = (garden.raw("FAT: a free cluster of text") * 64)[:512]
    tail = root - 16
    image[tail : tail + 8] = garden.raw("FAT: behind the last entry of a FAT")
    return image


def _long(text: bytes, short: bytes, first: int, last: int) -> bytes:
    """One long name entry (FAT specification)."""
    total = 0
    for byte in short:
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    units = (text + b"\0\0").ljust(26, b"\xff")[:26] if len(text) < 26 else text[:26]
    return struct.pack("<B10sBBB12sH4s", last, units[:10], 0x0F, 0, total, units[10:22], 0, units[22:])


def exfat_image(garden: Garden) -> bytearray:
    """An exFAT sample with more in it."""
    from test_volume_files import MAKER

    image = sample("exfat")
    writer = MAKER.ExfatWriter(image)
    writer.enter(writer.root, garden.plant("exFAT: name") + " of a file.txt", garden.raw("exFAT: content"))
    writer.enter(writer.root, garden.plant("exFAT: deleted name") + ".txt", garden.raw("exFAT: deleted content"))
    at = writer.at(writer.root) + writer.slots[writer.root] - 96
    for slot in range(3):
        image[at + 32 * slot] &= 0x7F
    root = writer.at(writer.root)
    label = next(i for i in range(0, 512, 32) if image[root + i] | 0x80 == 0x83)
    text = garden.wide("exFAT: label")
    image[root + label : root + label + 2 + len(text)] = bytes([0x83, len(text) // 2]) + text
    end = writer.at(writer.root) + writer.slots[writer.root]
    image[end : end + 32] = b"\xa0\0\0\0\0\0" + garden.raw("exFAT: volume GUID", 16) + bytes(10)
    image[end + 32 : end + 64] = b"\xe0\0" + garden.raw("exFAT: vendor extension", 16) + bytes(14)
    image[end + 96 : end + 104] = garden.raw("exFAT: behind the end of a directory")
    image[200:208] = garden.raw("exFAT: boot code")
    image[512 + 8 : 512 + 16] = garden.raw("exFAT: extended boot sector")
    image[9 * 512 + 64 : 9 * 512 + 72] = garden.raw("exFAT: OEM parameters")
    image[10 * 512 : 10 * 512 + 8] = garden.raw("exFAT: reserved sector")
    total = 0
    for index, byte in enumerate(image[: 11 * 512]):
        if index not in (106, 107, 112):
            total = ((total & 1) << 31) + (total >> 1) + byte & 0xFFFFFFFF
    image[11 * 512 : 12 * 512] = struct.pack("<I", total) * 128
    image[12 * 512 : 24 * 512] = image[: 12 * 512]
    return image


def gpt_image(garden: Garden) -> bytearray:
    """A GPT sample with names, GUIDs and boot code."""
    image = sample("gpt")
    text = garden.wide("GPT: name")
    image[1024 + 56 : 1024 + 56 + len(text)] = text
    image[1024 + 16 : 1024 + 32] = garden.raw("GPT: GUID of a partition", 16)
    image[512 + 56 : 512 + 72] = garden.raw("GPT: GUID of the disk", 16)
    image[512 + 200 : 512 + 208] = garden.raw("GPT: behind the header")
    image[1024 + 128 * 3 + 56 : 1024 + 128 * 3 + 72] = garden.wide("GPT: unused entry")
    image[100:108] = garden.raw("MBR: boot code of a GPT disk")
    return image


def mbr_image(garden: Garden) -> bytearray:
    """An MBR sample with boot code and something behind the table."""
    image = sample("mbr")
    image[120:128] = garden.raw("MBR: boot code")
    image[5 * 512 : 5 * 512 + 8] = garden.raw("MBR: before the first partition")
    return image


def other_image(garden: Garden, kind: str) -> bytearray:
    """The first structures of file systems that are only recognised, with markers in all that names something."""
    image = bytearray(1 << 17)
    places = {
        "NTFS": {80: "boot code", 400: "more boot code", 512 + 6: "second sector"},
        "ext": {1024 + 120: "label", 1024 + 136: "last mounted on", 1024 + 104: "UUID", 1024 + 208: "journal UUID",
                1024 + 512: "mount options", 1024 + 256: "hash seed"},
        "HFS+": {1024 + 80: "finder information", 1024 + 300: "behind the header"},
        "APFS": {72: "UUID", 300: "behind"},
        "ISO 9660": {32768 + 8: "system", 32768 + 40: "label", 32768 + 190: "volume set", 32768 + 318: "publisher",
                     32768 + 446: "preparer", 32768 + 574: "application", 32768 + 883: "application use",
                     34816 + 40: "second descriptor"},
    }  # fmt: skip
    marks = {"NTFS": (3, b"NTFS    "), "ext": (1080, b"\x53\xef"), "HFS+": (1024, b"H+\0\4"), "APFS": (32, b"NXSB"),
             "ISO 9660": (32769, b"CD001")}  # fmt: skip
    if kind == "NTFS":
        image[510:512] = b"\x55\xaa"
    if kind == "ISO 9660":
        image[34817:34822] = b"CD001"
    for place, what in places[kind].items():
        image[place : place + 8] = garden.raw(f"{kind}: {what}")
    at, mark = marks[kind]
    image[at : at + len(mark)] = mark
    return image


_IMAGES: dict[str, Callable[[Garden], bytearray]] = {
    **{name: (lambda garden, name=name: fat_image(garden, name)) for name in ("fat12", "fat16", "fat32")},  # type: ignore[misc]
    "exfat": exfat_image, "gpt": gpt_image, "mbr": mbr_image,
    **{kind: (lambda garden, kind=kind: other_image(garden, kind))  # type: ignore[misc]
       for kind in ("NTFS", "ext", "HFS+", "APFS", "ISO 9660")},
}  # fmt: skip
"""Volume -> its image."""

SCENES: dict[str, Callable[[Garden], Recorder]] = {
    "device": device,
    **{name: (lambda garden, name=name: volume(garden, name)) for name in _IMAGES},  # type: ignore[misc]
}
"""What is recorded."""
