"""Reading in blocks against reading one by one: the latter is the definition, and nothing that either gives may differ.

Records are lost, doubled, moved, and their fields changed where exchanges agree, since that is where blocks could go
wrong. The least number of exchanges that is taken at once is set to one, so that every exchange has its chance.
"""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields
from itertools import zip_longest
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import capture_names, capture_path
from sticktrace import session
from sticktrace.capture import blocks
from sticktrace.findings.catalogue import RULES
from sticktrace.findings.scene import Scene
from sticktrace.findings.verdict import diagnose
from sticktrace.session import Capture, Reading
from sticktrace.storage.table import ExchangeTable
from sticktrace.timing.measure import time_of
from sticktrace.transport.agreeing import find
from sticktrace.transport.items import Exchange
from sticktrace.transport.run import Run
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, merge, wire

BINARY = [name for name in capture_names() if name.endswith((".pcap", ".pcapng"))]
HEADER = 16 + 64
"""Of a pcap record and of link type 220 within it (kernel documentation, usbmon)."""

HEADERS = {220: HEADER, 189: 16 + 48, 249: 16 + 27}
"""The same for all that are read in blocks."""


@pytest.fixture(autouse=True)
def each_exchange_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "_FEW", 1)


def of(item: Any) -> tuple[Any, ...]:
    """All that an item tells, but for its device, which is another object in each pass."""
    if isinstance(item, Exchange):
        told = tuple(getattr(item, field.name) for field in fields(item) if field.name != "device")
        return (*told, item.command, item.device.bus, item.device.address, item.device.first_ns)
    return (type(item), repr(getattr(item, "kind", "")), item.time_ns, getattr(item, "records", ()), item.bus)


def after(reading: Reading) -> tuple[Any, ...]:
    """What a reading tells when it is over."""
    reader = reading.reader
    counters = [(one.last, one._run, one._since_ns) for one in reading.router._counters]
    return (reading.places(), reading.records, reader.last_ns, reader.origin_ns, reading.assumed, counters,
            [str(damage) for damage in reading.damage], reading.router.out.numbered)  # fmt: skip


def assert_same(capture: Capture) -> None:
    """One pass in blocks and one without yield the same items, end alike, and no record is without a place."""
    in_blocks, one_by_one = capture.reading(in_blocks=True), capture.reading(in_blocks=False)
    for ours, true in zip_longest(in_blocks, one_by_one):
        assert (ours and of(ours)) == (true and of(true))
    assert after(in_blocks) == after(one_by_one)
    assert sum(in_blocks.places().values()) == in_blocks.records


def assert_same_answers(capture: Capture) -> None:
    """The verbs say the same, whichever way they read."""
    for answer in (lambda reading: diagnose(reading).facts(), lambda reading: time_of(reading).facts(), rows):
        assert answer(capture.reading(in_blocks=True)) == answer(capture.reading(in_blocks=False))


def rows(reading: Reading) -> Any:
    """The exchange table, row by row and column by column, with what the blocks are for."""
    table, scene = ExchangeTable(), Scene(reading, RULES)
    for part in reading.parts():
        if isinstance(part, Run):
            table.extend(part, scene.see_run(part))
            continue
        scene.see(part)
        if isinstance(part, Exchange):
            table.append(part, scene.ledger.label)
    names = ("number", "name", "lba", "blocks", "direction", "status", "sense", "touches", "end_ns", "moved")
    return [of(exchange) for exchange in table], {name: table.column(name).tolist() for name in names}, table.names


@pytest.mark.parametrize("name", BINARY)
def test_every_capture_reads_the_same_either_way(name: str) -> None:
    with sticktrace.open(capture_path(name)) as capture:
        assert_same(capture)


# -- traffic of our own --------------------------------------------------------------------------------------------


def stick(recorder: Recorder, seed: int, address: int) -> Host:
    host = Host(recorder, Stick(Identity(serial=f"PIER{seed}"), [Unit(Medium(4096, seed)), Unit(Medium(64, seed))]))
    host.stick.address = address
    return host


def traffic(seed: int, bring_up: bool = True, link_type: int = 220) -> bytes:
    """A stick that is read and written, mostly in order: many sizes, several data transfers to a command, two units,
    polls; now and then a failure, a stall, a short read, an odd wrapper, traffic of others in between."""
    choose = random.Random(seed)
    recorder = Recorder(link_type)
    host = stick(recorder, seed, 2)
    if bring_up:
        host.enumerate()
        host.execute(wire.inquiry())
        host.execute(wire.read_capacity10())
    for _ in range(40):
        act(host, choose)
    return recorder.pcap()


def act(host: Host, choose: random.Random) -> None:
    blocks, lba = choose.choice((1, 1, 2, 8)), choose.randrange(4000)
    data, split = choose.randbytes(512 * blocks), choose.choice((0, 0, 0, 512, 1024))
    unit = {"lun": choose.choice((0, 0, 1))}
    read, write = wire.read10(lba, blocks), wire.write10(lba, blocks)
    acts: tuple[Callable[[], Any], ...] = (
        lambda: host.command(read, data_in=data, split=split, **unit),
        lambda: host.command(read, data_in=data),
        lambda: host.command(read, data_in=data),
        lambda: host.command(write, data_out=data, split=split, **unit),
        lambda: host.command(write, data_out=data),
        lambda: host.command(wire.test_unit_ready(), **unit),
        lambda: host.command(read, data_in=data, **choose.choice(ODDITIES)),
        lambda: host.interrupt("C", 7, 99, 4, bytes(4)),
        lambda: setattr(host, "tag", host.tag + choose.choice((0, 1, 3, 20_000))),
    )
    choose.choice(acts)()


ODDITIES: list[dict[str, Any]] = [
    {"status": 1}, {"residue": 512}, {"csw_tag": 5}, {"flags": 0x81}, {"cdb_length": 12}, {"zero_length": True},
    {"stall_data": True}, {"stall_status": True}, {"csw_in_data": True}, {"no_status": True}, {"status_length": 512},
    {"expected": 4096}, {"data_error": -71}, {"status": 2}, {"csw": b"USBS" + bytes(9)}, {"late_ms": 2000},
]  # fmt: skip


def records_of(pcap: bytes) -> list[bytearray]:
    """The records of a pcap file, header and all."""
    out, at = [], 24
    while at < len(pcap):
        size = 16 + struct.unpack_from("<I", pcap, at + 8)[0]
        out.append(bytearray(pcap[at : at + size]))
        at += size
    return out


def opened(folder: Path, head: bytes, records: Iterable[bytes]) -> Capture:
    path = folder / "changed.pcap"
    path.write_bytes(head + b"".join(records))
    return sticktrace.open(path)


Change = tuple[int, list[bytes]]
"""Offset in the record, and what may be put there."""

LINUX: list[Change] = [
    (16 + 8, [b"S", b"C", b"E"]), (16 + 9, [b"\0", b"\1", b"\2", b"\3"]), (16 + 10, [b"\x81", b"\x02", b"\x83", b"\0"]),
    (16 + 11, [b"\2", b"\3"]), (16 + 12, [b"\1\0", b"\2\0"]), (16 + 15, [b"=", b"<", b"\0"]),
    (16, [bytes(8), struct.pack("<Q", 99), struct.pack("<Q", 1)]),
    (16 + 28, [struct.pack("<i", status) for status in (0, -32, -121, -71, -115, -2)]),
    (16 + 32, [struct.pack("<I", length) for length in (0, 13, 31, 32, 512, 511, 1024, 1 << 31)]),
]  # fmt: skip
WINDOWS: list[Change] = [
    (16, [b"\x1b", b"\x1c", b"\0"]), (18, [bytes(8), struct.pack("<Q", 99)]), (26, [bytes(4), b"\4\0\0\xc0"]),
    (30, [b"\x09\0", b"\x37\0", b"\x08\0"]), (32, [b"\0", b"\1", b"\2"]), (33, [b"\1\0", b"\2\0"]),
    (35, [b"\2\0", b"\2\1"]), (37, [b"\x81", b"\x02", b"\x83"]), (38, [b"\1", b"\2", b"\3", b"\xfe"]),
    (39, [struct.pack("<I", length) for length in (0, 13, 31, 32, 512, 511, 1024, 1 << 31)]),
]  # fmt: skip
WRAPPERS: list[Change] = [
    (0, [b"USBC", b"USBS", b"\0"]), (4, [b"\1\0\0\0", bytes(4), b"\xff\xff\xff\xff"]),
    (8, [bytes(4), struct.pack("<I", 1024), b"\1"]), (12, [b"\0", b"\x80", b"\x81", b"\1"]),
    (13, [b"\0", b"\1", b"\x12"]), (14, [b"\0", b"\6", b"\x0a", b"\x10", b"\x2a"]),
    (15, [b"\0", b"\x12", b"\x28", b"\x2a", b"\x88", b"\xc0"]),
]  # fmt: skip


def changes_of(link_type: int) -> list[Change]:
    """Fields of the header, then of CBW and CSW behind it; last the clock of the container."""
    header = HEADERS[link_type]
    behind = [(header + place, values) for place, values in WRAPPERS]
    return (WINDOWS if link_type == 249 else LINUX) + behind + [(0, [bytes(4), b"\xff\0"])]


def changed(records: list[bytearray], choose: random.Random, count: int, link_type: int = 220) -> Iterator[bytes]:
    """The records with so many changes made to them."""
    header = HEADERS[link_type]
    for _ in range(count):
        at = choose.randrange(len(records))
        kind = choose.randrange(8)
        if kind == 0 and len(records) > 2:
            del records[at]
        elif kind == 1:
            records.insert(min(len(records), at + choose.randrange(4)), records[at][:])
        elif kind == 2:
            records.insert(max(0, at - choose.randrange(1, 4)), records.pop(at))
        elif kind == 3 and len(records[at]) > header:
            del records[at][choose.randrange(header, len(records[at])) :]
            records[at][8:12] = struct.pack("<I", len(records[at]) - 16)
        else:
            place, values = choose.choice(changes_of(link_type))
            value = choose.choice(values)
            if place + len(value) <= len(records[at]):
                records[at][place : place + len(value)] = value
    yield from records


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 1 << 32),
    count=st.integers(0, 12),
    bring_up=st.booleans(),
    link_type=st.sampled_from((220, 189, 249)),
)
def test_changed_traffic_reads_the_same_either_way(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, bring_up: bool, link_type: int
) -> None:
    pcap = traffic(seed % 7, bring_up, link_type)
    records = list(changed(records_of(pcap), random.Random(seed), count, link_type))
    with opened(tmp_path_factory.getbasetemp(), pcap[:24], records) as capture:
        assert_same(capture)


@pytest.mark.parametrize("seed", range(4))
def test_the_verbs_say_the_same(tmp_path: Path, seed: int) -> None:
    pcap = traffic(seed)
    with opened(tmp_path, pcap[:24], changed(records_of(pcap), random.Random(seed), 3 * seed)) as capture:
        assert_same_answers(capture)


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of some twenty records: an exchange or two, and what does not end in them."""
    for name, value in (("_STEPS", 20), ("_FIRST", 20), ("_SPAN", 4096)):
        monkeypatch.setattr(blocks, name, value)


@pytest.mark.usefixtures("small_blocks")
@pytest.mark.parametrize("seed", range(24))
def test_blocks_may_end_anywhere(tmp_path: Path, seed: int) -> None:
    link_type = (220, 189, 249)[seed % 3]
    pcap = traffic(seed, seed % 2 > 0, link_type)
    records = changed(records_of(pcap), random.Random(seed), seed % 5, link_type)
    with opened(tmp_path, pcap[:24], records) as capture:
        assert_same(capture)


@pytest.mark.usefixtures("small_blocks")
def test_an_emulator_leaves_lengths_out(tmp_path: Path) -> None:
    """It writes 0 on IN submissions and OUT completions, and "=" where data are (l16_sg_bot-emu.pcap shows both); from
    the second block on it is known for one."""
    pcap = orderly()
    records = records_of(pcap)
    for record in records:
        if record[16 + 15] == 0:
            record[16 + 15] = ord("=")
        if (record[16 + 8] == ord("S")) == (record[16 + 10] >= 0x80):
            record[16 + 32 : 16 + 36] = bytes(4)
    with opened(tmp_path, pcap[:24], records) as capture:
        assert_same(capture)
        assert sum(runs_of(capture)) > 50


def test_two_sticks_at_once(tmp_path: Path) -> None:
    hosts = [stick(Recorder(), number, number + 2) for number in range(2)]
    for host in hosts:
        for lba in range(60):
            host.command(wire.read10(lba, 1), data_in=bytes(512))
    both = merge(*(host.recorder for host in hosts)).pcap()
    with opened(tmp_path, both[:24], records_of(both)) as capture:
        assert_same(capture)


def runs_of(capture: Capture) -> list[int]:
    return [len(part) for part in capture.reading(in_blocks=True).parts() if isinstance(part, Run)]


def orderly(count: int = 50, link_type: int = 220) -> bytes:
    host = stick(Recorder(link_type), 1, 2)
    for lba in range(count):
        host.command(wire.read10(lba, 8), data_in=bytes(4096), split=1024)
        host.command(wire.write10(lba, 1), data_out=bytes(512))
        host.command(wire.test_unit_ready())
    return host.recorder.pcap()


@pytest.mark.parametrize("link_type", HEADERS)
def test_what_agrees_is_taken_in_one_run(tmp_path: Path, link_type: int) -> None:
    """The first command shows which pipes they are; from the next on all is one run."""
    pcap = orderly(link_type=link_type)
    with opened(tmp_path, pcap[:24], records_of(pcap)) as capture:
        assert runs_of(capture) == [149]
        assert_same(capture)


@pytest.mark.parametrize("link_type", HEADERS)
def test_the_last_record_is_but_a_header(tmp_path: Path, link_type: int) -> None:
    pcap = orderly(10, link_type)
    with opened(tmp_path, pcap[:24], records_of(pcap)[:-1]) as capture:
        assert_same(capture)


def test_one_thing_out_of_the_ordinary_parts_a_run(tmp_path: Path) -> None:
    pcap = orderly()
    records = records_of(pcap)
    status = [at for at, record in enumerate(records) if record[HEADER : HEADER + 4] == b"USBS"][70]
    records[status][HEADER + 12] = 1
    with opened(tmp_path, pcap[:24], records) as capture:
        # The failed one waits for the next command, which might ask for its sense: both go one by one.
        assert runs_of(capture) == [69, 78]
        assert_same(capture)


def test_a_hub_that_waits_to_be_asked_stands_in_nobodys_way(tmp_path: Path) -> None:
    host = stick(Recorder(), 1, 2)
    host.interrupt("S", 1, 77, 1)
    for lba in range(20):
        host.command(wire.read10(lba, 1), data_in=bytes(512))
    pcap = host.recorder.pcap()
    with opened(tmp_path, pcap[:24], records_of(pcap)) as capture:
        assert runs_of(capture) == [19]
        assert_same(capture)


@pytest.mark.usefixtures("small_blocks")
@pytest.mark.parametrize("taken", [1, 40, 150])
def test_a_file_that_is_cut_short_meanwhile_ends_the_reading(tmp_path: Path, taken: int) -> None:
    pcap = orderly(200)
    with opened(tmp_path, pcap[:24], records_of(pcap)) as capture:
        reading = capture.reading(in_blocks=True)
        items = iter(reading)
        for _ in range(taken):
            next(items)
        os.truncate(tmp_path / "changed.pcap", 2000)
        left = sum(1 for _ in items)
        assert left < 100 and any("cut the file short" in damage.what for damage in reading.damage)


def test_nothing_agrees_in_a_block_without_commands(tmp_path: Path) -> None:
    host = stick(Recorder(), 1, 2)
    host.enumerate()
    pcap = host.recorder.pcap()
    with opened(tmp_path, pcap[:24], records_of(pcap)) as capture:
        reader: Any = capture.reading(in_blocks=True).reader
        for step in reader.steps(reader.block_walk):
            if not isinstance(step[0], int):
                assert find(reader.halves(step), reader.data) is None
