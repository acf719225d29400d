"""The kernel's binary device, read as the stream that read(2) gives: the same traffic as in the pcap of the same run.

Kernel documentation, usbmon, "Raw binary format and API": 48 bytes of header for read(2), which are the first 48 of the
64 that link type 220 has, then ``len_cap`` bytes of data; the header is in the byte order of the machine.
"""

from __future__ import annotations

import json
import struct
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import pytest
from click.testing import CliRunner
from scapy.utils import RawPcapReader

from conftest import ROOT, capture_bytes, capture_names
from sticktrace.capture import reader_of
from sticktrace.capture.usbmon_stream import order_of
from sticktrace.cli.main import cli

FIELDS = "QBBBBHbbqiiII8s"
KERNELS = [name for name in capture_names() if name.endswith("-usbmon.pcap")]
DEMO = ROOT / "traces" / "demo" / "bad-sector.pcap"


def stream(pcap: bytes, order: str = "") -> bytes:
    """What the kernel's device would have given out for a recording with link type 220, perhaps on another machine."""
    with RawPcapReader(BytesIO(pcap)) as reader:
        assert reader.linktype == 220
        written = reader.endian
        events = []
        with suppress(EOFError):
            while True:
                events.append(reader._read_packet(1 << 20)[0])  # its iteration cuts at 65,535 bytes
    out = []
    for data in events:
        fields = list(struct.unpack(written + FIELDS, data[:48]))
        fields[12] = len(data) - 64  # a recorder with a shorter snap length kept less than the kernel gave it
        out.append(struct.pack((order or written) + FIELDS, *fields) + data[64:])
    return b"".join(out)


def told(path: Path) -> list[dict[str, object]]:
    lines = CliRunner().invoke(cli, ["export", str(path)]).stdout.splitlines()
    return [fact for fact in map(json.loads, lines) if fact["kind"] != "capture"]


@pytest.mark.parametrize("name", KERNELS)
def test_the_same_as_in_the_pcap(name: str, tmp_path: Path) -> None:
    data = capture_bytes(name)
    (tmp_path / "whole.pcap").write_bytes(data)
    (tmp_path / "events").write_bytes(stream(data))
    assert told(tmp_path / "events") == told(tmp_path / "whole.pcap")


def test_the_other_byte_order(tmp_path: Path) -> None:
    for order in "<>":
        (tmp_path / order).write_bytes(stream(DEMO.read_bytes(), order))
        assert order_of((tmp_path / order).read_bytes()) == order
    assert told(tmp_path / "<") == told(tmp_path / ">") == told(DEMO)


def test_it_may_grow_byte_by_byte() -> None:
    data = stream(DEMO.read_bytes())[:4_000]
    whole = reader_of("events", data)
    expected = [*whole.transfers()]
    growing = reader_of("events", data[:200])
    found = []
    for end in range(200, len(data) + 1):
        growing.data = data[:end]
        found += growing.transfers()
    assert [(t.records, t.status, t.data_at, t.captured) for t in found] == [
        (t.records, t.status, t.data_at, t.captured) for t in expected
    ]


def test_the_beginning_alone_is_not_yet_known_and_text_never_is() -> None:
    data = stream(DEMO.read_bytes())
    assert not order_of(data[:47]) and order_of(data[:600])
    assert (
        not order_of(b"OUT 55 53 42 43 01 00 00 00 " * 40) and not order_of(bytes(4096)) and not order_of(b"\xff" * 999)
    )
    assert reader_of("events", data).form == "usbmon binary"


def test_a_hole_is_named_and_the_rest_still_read() -> None:
    data = stream(DEMO.read_bytes())
    with_hole = data[:5_000] + data[5_037:]
    reader = reader_of("events", with_hole)
    found = [*reader.transfers(), *reader.finish()]
    everything = [*reader_of("events", data).transfers()]
    assert len(found) > len(everything) - 6
    assert len(reader.damage) == 1 and "no event can be right here" in str(reader.damage[0])


def test_noise_inside_is_passed_over() -> None:
    data = stream(DEMO.read_bytes())
    whole = reader_of("events", data)
    transfers = whole.transfers()
    for _ in range(10):
        next(transfers)
    place = whole.position
    reader = reader_of("events", data[:place] + b"\x07" * 3_000_000 + data[place:])
    records = len([*reader.transfers()])
    assert records == len([*reader_of("events", data).transfers()])
    assert reader.damage


def test_a_cut_end_is_told() -> None:
    data = stream(DEMO.read_bytes())
    reader = reader_of("events", data[:-5])
    assert [*reader.transfers(), *reader.finish()]
    assert "cut off" in str(reader.damage[-1])


def test_contents_can_be_taken_out(tmp_path: Path) -> None:
    source, target = tmp_path / "events", tmp_path / "clean"
    source.write_bytes(stream((ROOT / "traces" / "demo" / "healthy-boot.pcap").read_bytes()))
    assert b"TIDEPIER" in source.read_bytes()
    done = CliRunner().invoke(cli, ["redact", str(source), str(target)])
    assert done.exit_code == 0, done.output
    cleaned = target.read_bytes()
    assert b"TIDEPIER" not in cleaned and len(cleaned) == source.stat().st_size
    assert [fact["kind"] for fact in told(target)][:20] == [fact["kind"] for fact in told(source)][:20]
