"""Captures in which a marker stands in every place that can hold something private, and a search that finds markers in
whatever form they were copied.

A marker is a word of eight characters that occurs nowhere else; `Garden.plant` gives one and remembers its place. The
scenes are in `planted_scenes`; the containers around them are made by hand from their published layouts.
"""

from __future__ import annotations

import gzip
import io
import lzma
import re
import struct
from collections.abc import Iterable
from tempfile import NamedTemporaryFile

from workshop import Half, Recorder, wire
from workshop.bus import Bus


class Garden:
    """The markers of one scene, by place."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.at: dict[str, str] = {}

    def plant(self, place: str) -> str:
        """A new marker."""
        assert place not in self.at, place
        number = sum(map(ord, self.name)) % 26
        self.at[place] = f"ZQ{chr(71 + number % 19)}{len(self.at):03}KV"
        return self.at[place]

    def raw(self, place: str, size: int = 8) -> bytes:
        """The same as bytes, spaces behind it."""
        return self.plant(place).encode().ljust(size)

    def wide(self, place: str) -> bytes:
        """The same as UTF-16."""
        return self.plant(place).encode("utf-16-le")


# -- finding -----------------------------------------------------------------------------------------------------------


def faces(data: bytes) -> Iterable[bytes]:
    """The bytes as they are and as whatever they can be read as: unpacked, hex digits, names in directories."""
    yield data
    for unpack in (gzip.decompress, lzma.decompress) if data else ():
        try:
            yield from faces(unpack(data))
        except (OSError, EOFError, lzma.LZMAError, ValueError):
            continue
    digits = re.sub(rb"0x|[^0-9a-fA-F]", b"", data) if data.isascii() else b""
    yield bytes.fromhex(digits[: len(digits) & ~1].decode())
    lines = [re.sub(rb"[^0-9a-fA-F]", b"", words) for words in re.findall(rb"(?:[0-9a-fA-F]{2}[ ,]*){4,}", data)]
    yield b"\0\0".join(bytes.fromhex(line[: len(line) & ~1].decode()) for line in lines if digits)
    yield b"".join(_pieces(data, 0x0F, 11, ((1, 11), (14, 26), (28, 32))))
    yield b"".join(_pieces(data, 0xC1, 0, ((2, 32),)) + _pieces(data, 0x41, 0, ((2, 32),)))


def _pieces(data: bytes, mark: int, at: int, parts: tuple[tuple[int, int], ...]) -> list[bytes]:
    """What may be pieces of long names (FAT specification, long directory entries; exFAT 7.7)."""
    found, place = [], data.find(bytes([mark]))
    while place >= 0:
        slot = data[place - at : place - at + 32]
        found.append(b"".join(slot[low:high] for low, high in parts) + b"\0\0")
        place = data.find(bytes([mark]), place + 1)
    return found


def found(garden: Garden, *datas: bytes) -> set[str]:
    """The places whose markers can be read in any of these."""
    left = dict(garden.at)
    there: set[str] = set()
    for data in datas:
        for face in faces(data):
            small = face.lower()
            for place, marker in list(left.items()):
                word = marker.lower()
                tail = word[1:]  # of a deleted short name the first character is gone
                if any(w in small for w in (tail.encode(), tail.encode("utf-16-le"), tail.encode("utf-16-be"))):
                    there.add(place)
                    del left[place]
    return there


# -- forms -------------------------------------------------------------------------------------------------------------


def darwin(halves: Iterable[Half]) -> bytes:
    """Link type 266 (registry of link types): data that moved rides on the completion, what goes out on both."""
    out = struct.pack("<IHHIIII", 0xA1B23C4D, 2, 4, 0, 0, 1 << 18, 266)
    going: dict[int, bytes] = {}
    for half in halves:
        body = half.data
        if half.event == "S":
            going[half.id] = half.data
            body = (half.setup if half.kind == 2 else b"") + half.data
        elif not half.endpoint & 0x80:
            body = going.pop(half.id, b"")
        status = {0: 0, -32: 0xE000404F, -115: 0, -121: 0}.get(half.status, 0xE00002ED)
        head = struct.pack(
            "<HBBIIIQIBBBB", 0x0100, 32, half.event != "S", half.length, status, 0, half.id, half.bus << 24 | 0x100000,
            2, half.address, half.endpoint, {0: 1, 1: 3, 2: 0, 3: 2}[half.kind],
        )  # fmt: skip
        seconds, rest = divmod(half.time_ns, 10**9)
        out += struct.pack("<IIII", seconds, rest, len(head + body), len(head + body)) + head + body
    return out


def _block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    total = struct.pack(order + "I", 12 + len(body))
    return struct.pack(order + "I", kind) + total + body + total


def _option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def pcapng(garden: Garden, data: bytes, order: str = "<") -> bytes:
    """The records of a pcap with link type 220 as pcapng, with words wherever the draft has room for them, and a second
    interface of another network."""
    o = lambda code, place: _option(code, garden.raw(f"pcapng: {place}", 12), order)  # noqa: E731
    end = _option(0, b"", order)
    head = struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1)
    words = o(1, "comment") + o(2, "hardware") + o(3, "system") + o(4, "application") + o(2988, "custom text")
    out = _block(0x0A0D0D0A, head + words + end + garden.raw("pcapng: behind the options"), order)
    for number, link in enumerate((220, 1)):
        n = f" of interface {number}"
        words = o(2, "name" + n) + o(3, "description" + n) + o(11, "filter" + n) + o(12, "system" + n)
        words += o(15, "hardware" + n) + o(2989, "custom bytes" + n) + _option(9, b"\x09", order)
        out += _block(1, struct.pack(order + "HHI", link, 0, 1 << 18) + words + end, order)
    out += _block(4, struct.pack(order + "HH", 1, 16) + bytes(4) + garden.raw("pcapng: name of a host", 12), order)
    out += _block(0xBAD, struct.pack(order + "I", 32473) + garden.raw("pcapng: custom block"), order)
    out += _block(9, garden.raw("pcapng: journal of the system"), order)
    out += _block(5, struct.pack(order + "III", 0, 0, 0) + o(1, "comment of statistics") + end, order)
    at = 24
    number = 0
    while at + 16 <= len(data):
        seconds, fraction, captured, original = struct.unpack_from(order + "IIII", data, at)
        ticks = seconds * 10**9 + fraction * 1000
        body = data[at + 16 : at + 16 + captured]
        number += 1
        more = o(1, f"comment of packet {number}") + o(2988, f"custom text of packet {number}") if number < 4 else b""
        pad = b"Z" * (-len(body) % 4)
        out += _block(6, struct.pack(order + "IIIII", 0, ticks >> 32, ticks & 0xFFFFFFFF, captured, original)
                      + body + pad + (more + end if more else b""), order)  # fmt: skip
        if number in (3, 9):
            other = garden.raw(f"pcapng: packet {number} of another network", 64)
            out += _block(6, struct.pack(order + "IIIII", 1, ticks >> 32, ticks & 0xFFFFFFFF, 64, 64) + other, order)
        at += 16 + captured
    return out


def odd_records(garden: Garden, data: bytes) -> bytes:
    """A little-endian pcap of link type 220 with slack in a record, a record cut in its header, a repeated record, and
    a tail that is no record."""
    (captured,) = struct.unpack_from("<I", data, 24 + 8)
    first = data[24 + 16 : 24 + 16 + captured]
    slack = first + garden.raw("pcap: behind the data of a record")
    out = data[:24] + data[24:32] + struct.pack("<II", len(slack), len(slack)) + slack + data[24 + 16 + captured :]
    short = garden.raw("pcap: a record shorter than its header", 40)
    out += struct.pack("<IIII", 1_935_306_900, 0, len(short), len(short)) + short
    return out + struct.pack("<IIII", 1_935_306_900, 0, 900, 900) + garden.raw("pcap: a record that is cut off", 90)


def packets(garden: Garden, link_type: int, speed: str) -> bytes:
    """Packets of a stick with markers in strings, blocks, repeats, damage and an answer that came to nothing."""
    from probe import BULK_IN, STICK, command, enumerate_stick
    from workshop.bus import ACK, DATA0, DATA1, IN, OUT, data

    bus = Bus(speed, naks=1)
    enumerate_stick(bus)
    bus.control(STICK, bytes.fromhex("8006020309044000"), struct.pack("<BB", 18, 3) + garden.wide("packets: string"))
    answer = b"\0\x80\x04\x02\x1f\0\0\0" + garden.raw("packets: INQUIRY") + garden.raw("packets: product", 16) + b"2.31"
    command(bus, 1, wire.inquiry(), answer)
    for number in range(4):
        block = (garden.raw(f"packets: block {number}") * 64)[:512]
        command(bus, 2 + number, wire.read10(number), block)
        command(bus, 20 + number, wire.write10(number), (garden.raw(f"packets: written {number}") * 64)[:512],
                inward=False)  # fmt: skip
    pipe = bus.pipe(STICK, BULK_IN, True)
    lost = garden.raw("packets: an answer that was damaged", pipe.size)
    bus.transaction(IN, STICK, BULK_IN, data(pipe.toggle, lost)[:-1] + b"\0")
    bus.transaction(
        IN, STICK, BULK_IN, data(pipe.toggle ^ DATA0 ^ DATA1, garden.raw("packets: a repeat")), bytes((ACK,))
    )
    bus.transaction(OUT, 9, 2, data(DATA0, garden.raw("packets: another device's")))
    bus.transaction(IN, 9, 3, data(DATA0, garden.raw("packets: another device's answer")), bytes((ACK,)))
    bus.send(data(DATA0, garden.raw("packets: data without a token")))
    bus.send(garden.raw("packets: a packet of no known kind"))
    return bus.pcap(link_type)


def log(garden: Garden) -> bytes:
    """Lines of a kernel and of a board, with markers wherever a name can stand."""
    p = garden.plant
    stamp = f"Apr 30 09:00:00 {p('log: host name')} kernel:"
    mount = f"/media/{p('log: user')}/{p('log: label')}"
    return "\n".join((
        f"{stamp} [    1.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci",
        "[    1.100000] usb 1-1: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 2.31",
        f"[    1.200000] usb 1-1: Product: {p('log: product')}",
        f"[    1.200000] usb 1-1: Manufacturer: {p('log: manufacturer')}",
        f"[    1.200000] usb 1-1: SerialNumber: {p('log: serial number')}",
        "[    1.300000] usb-storage 1-1:1.0: USB Mass Storage device detected",
        "[    1.300000] scsi host6: usb-storage 1-1:1.0",
        f"[    2.300000] scsi 6:0:0:0: Direct-Access     {p('log: vendor')} {p('log: INQUIRY'):16} 2.31 PQ: 0 ANSI: 4",
        "[    2.400000] sd 6:0:0:0: [sdb] 131072 512-byte logical blocks: (67.1 MB/64.0 MiB)",
        f"[    3.000000] {p('log: a driver')}: something of its own {p('log: its words')}",
        f"[    3.100000] FAT-fs (sdb1): Volume was not properly unmounted. Some data may be corrupt. {p('log: tail')}",
        f"Apr 30 09:00:05 {p('log: host again')} udisksd[812]: Mounted /dev/sdb1 at {mount} on behalf of uid 1000",
        f"[    4.000000] EXT4-fs (sdb1): mounted filesystem {p('log: UUID')} with ordered data mode",
        f"f_open: {p('log: file')}.TXT: FR_NO_FILE (4)",
        f"login: {p('log: login')}",
        "[    9.000000] usb 1-1: USB disconnect, device number 5",
    )).encode() + b"\n"  # fmt: skip


def consoles(garden: Garden, text: str, form: str) -> bytes:
    """Lines of a text capture with a console's words between them, and in front of one."""
    lines = text.splitlines()
    lines[len(lines) // 2] = f"{garden.plant(f'console of {form}: in front')}@pier:~$ {lines[len(lines) // 2]}"
    for number in (len(lines), len(lines) * 2 // 3, len(lines) // 3, 0):
        lines.insert(number, f"# {garden.plant(f'console of {form}: comment at {number}')} of the harbour office")
        lines.insert(number, f"login {garden.plant(f'console of {form}: words at {number}')}, level 412 cm")
    return ("\n".join(lines) + "\n").encode()


def stream(halves: Iterable[Half]) -> bytes:
    """What read(2) gives from the kernel's binary device: the records of link type 189 without a container, and no
    more bytes than the header says (kernel documentation, usbmon)."""
    recorder = Recorder(189)
    recorder.halves = list(halves)
    data, at, out = recorder.pcap(), 24, b""
    while at + 16 <= len(data):
        (captured,) = struct.unpack_from("<I", data, at + 8)
        out += data[at + 16 : at + 16 + captured]
        at += 16 + captured
    return out


def big_endian() -> bytes:
    """The scene of a device as pcap in the other byte order, without markers of its own that are looked for."""
    from planted_scenes import device

    recorder = Recorder(220, ">")
    recorder.halves = device(Garden("swapped")).halves
    return recorder.pcap()


def forms_of(garden: Garden, recorder: Recorder) -> dict[str, bytes]:
    """A recording in every form."""
    plain = recorder.pcap()
    swapped, windows = Recorder(189, ">", True), Recorder(249)
    swapped.halves = windows.halves = recorder.halves
    return {
        "220": plain, "189 big-endian": swapped.pcap(), "249": windows.pcap(), "266": darwin(recorder.halves),
        "pcapng": pcapng(garden, plain), "odd records": odd_records(garden, plain), "gzip": gzip.compress(plain),
        "xz": lzma.compress(plain, preset=1), "usbmon text": consoles(garden, recorder.usbmon_text(), "usbmon"),
        "hex text": consoles(garden, recorder.hex_text(), "hex"), "packets": rendered(plain),
        "usbmon binary": stream(recorder.halves),
    }  # fmt: skip


def rendered(plain: bytes) -> bytes:
    """A recording of a host rendered as packets."""
    import sticktrace
    from sticktrace.output.packet_file import write

    out = io.BytesIO()
    with NamedTemporaryFile(suffix=".pcap") as source:
        source.write(plain)
        source.flush()
        with sticktrace.open(source.name) as capture:
            write(capture.reading(), out, "high")
    return out.getvalue()
