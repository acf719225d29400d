"""Every recorded capture against the truth that is known of it without sticktrace (NAME.truth.json): the records, each
command with its data and status, sense of commands sent on purpose, identities and sizes."""

from __future__ import annotations

from collections import Counter
from functools import cache
from typing import Any

import pytest

import sticktrace
from conftest import capture_names, capture_path, truth_of
from sticktrace.session import Reading
from sticktrace.sticks.sticks import Sticks
from sticktrace.sticks.unit import Unit
from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR, Exchange

CSW_STATUS = {PASSED: "0", FAILED: "1", PHASE_ERROR: "2"}  # BOT 1.0 Table 5.3

HEAD = 64
"""Bytes of data that the truth files keep of each command sent on purpose."""

heads: dict[Exchange, bytes] = {}
"""The first captured bytes of an exchange's data."""


@cache
def read(name: str) -> tuple[Reading, tuple[Exchange, ...], tuple[Unit, ...]]:
    """One pass over a capture: the pass itself, its exchanges, its logical units."""
    with sticktrace.open(capture_path(name)) as capture:
        reading = capture.reading()
        sticks, exchanges = Sticks(reading.read), []
        for item in reading:
            sticks.see(item)
            if isinstance(item, Exchange):
                exchanges.append(item)
                heads[item] = reading.read(item.pieces[0])[:HEAD] if item.pieces else b""
        found = [unit for stick in sticks.all for _, unit in sorted(stick.units.items())]
    return reading, tuple(exchanges), tuple(found)


def in_the_truths_words(exchange: Exchange) -> str:
    """The exchange as the truth files write it, without number and time. A command without data counts as "out", as
    the direction bit of its CBW says."""
    code = CSW_STATUS.get(exchange.status)
    end = "no status seen" if code is None else f"status={code} residue={exchange.residue}"
    return (
        f"{exchange.bus}.{exchange.address} lun{exchange.lun} tag={exchange.tag:08x} cdb={exchange.cdb.hex()} "
        f"{'in' if exchange.direction == 'in' else 'out'} announced={exchange.expected} moved={exchange.moved} {end}"
    )


@pytest.mark.parametrize("name", capture_names())
def test_records_are_counted_and_each_has_one_place(name: str) -> None:
    reading, _, _ = read(name)
    assert reading.records == truth_of(name)["independent_scan"]["records"]
    assert sum(reading.places().values()) == reading.records
    assert reading.damage == []


@pytest.mark.parametrize("name", [n for n in capture_names() if "commands" in truth_of(n)])
def test_every_command_in_order(name: str) -> None:
    _, exchanges, _ = read(name)
    got = [in_the_truths_words(exchange) for exchange in exchanges]
    want = [line.split(maxsplit=2)[2] for line in truth_of(name)["commands"]]
    assert got == want
    assert [exchange.number for exchange in exchanges] == list(range(1, len(exchanges) + 1))


@pytest.mark.parametrize("name", [n for n in capture_names() if "commands" in truth_of(n)])
def test_times_of_commands(name: str) -> None:
    """To the microsecond, the resolution of the truth files."""
    _, exchanges, _ = read(name)
    for exchange, line in zip(exchanges, truth_of(name)["commands"], strict=True):
        assert abs(exchange.time_ns / 1e9 - float(line.split()[1])) < 2e-6


@pytest.mark.parametrize("name", [n for n in capture_names() if "cbw" in truth_of(n)["independent_scan"]])
def test_counts_by_opcode_lun_and_status(name: str) -> None:
    _, exchanges, _ = read(name)
    scan = truth_of(name)["independent_scan"]
    assert Counter(f"{e.opcode:02x}" for e in exchanges) == scan["cbw"]
    assert Counter(str(e.lun) for e in exchanges) == scan["cbw_by_lun"]
    assert Counter(CSW_STATUS[e.status] for e in exchanges if e.status in CSW_STATUS) == scan["csw"]
    assert sum(1 for e in exchanges if e.residue) == scan["residue_nonzero"]


@pytest.mark.parametrize("name", [n for n in capture_names() if "uas_commands" in truth_of(n)["independent_scan"]])
def test_uas_commands_and_status(name: str) -> None:
    """Some emulator recordings hold bulk-only traffic of the firmware before the UAS driver; those are not counted."""
    _, exchanges, _ = read(name)
    uas = [e for e in exchanges if e.transport == "UAS"]
    scan = truth_of(name)["independent_scan"]
    assert Counter(f"{e.opcode:02x}" for e in uas) == scan["uas_commands"]
    assert Counter("0" if e.status == PASSED else "2" for e in uas) == scan["uas_status"]
    assert all(e.sense is not None for e in uas if e.status == FAILED)


def sent(name: str) -> list[dict[str, Any]]:
    """Commands that the recording machine sent through its generic SCSI device, with the answer it got. Where the log
    gives a completed command with sense, the wire must show the same."""
    steps = truth_of(name).get("sent_on_purpose", [])
    return [s for s in steps if s.get("cmd") == "sg" and s.get("host_status") == 0 and "scsi_status" in s]


@pytest.mark.parametrize("name", [n for n in capture_names() if sent(n)])
def test_commands_sent_on_purpose_have_the_status_and_sense_that_their_sender_saw(name: str) -> None:
    """The commands appear in this order among others, each with the sender's own status, sense and data."""
    _, exchanges, _ = read(name)
    rest = iter(exchanges)
    for step in sent(name):
        wanted = step["cdb"]
        exchange = next((e for e in rest if _same_command(e, wanted, step)), None)
        assert exchange is not None, f"{wanted} was not found in order"


def _same_command(exchange: Exchange, cdb: str, step: dict[str, Any]) -> bool:
    """Whether an exchange is the one that a step tells of. A 6- or 10-byte command may lie in a 12- or 16-byte block
    with zeros behind it."""
    block = exchange.cdb.hex()
    if block != cdb and not (block.startswith(cdb) and not block[len(cdb) :].strip("0")):
        return False
    if step["scsi_status"] == 0:
        head = bytes.fromhex(step["data_head"] if step["dir"] == "in" else "")
        return exchange.status == PASSED and heads[exchange].startswith(head[: len(heads[exchange])])
    sense = exchange.sense
    return (
        exchange.status == FAILED
        and sense is not None
        and (sense.key, sense.asc, sense.ascq) == (step["key"], step["asc"], step["ascq"])
    )


def expected_units(name: str) -> dict[int, dict[str, Any]]:
    """What the maker of a capture set up, by LUN."""
    expected = truth_of(name)["expected"]
    luns = {int(key[3:]): value for key, value in expected.items() if key.startswith("lun") and key != "luns"}
    return luns or ({0: expected} if "inquiry" in expected else {})


@pytest.mark.parametrize("name", [n for n in capture_names() if expected_units(n)])
def test_identity_of_logical_units(name: str) -> None:
    """INQUIRY strings are those that were set up. The kernel's text form keeps 32 bytes of a payload (kernel
    documentation, usbmon), and the product revision lies in bytes 32 to 35 (SPC-4 6.4.2)."""
    _, _, units = read(name)
    for lun, want in expected_units(name).items():
        told = {_identity(unit) for unit in units if unit.lun == lun and unit.identity is not None}
        vendor, product, revision = want["inquiry"].values()
        assert told == {(vendor, product, "" if name.endswith(".txt") else revision)}


def _identity(unit: Unit) -> tuple[str, str, str]:
    assert unit.identity is not None
    return unit.identity.vendor, unit.identity.product, unit.identity.revision


@pytest.mark.parametrize("name", [n for n in capture_names() if expected_units(n)])
def test_capacity_of_logical_units(name: str) -> None:
    """Block length and last LBA are those that were set up, or told nowhere where the truth says so."""
    _, _, units = read(name)
    absent = "capacity" in truth_of(name)["not_in_this_capture"]
    for lun, want in expected_units(name).items():
        sizes = {(u.capacity.block_length, u.capacity.last_lba) for u in units if u.lun == lun and u.capacity}
        assert sizes == (set() if absent else {(want["block_length"], want["last_lba"])})


@pytest.mark.parametrize("name", [n for n in capture_names() if "luns" in truth_of(n)["expected"]])
def test_number_of_logical_units(name: str) -> None:
    """Get Max LUN gives the highest number, counted from 0 (BOT 1.0 3.2), where it was asked."""
    reading, _, _ = read(name)
    told = {device.max_lun + 1 for device in reading.bus.devices if device.max_lun is not None}
    if truth_of(name)["independent_scan"]["get_max_lun"]:
        assert told == {truth_of(name)["expected"]["luns"]}
    else:
        assert not told


@pytest.mark.parametrize("name", [n for n in capture_names() if "storage_devices" in truth_of(n)["expected"]])
def test_no_storage_where_there_was_none(name: str) -> None:
    reading, exchanges, units = read(name)
    assert truth_of(name)["expected"]["storage_devices"] == 0
    assert not exchanges and not units and reading.bus.devices


@pytest.mark.parametrize("name", [n for n in capture_names() if "devices" in truth_of(n)["expected"]])
def test_several_sticks_are_kept_apart(name: str) -> None:
    """One recording of the whole bus has both sticks; the emulator's recordings have one each."""
    _, _, units = read(name)
    want = {
        (*device["inquiry"].values(), device["block_length"], device["last_lba"])
        for device in truth_of(name)["expected"]["devices"]
    }
    told = {(*_identity(u), u.capacity.block_length, u.capacity.last_lba) for u in units if u.identity and u.capacity}
    assert told == want if "emu" not in name else len(told) == 1 and told < want
