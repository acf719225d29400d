"""The workshop against published bytes, against scapy's reader, and against the traces that are committed."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import zlib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

import make_demo
from bench.make_big import write_big
from workshop import FatVolume, Half, Host, Identity, Medium, Recorder, Stick, Unit, fat, merge, session, tables, wire
from workshop.scenes_faults import bad_sector, counterfeit
from workshop.scenes_healthy import stall_recovery

TRACES = Path(__file__).resolve().parents[1] / "traces"


def fresh(**options: Any) -> Host:
    """A host with a blank stick, already addressed."""
    host = Host(Recorder(**options), Stick(Identity(), [Unit(Medium(1000))]))
    host.stick.address = 2
    return host


def csws(recorder: Recorder) -> list[tuple[int, int, int]]:
    """Tag, residue and status of every CSW, found by signature and length alone."""
    data = [half.data for half in recorder.halves if half.event == "C" and len(half.data) == 13]
    return [struct.unpack("<4xIIB", csw) for csw in data if csw[:4] == b"USBS"]


def test_usbmon_text_of_the_kernel_documentation() -> None:
    """Kernel documentation, usbmon: GET_STATUS of port 3 on bus 1."""
    setup = wire.port_status(3)
    recorder = Recorder()
    recorder.add(Half(3_575_914_555_000, "S", 0xD5EA89A0, 2, 0x80, 1, 1, -115, 4, setup=setup))
    recorder.add(Half(3_575_914_560_000, "C", 0xD5EA89A0, 2, 0x80, 1, 1, 0, 4, data=bytes.fromhex("01050000")))
    assert recorder.usbmon_text().splitlines() == [
        "d5ea89a0 3575914555 S Ci:1:001:0 s a3 00 0000 0003 0004 4 <",
        "d5ea89a0 3575914560 C Ci:1:001:0 0 4 = 01050000",
    ]
    assert recorder.usbmon_text(bus_numbers=False).splitlines()[0].split()[3] == "Ci:001:00"


def test_usbmon_text_of_a_cbw_in_the_kernel_documentation() -> None:
    """Kernel documentation, usbmon: a CBW to device 5. Its clock stands beyond 4096 s, where today's kernel wraps."""
    cdb = bytes.fromhex("28200000002000004000")
    wrapper = wire.cbw(0xAD, 32768, 0x80, 1, cdb)
    recorder = Recorder()
    recorder.add(Half(0, "S", 0xDD65F0E8, 3, 0x02, 5, 1, -115, 31, data=wrapper))
    recorder.add(Half(0, "C", 0xDD65F0E8, 3, 0x02, 5, 1, 0, 31))
    submitted, completed = recorder.usbmon_text().splitlines()
    assert submitted.split(maxsplit=2)[2] == (
        "S Bo:1:005:2 -115 31 = 55534243 ad000000 00800000 80010a28 20000000 20000040 00000000 000000"
    )
    assert completed.split(maxsplit=2)[2] == "C Bo:1:005:2 0 31 >"


def test_binary_record_follows_the_kernel_documentation() -> None:
    """Kernel documentation, usbmon, "struct usbmon_packet": offsets and sizes, one field a line."""
    recorder = Recorder()
    recorder.add(
        Half(1_000_000_002_000, "S", 0x0102030405060708, 2, 0x80, 5, 1, -115, 4, setup=wire.port_status(3), flags=0x200)
    )
    record = recorder.pcap()[24 + 16 :]
    assert record == bytes.fromhex(
        "0807060504030201"  # id
        "53"  # type "S"
        "02"  # xfer_type: control
        "80"  # epnum: IN
        "05"  # devnum
        "0100"  # busnum
        "00"  # flag_setup: present
        "3c"  # flag_data: "<", an IN submission
        "e803000000000000"  # ts_sec
        "02000000"  # ts_usec
        "8dffffff"  # status -115
        "04000000"  # length
        "00000000"  # len_cap
        "a300000003000400"  # setup
        "00000000"  # interval
        "00000000"  # start_frame
        "00020000"  # xfer_flags
        "00000000"  # ndesc
    )


def test_windows_record() -> None:
    """Link type 249, as its description has it: 27 bytes packed, a stage byte more for control; little-endian."""
    host = fresh(link_type=249, order=">")
    host.command(wire.test_unit_ready(), stall_status=True)
    records, pcap, at = [], host.recorder.pcap(), 24
    while at < len(pcap):
        size = struct.unpack_from(">I", pcap, at + 8)[0]
        records.append(pcap[at + 16 : at + 16 + size])
        at += 16 + size
    ident = host.command_id.to_bytes(8, "little").hex()
    assert (
        records[3].hex()
        == (
            "1b00"  # headerLen
            + ident  # irpId
            + "040000c0"  # status: stalled
            + "0900"  # function: bulk or interrupt
            "01"  # info: coming back
            "0100"  # bus
            "0200"  # device
            "81"  # endpoint
            "03"  # transfer: bulk
            "00000000"  # dataLength
        )
    )
    assert struct.unpack_from("<H", records[4], 14)[0] == 0x1E  # synchronous reset of the pipe and its stall
    host.ask(wire.get_max_lun())
    assert host.recorder.pcap().endswith(bytes.fromhex("0300"))  # stage "complete", then the answer


@pytest.mark.parametrize("link_type", [189, 220])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nanosecond", [False, True])
def test_scapy_reads_what_was_recorded(link_type: int, order: str, nanosecond: bool) -> None:
    """Another hand's reader finds every record, its clock and its bytes."""
    from scapy.utils import RawPcapReader

    host = Host(Recorder(link_type, order, nanosecond), Stick(Identity(), [Unit(Medium(1000))]))
    host.enumerate()
    host.execute(wire.read10(0, 8))
    halves = host.recorder.halves
    reader: Any = RawPcapReader(io.BytesIO(host.recorder.pcap()))  # type: ignore[arg-type]
    assert reader.linktype == link_type
    frames = list(reader)
    assert len(frames) == len(halves)
    size, tick = {189: 48, 220: 64}[link_type], 1 if nanosecond else 1000
    for (data, meta), half in zip(frames, halves, strict=True):
        assert data[size:] == half.data
        assert meta.sec * 1_000_000_000 + meta.usec * tick == half.time_ns // tick * tick
        identity, event, kind, endpoint, address, bus = struct.unpack_from(order + "QcBBBH", data)
        assert (identity, event.decode(), kind, endpoint, address, bus) == (
            half.id, half.event, half.kind, half.endpoint, half.address, half.bus,
        )  # fmt: skip


def test_requests_as_the_standards_print_them() -> None:
    """BOT 1.0 3.1 and 3.2, USB 2.0 9.4.1 (last from memory)."""
    assert wire.class_reset(3).hex() == "21ff000003000000"
    assert wire.get_max_lun(0).hex() == "a1fe000000000100"
    assert wire.clear_halt(0x81).hex() == "0201000081000000"


def test_wrappers_as_the_standard_prints_them() -> None:
    """BOT 1.0 Tables 5.1 and 5.2."""
    assert wire.cbw(1, 512, 0x80, 0, wire.read10(2048)) == bytes.fromhex(
        "55534243"  # dCBWSignature
        "01000000"  # dCBWTag
        "00020000"  # dCBWDataTransferLength
        "80"  # bmCBWFlags: IN
        "00"  # bCBWLUN
        "0a"  # bCBWCBLength
        "28000000080000000100"  # READ(10), big-endian
        "000000000000"  # rest of CBWCB
    )
    assert wire.csw(1, 0xB0, 1).hex() == "5553425301000000b000000001"


def test_sense_data() -> None:
    """SPC-3 4.5.3: fixed format; INFORMATION counts only with VALID."""
    assert wire.fixed_sense(6, 0x28, 0).hex(" ") == "70 00 06 00 00 00 00 0a 00 00 00 00 28 00 00 00 00 00"
    assert wire.fixed_sense(3, 0x11, 0, 0x93A).hex(" ") == "f0 00 03 00 00 09 3a 0a 00 00 00 00 11 00 00 00 00 00"


def test_knobs_of_the_recorder() -> None:
    """Snap length, the kernel's own limit, lost records, damage: each changes what it says and nothing else."""
    host = fresh(snap_length=128)
    host.command(wire.read10(0), data_in=bytes(512))
    pcap = host.recorder.pcap()
    at = 24 + (16 + 95) + (16 + 64) + (16 + 64)
    assert struct.unpack_from("<II", pcap, at + 8) == (128, 576)
    host.recorder.snap_length, host.recorder.event_limit = 65_535, 100
    assert struct.unpack_from("<II", host.recorder.pcap(), at + 8) == (164, 576)
    assert struct.unpack_from("<II", host.recorder.pcap(), at + 16 + 32) == (512, 100)
    whole = host.recorder.pcap()
    host.recorder.flip(1, 64, 0x01)
    assert [(n, a ^ b) for n, (a, b) in enumerate(zip(whole, host.recorder.pcap(), strict=True)) if a != b] == [
        (24 + 16 + 64, 1)
    ]
    before = len(host.recorder.halves)
    assert host.recorder.drop(2).event == "C"
    assert len(host.recorder.halves) == before - 1


def test_merge_keeps_the_order_of_time() -> None:
    """Two sticks recorded apart become one recording."""
    one, two = fresh(), fresh()
    for host in (one, two):
        host.command(wire.test_unit_ready())
    merged = merge(one.recorder, two.recorder)
    assert len(merged.halves) == 8
    assert all(a.time_ns <= b.time_ns for a, b in pairwise(merged.halves))


@pytest.mark.parametrize(
    ("oddity", "seen"),
    [
        ({}, ["C 2 0 31", "C 81 0 512", "C 81 0 13"]),
        ({"split": 200}, ["C 2 0 31", "C 81 0 200", "C 81 0 200", "C 81 0 112", "C 81 0 13"]),
        ({"zero_length": True}, ["C 2 0 31", "C 81 0 512", "C 81 0 0", "C 81 0 13"]),
        ({"stall_status": True}, ["C 2 0 31", "C 81 0 512", "C 81 -32 0", "C 0 0 0", "C 81 0 13"]),
        ({"csw_in_data": True}, ["C 2 0 31", "C 81 -121 13"]),
        ({"csw": bytes(12)}, ["C 2 0 31", "C 81 0 512", "C 81 0 12"]),
        ({"no_status": True}, ["C 2 0 31", "C 81 0 512"]),
        ({"command_error": -71}, ["C 2 -71 0"]),
        ({"data_error": -110}, ["C 2 0 31", "C 81 -110 512"]),
        ({"status_error": -104}, ["C 2 0 31", "C 81 0 512", "C 81 -104 0"]),
    ],
)
def test_oddities(oddity: dict[str, Any], seen: list[str]) -> None:
    """Each departs in one place. Completions as event, endpoint, status, length."""
    host = fresh()
    host.command(wire.read10(0), data_in=bytes(512), **oddity)
    done = [half for half in host.recorder.halves if half.event == "C"]
    assert [f"C {half.endpoint:x} {half.status} {half.length}" for half in done] == seen


def test_writes_carry_their_data_on_the_submission() -> None:
    """Kernel documentation, usbmon: data rides on OUT submissions and IN completions."""
    host = fresh()
    host.execute(wire.write10(5), data_out=b"\xa5" * 512)
    assert [len(half.data) for half in host.recorder.halves] == [31, 0, 512, 0, 0, 13]
    assert host.execute(wire.read10(5)).data == b"\xa5" * 512


def test_thirteen_cases() -> None:
    """BOT 1.0 6.7 (required behaviour from memory): status and residue of cases 1 to 13, in order."""
    case = {tag: (residue, status) for tag, residue, status in csws(stall_recovery())}
    statuses = {1: 0, 2: 2, 3: 2, 4: 0, 5: 0, 6: 0, 7: 2, 8: 2, 9: 0, 10: 2, 11: 0, 12: 0, 13: 2}
    assert {number: case[number][1] for number in statuses} == statuses
    counts = {1: 0, 4: 512, 5: 512 - 36, 6: 0, 9: 512, 11: 512, 12: 0}
    assert {number: case[number][0] for number in counts} == counts


def test_bad_sector_names_its_lba() -> None:
    """SBC: INFORMATION holds the LBA of the first block in error; four tries, each with sense."""
    sense = [half.data for half in bad_sector().halves if half.data[:1] == b"\xf0" and len(half.data) == 18]
    first = session.runs(session.tide_volume(), "/LEVELS/2031-04.CSV")[0][0]
    assert [struct.unpack_from(">I", data, 3)[0] for data in sense] == [first + 5] * 4


def test_counterfeit_overwrites_the_first_fat() -> None:
    """The second read of the first FAT sector returns what was written to an LBA half the capacity higher."""
    halves = counterfeit().halves
    volume = session.tide_volume()
    wanted = wire.read10(volume.fat_lba)
    places = [n for n, half in enumerate(halves) if half.data[15:25] == wanted]
    before, after = (halves[place + 3].data for place in places)
    assert before[:4] == b"\xf8\xff\xff\xff"
    assert after == next(
        half.data[:512]
        for command, half in zip(halves, halves[2:], strict=False)
        if command.data[15:21] == wire.write10(volume.fat_lba + session.BLOCKS // 2)[:6]
    )


def test_long_name_checksum() -> None:
    """FAT specification, ChkSum; values recomputed independently."""
    assert fat.checksum(b"THEQUI~1FOX") == 0x07
    assert fat.checksum(b"README  TXT") == 0x73
    assert fat.checksum(b"FILENAMETXT") == 0x3A


def test_fat_width_follows_the_cluster_count() -> None:
    """FAT specification: fewer than 4085 clusters are FAT12."""
    assert FatVolume(0, 8192).bits == 12
    assert FatVolume(0, 129_024).bits == 16


@pytest.mark.parametrize("sectors", [8192, 129_024])
def test_volume_is_sound_to_other_tools(sectors: int, tmp_path: Path) -> None:
    """fsck.fat and mtype, where installed, find no fault and read the files back."""
    if not shutil.which("fsck.fat") or not shutil.which("mtype"):
        pytest.skip("dosfstools and mtools are not installed")
    volume = FatVolume(0, sectors)
    text = session.levels("QUAY-3", 6)
    volume.add("/LEVELS")
    volume.add("/LEVELS/Harbour datum notes.txt", b"mark 7\r\n" * 9)
    volume.add("/LEVELS/2031-04.CSV", text)
    volume.add("/OLD.TXT", b"gone")
    volume.append("/LEVELS/2031-04.CSV", text)
    volume.delete("/OLD.TXT")
    content = volume.sectors()
    image = tmp_path / "volume.img"
    image.write_bytes(b"".join(content.get(lba, bytes(512)) for lba in range(sectors)))
    found = subprocess.run(["fsck.fat", "-n", str(image)], capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout
    for name, data in (("2031-04.CSV", text * 2), ("Harbour datum notes.txt", b"mark 7\r\n" * 9)):
        read = subprocess.run(["mtype", "-i", str(image), f"::/LEVELS/{name}"], capture_output=True, check=True)
        assert read.stdout == data


def test_appending_over_the_bus_leaves_the_volume_as_planned() -> None:
    """What the host wrote, block by block, is what the builder says stands on the medium."""
    volume = session.tide_volume()
    medium = session.tide_medium(volume)
    host = Host(Recorder(), Stick(Identity(), [Unit(medium)]))
    assert session.append(host, volume, "/LEVELS/2031-04.CSV", session.levels("QUAY-3", 3, 13))
    assert {lba: data for lba, data in medium.sectors.items() if lba} == volume.sectors()


@pytest.mark.parametrize("size", [512, 1024])
def test_big_captures_count_up(size: int) -> None:
    """scapy reads as many records as were asked for; tags, addresses and clock go up."""
    from scapy.utils import RawPcapReader

    out = io.BytesIO()
    write_big(out, 70, size)
    reader: Any = RawPcapReader(io.BytesIO(out.getvalue()))  # type: ignore[arg-type]
    frames = list(reader)
    times = [(meta.sec, meta.usec) for _, meta in frames]
    assert times == sorted(times)
    assert all((meta.sec, meta.usec) == struct.unpack_from("<qi", data, 16) for data, meta in frames)
    reads = frames[-6 * 70 :]
    commands, statuses = reads[::6], reads[5::6]
    first = struct.unpack_from("<I", commands[0][0], 68)[0]
    for number, ((command, _), (status, _)) in enumerate(zip(commands, statuses, strict=True)):
        assert command[64:] == wire.cbw(first + number, size, 0x80, 0, wire.read10(number * size // 512, size // 512))
        assert status[64:] == wire.csw(first + number)
    assert all(len(data) == 64 + size for data, _ in reads[3::6])


def test_gpt_checksums() -> None:
    """UEFI 5.3.2: HeaderCRC32 over the header with itself zero; an empty entry array of 16384 bytes is AB54D286h."""
    assert zlib.crc32(bytes(16_384)) == 0xAB54D286
    sectors = tables.gpt(131_072, 2048, 131_038, "TIDEPIER")
    for lba, table in ((1, 2), (131_071, 131_039)):
        head = sectors[lba][:92]
        stored = struct.unpack_from("<I", head, 16)[0]
        entries_at, entries_crc = struct.unpack_from("<Q8xI", head, 72)
        assert zlib.crc32(head[:16] + bytes(4) + head[20:]) == stored
        assert entries_at == table
        assert zlib.crc32(b"".join(sectors[table + n] for n in range(32))) == entries_crc
    assert sectors[0][446 + 4] == 0xEE


def test_demo_traces_are_what_the_script_makes() -> None:
    """The committed files, and no others, and none large."""
    built = make_demo.build()
    assert {path.name for path in make_demo.DEMO.iterdir()} == set(built)
    for name, data in built.items():
        assert (make_demo.DEMO / name).read_bytes() == data, f"run traces/make_demo.py: {name} differs"
        assert len(data) < 200_000


@pytest.mark.parametrize("name", sorted(make_demo.SCENES))
def test_every_scene_keeps_time_and_completes(name: str) -> None:
    """The clock never goes back; every submission of a device's own transfers is completed, on the same endpoint."""
    waiting: dict[int, Half] = {}
    halves = make_demo.SCENES[name]().halves
    assert all(a.time_ns <= b.time_ns for a, b in pairwise(halves))
    for half in halves:
        if half.event == "S":
            assert half.id not in waiting
            waiting[half.id] = half
        else:
            assert waiting.pop(half.id).endpoint == half.endpoint
    assert all(half.kind == 1 for half in waiting.values())  # the hub's status change read goes on waiting
    assert name in (TRACES / "README.md").read_text()
