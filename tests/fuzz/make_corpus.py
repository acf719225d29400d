"""Writes tests/fuzz/corpus: small inputs for the fuzzer to begin with, made by the workshop. ``python
tests/fuzz/make_corpus.py`` writes the same bytes every time."""

from __future__ import annotations

import shutil
import struct
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "traces"), str(HERE.parents[1] / "decoder")]

from breaking import VERBS, records_of  # noqa: E402
from targets import _PIECE, CORPUS  # noqa: E402

from probe import command, enumerate_stick, read10  # noqa: E402
from sticktrace.board.profile import new_profile  # noqa: E402
from sticktrace.capture.logs.patterns import table  # noqa: E402
from test_capture_darwin import COMPLETED, SUBMITTED, TYPE_BULK, TYPE_CONTROL, record  # noqa: E402
from test_capture_pcapng import enhanced, interface, section  # noqa: E402
from workshop import FatVolume, Host, Identity, Medium, Recorder, Stick, Unit, session, wire  # noqa: E402
from workshop.bus import Bus  # noqa: E402
from workshop.unit import POWER_ON  # noqa: E402

PATTERNS = b"""[[pattern]]
name = "gauge: done"
means = "ended"
forms = ["pipe {endpoint:hex} done with {length} octets, {result}"]
says = "a transfer ended"
example = "pipe 81 done with 13 octets, result 0"
near = "pipe 81 done"

[[pattern]]
id = "own.unplugged"
kind = "unplugged"
forms = ["port {path}: ~device {address}~ gone"]
says = "the device is gone"
example = "port 1-1: device 5 gone"
near = "port 1-1: gone fishing"
source = "a board's own console"
"""
WORDS = (
    "command:read* lba:2048..4095",
    "status:bad slower:5ms",
    "sense:3/11/00 lun:1 device:1.4",
    "touches:FAT case:5",
)


def short(link_type: int = 220, snap: int = 96) -> Recorder:
    """Enumeration, a unit attention with its sense, capacity, a READ cut off by the recorder."""
    recorder = Recorder(link_type, snap_length=snap)
    host = Host(recorder, Stick(Identity(), [Unit(Medium(1000), attention=POWER_ON)]))
    host.enumerate()
    for block in (wire.inquiry(), wire.test_unit_ready(), wire.read_capacity10(), wire.read10(0)):
        host.execute(block)
    return recorder


def small_volume() -> FatVolume:
    """A FAT12 volume of 200 blocks with a directory, a file and one that was deleted."""
    volume = FatVolume(8, 200, sectors_per_cluster=1, root_entries=16)
    volume.add("/STATION.TXT", b"station QUAY-3, pier head\r\n")
    volume.add("/LEVELS")
    volume.add("/LEVELS/Harbour datum notes.txt", b"mark 7 " * 90)
    return volume


def mounted() -> Recorder:
    """A host that reads and lists the small volume."""
    volume = small_volume()
    recorder = Recorder()
    host = Host(recorder, Stick(Identity(), [Unit(session.tide_medium(volume))]))
    host.enumerate()
    for lba in (0, 8, 9, volume.root_lba, volume.data_lba):
        host.execute(wire.read10(lba))
    return recorder


def darwin() -> bytes:
    """A CBW, sense and a CSW as link type 266 records them."""
    cbw = struct.pack("<4sIIBBB16s", b"USBC", 1, 18, 0x80, 0, 6, b"\3\0\0\0\x12")
    sense = bytes.fromhex("70000600000000 0a 00000000 28 00 00000000")
    records = [
        record(SUBMITTED, 6, 0x80, TYPE_CONTROL, bytes.fromhex("a1fe000000000100")),
        record(COMPLETED, 6, 0x80, TYPE_CONTROL, b"\0"),
    ]
    for number, (endpoint, payload) in enumerate(((2, cbw), (0x81, sense), (0x81, b"USBS\1" + bytes(8))), 7):
        records.append(record(SUBMITTED, number, endpoint, TYPE_BULK, length=len(payload)))
        records.append(record(COMPLETED, number, endpoint, TYPE_BULK, payload))
    data = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, 266)
    for number, one in enumerate(records):
        data += struct.pack("<IIII", 1_927_368_000, number * 100, len(one), len(one)) + one
    return data


def as_pcapng(pcap: bytes, order: str) -> bytes:
    """The records of a pcap in blocks."""
    whole = section(order) + interface(order, 220)
    for number, (start, end) in enumerate(records_of(pcap)):
        whole += enhanced(pcap[start + 16 : end], number * 1000, order)
    return whole


def packets(speed: str, link_type: int) -> bytes:
    """A stick enumerated and read under a probe."""
    bus = Bus(speed, frames=False)
    enumerate_stick(bus)
    command(bus, 1, wire.inquiry(), b"\0\x80\x04\x02\x1f\0\0\0SKERRY  TIDE LOGGER     2.31")
    command(bus, 2, read10(0, 1), bytes(512), status=1)
    return bus.pcap(link_type)


def pieces(volume: FatVolume) -> bytes:
    """The sectors of a volume as `targets.on_a_volume` takes them, trailing zeros left out; the last one is written."""
    sectors = {0: session.master_boot_record((1, volume.first_lba, volume.total))} | volume.sectors()
    out = b"\0"
    for number, (lba, data) in enumerate(sorted(sectors.items())):
        kept = data.rstrip(b"\0")
        out += _PIECE.pack(lba, number == len(sectors) - 1, len(kept)) + kept
    return out


def build() -> dict[str, bytes]:
    """Path below the corpus -> bytes."""
    made = {f"pcap-{link_type}/short": short(link_type).pcap() for link_type in (189, 220, 249)}
    made |= {"pcap-220/volume": mounted().pcap(), "pcap-266/sense": darwin()}
    made |= {f"pcapng/{name}": as_pcapng(short().pcap(), order) for name, order in (("little", "<"), ("big", ">"))}
    for link_type, speed in ((288, "full"), (293, "low"), (294, "full"), (295, "high")):
        made[f"packets-{link_type}/stick"] = packets("full" if speed == "low" else speed, link_type)
    made |= {f"usbmon-{kind}/short": short().usbmon_text(kind == "u").encode() for kind in "tu"}
    made["hex/directed"] = short().hex_text().encode()
    examples = [example for row in table().patterns for example in row.examples]
    for number in range(0, len(examples), 20):
        made[f"log/{number // 20:02}"] = "\n".join(examples[number : number + 20]).encode() + b"\n"
    made |= {f"verbs/{number:02}": bytes((number,)) + short().pcap() for number in range(0, len(VERBS), 6)}
    made |= {"volume/fat12": pieces(small_volume()), "patterns/own": PATTERNS, "board/new": new_profile().encode()}
    made |= {f"words/{number}": words.encode() for number, words in enumerate(WORDS)}
    made |= {"screen/pages": bytes((0, *range(20, 60))), "screen/words": bytes((2, 240, 241, 250, 22))}
    return made


def main() -> None:
    """Writes the corpus anew."""
    shutil.rmtree(CORPUS, ignore_errors=True)
    for name, data in build().items():
        path = CORPUS / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


if __name__ == "__main__":
    main()
