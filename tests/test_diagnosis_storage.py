"""Findings of readiness, medium, capacity and volume: a trace that shows each, a near miss that must not.

Sense codes are T10's assignments as SPC-3 Tables 27 and 28 print them; capacity follows SBC-2 5.10 and 5.11, volumes
the FAT and exFAT specifications and UEFI chapter 5. Waits are common practice.
"""

from __future__ import annotations

import struct

import pytest

from diagnosis_lab import Case, Cases, blank_unit, check, diagnosed, found, later, new_host
from workshop import Host, Medium, Unit, session, tables, wire
from workshop.scenes_faults import counterfeit

CASES = Cases()
BLOCK = bytes(range(256)) * 2


def _failed(host: Host, cdb: bytes, key: int, asc: int, ascq: int = 0, **options: object) -> None:
    """A command that fails with this sense data."""
    host.command(cdb, status=1, **options)  # type: ignore[arg-type]
    host.command(wire.request_sense(), data_in=wire.fixed_sense(key, asc, ascq))


@CASES.add("sense-not-fetched", "note")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].attention = (6, 0x28, 0)
    host.execute(wire.test_unit_ready(), sense=not wrong)
    host.execute(wire.test_unit_ready())


@CASES.add("unit-attention-not-cleared", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 6.27: REQUEST SENSE."""
    for _ in range(6):
        host.command(wire.test_unit_ready(), status=1)
        if not wrong:
            host.command(wire.request_sense(), data_in=wire.fixed_sense(6, 0x29))


@CASES.add("no-reason-given", "note")
def _(host: Host, wrong: bool) -> None:
    _failed(host, wire.test_unit_ready(), 0 if wrong else 2, 0, 0)


@CASES.add("medium-changed", "note")
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 6/28/00; before anything was read it is the usual greeting."""
    if wrong:
        host.execute(wire.read10(5))
        host.stick.units[0].attention = (6, 0x28, 0)
        host.execute(wire.test_unit_ready())


@CASES.add("polling-without-end", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [Unit(None)]
    host.enumerate()
    for _ in range(120):
        host.execute(wire.test_unit_ready())
        host.wait_ms(5 if wrong else 1000)


@CASES.add("failure-taken-for-success", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    host.execute(wire.inquiry())
    _failed(host, wire.read_capacity10(), 2, 4, 1, data_in=b"", expected=8, stall_data=True)
    if not wrong:
        host.execute(wire.read_capacity10())
    for lba in range(3):
        host.execute(wire.read10(lba))


@CASES.add("slow-start", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 2/04/01."""
    host.stick.units[0].not_ready = 4 if wrong else 0
    host.enumerate()
    session.identify(host)


@CASES.add("never-ready", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].not_ready = 1000 if wrong else 12
    host.enumerate()
    session.make_ready(host, tries=33, pause_ms=1000)


@CASES.add("unreadable-blocks", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 3/11/00."""
    host.stick.units[0].bad_lbas = frozenset({9000})
    host.execute(wire.read10(9000 if wrong else 9001, 4))


@CASES.add("unwritable-blocks", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 3/0C/00."""
    host.stick.units[0].bad_lbas = frozenset({9000})
    host.execute(wire.write10(9000 if wrong else 9001), data_out=BLOCK)


@CASES.add("blocks-read-on-retry", "risk")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].bad_lbas = frozenset({9000})
    host.execute(wire.read10(9000))
    host.stick.units[0].bad_lbas = frozenset()
    host.execute(wire.read10(9000 if wrong else 9001))


@CASES.add("access-refused", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 5/24/00 on a READ(10); an unknown READ(16) is no fault, hosts fall back to READ(10)."""
    if wrong:
        _failed(host, wire.read10(9), 5, 0x24, data_in=b"", expected=512, stall_data=True)
    else:
        _failed(host, bytes((0x88, *bytes(9), 0, 0, 0, 1, 0, 0)), 5, 0x20, data_in=b"", expected=512, stall_data=True)


@CASES.add("fua-refused", "fault")
def _(host: Host, wrong: bool) -> None:
    """SBC-2 5.25: FUA is bit 3 of byte 1; WRITE SAME has no such bit."""
    block = bytearray(wire.write10(9))
    block[1] = 0x08
    if wrong:
        _failed(host, bytes(block), 5, 0x24, data_out=BLOCK)
    else:
        host.command(bytes(block), data_out=BLOCK)


@CASES.add("failure-predicted", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 28: 5D/00; 28/00 with the same key is the usual greeting."""
    _failed(host, wire.test_unit_ready(), 6, 0x5D if wrong else 0x29)


@CASES.add("device-warning", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 28: 0B/01 is WARNING - SPECIFIED TEMPERATURE EXCEEDED."""
    _failed(host, wire.test_unit_ready(), 6, 0x0B if wrong else 0x29, 1 if wrong else 0)


@CASES.add("parameter-adjusted", "note")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 28: 37/00 is ROUNDED PARAMETER."""
    _failed(host, bytes.fromhex("15 10 00 00 0c 00"), 1, 0x37 if wrong else 0x18, data_out=bytes(12))


@CASES.add("medium-gone-in-use", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 28: 3A/00 among reads; a host that has let the medium go (PREVENT zero, SPC-3 6.13) expects it."""
    for lba in range(8):
        host.execute(wire.read10(lba))
    if not wrong:
        host.command(bytes.fromhex("1e 00 00 00 00 00"))
    host.stick.units[0].medium = None
    host.execute(wire.test_unit_ready())


@CASES.add("hardware-error", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 27: key 4h."""
    _failed(host, wire.test_unit_ready(), 4 if wrong else 2, 0x44 if wrong else 0x04, 0 if wrong else 1)


@CASES.add("write-protected", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 7/27/00."""
    host.stick.units[0].write_protected = wrong
    host.execute(wire.write10(9000), data_out=BLOCK)


@CASES.add("write-protect-flag", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3 7.4.3: the WP bit is bit 7 of the device-specific parameter."""
    host.stick.units[0].write_protected = wrong
    host.enumerate()
    session.identify(host)


@CASES.add("write-protect-flag-changes", "risk")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].write_protected = wrong
    host.execute(wire.mode_sense6())


@CASES.add("aborted-command", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 27: key Bh."""
    _failed(host, wire.test_unit_ready(), 0xB if wrong else 0x2, 0x47 if wrong else 0x04, 0 if wrong else 1)


@CASES.add("recovered-error", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 27: key 1h."""
    _failed(host, wire.test_unit_ready(), 1 if wrong else 2, 0x17 if wrong else 0x04, 1)


@CASES.add("deferred-error", "fault")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 4.5.5: response code 71h."""
    sense = bytearray(wire.fixed_sense(2, 0x04, 1))
    sense[0] = 0x71 if wrong else 0x70
    host.command(wire.test_unit_ready(), status=1)
    host.command(wire.request_sense(), data_in=bytes(sense))


@CASES.add("requests-refused", "note")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].unsupported = frozenset({0x35} if wrong else ())
    host.execute(wire.synchronize_cache10())


@CASES.add("first-read-blank", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    host.execute(wire.inquiry())
    host.command(wire.read10(0), data_in=bytes(512) if wrong else host.stick.units[0].medium.read(0))  # type: ignore[union-attr]
    host.execute(wire.read10(0))


@CASES.add("capacity-off-by-one", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SBC-2 5.10.2: RETURNED LOGICAL BLOCK ADDRESS is the last one."""
    host.stick.units[0].capacity_error = 1 if wrong else 0
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(session.BLOCKS - 1 + wrong))


@CASES.add("access-past-end", "note")
def _(host: Host, wrong: bool) -> None:
    host.execute(wire.read10(session.BLOCKS + 100 if wrong else session.BLOCKS - 1))


@CASES.add("address-overflow", "risk")
def _(host: Host, wrong: bool) -> None:
    host.execute(wire.read10(0xFFFFFFF0 if wrong else session.BLOCKS + 16))


@CASES.add("capacity-beyond-32-bit", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SBC-2 5.10.2: FFFFFFFFh."""
    host.stick.units = [blank_unit(0x1_8000_0000)]
    host.enumerate()
    session.identify(host)
    if not wrong:
        host.execute(wire.read_capacity16())


@CASES.add("block-length-not-512", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [Unit(Medium(10_000, 4096 if wrong else 512))]
    host.enumerate()
    session.identify(host)


@CASES.add("capacity-nonsense", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    host.execute(wire.inquiry())
    host.command(wire.read_capacity10(), data_in=struct.pack(">II", 1000, 0 if wrong else 512))


@CASES.add("capacity-changes", "risk")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].capacity_error = -1000 if wrong else 0
    host.execute(wire.read_capacity10())


@CASES.add("file-system-not-read", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    first, blocks = session.FIRST_LBA, session.BLOCKS
    sectors = {0: tables.master_boot_record((0x07, first, blocks - first))}
    sectors |= tables.exfat_boot_region(first, blocks - first)
    host.stick.units = [Unit(Medium(blocks, sectors=sectors))]
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(0))
    host.execute(wire.read10(first))
    if not wrong:
        host.execute(wire.read10(first + 2048 + 128, 8))
        host.execute(wire.read10(first + 8192, 8))
    later(host)


@CASES.add("no-volume-found", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [blank_unit()] if wrong else [session.tide_unit()]
    host.enumerate()
    session.identify(host)


@CASES.add("reads-contradict-writes", "fault")
def _(host: Host, wrong: bool) -> None:
    """The medium keeps half of what it claims: block 70000 lands on block 4464."""
    host.stick.units[0].medium = Medium(session.BLOCKS, real_blocks=session.BLOCKS // 2 if wrong else None)
    host.execute(wire.write10(4464), data_out=BLOCK)
    host.execute(wire.write10(70_000), data_out=BLOCK[::-1])
    host.execute(wire.read10(4464))


@CASES.add("blocks-change-unwritten", "risk")
def _(host: Host, wrong: bool) -> None:
    for content in (BLOCK, BLOCK[::-1] if wrong else BLOCK):
        host.command(wire.read10(9000), data_in=content)


@CASES.add("unplugged-with-unflushed-writes", "risk")
def _(host: Host, wrong: bool) -> None:
    """SBC-2 5.18: SYNCHRONIZE CACHE."""
    host.execute(wire.write10(9000), data_out=BLOCK)
    if not wrong:
        host.execute(wire.synchronize_cache10())
    host.wait_ms(500)
    host.detach()


@CASES.add("partition-table-unsound", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """UEFI 5.2.1: a partition lies within the disk."""
    size = session.BLOCKS * 2 if wrong else session.BLOCKS - 2048
    host.stick.units = [Unit(Medium(session.BLOCKS, sectors={0: tables.master_boot_record((0x0C, 2048, size))}))]
    host.enumerate()
    session.identify(host)


@CASES.add("file-system-damaged", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """FAT specification: the copies of the FAT are alike."""
    volume = session.tide_volume()
    medium = session.tide_medium(volume)
    if wrong:
        medium.write(volume.fat_lba, BLOCK)
    host.stick.units = [Unit(medium)]
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    size = (volume.root_lba - volume.fat_lba) // 2
    host.execute(wire.read10(volume.fat_lba + size))


@CASES.add("file-system-unclean", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """FAT12/16: bit 0 of the byte at 37 of the boot sector says that the volume is in use (common practice)."""
    volume = session.tide_volume()
    medium = session.tide_medium(volume)
    boot = bytearray(medium.read(volume.first_lba))
    boot[37] = 1 if wrong else 0
    medium.write(volume.first_lba, bytes(boot))
    host.stick.units = [Unit(medium)]
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)


@CASES.add("writes-unfinished", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    volume = session.tide_volume()
    host.stick.units = [Unit(session.tide_medium(volume))]
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    host.execute(wire.write10(9000), data_out=BLOCK)
    host.execute(wire.synchronize_cache10())
    if wrong:
        host.execute(wire.write10(9001), data_out=BLOCK)


@CASES.add("file-system-oddities", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """UEFI 5.2.1: BootIndicator is 80h or 00h."""
    sector = bytearray(tables.master_boot_record((0x0C, 2048, session.BLOCKS - 2048)))
    sector[446] = 0x55 if wrong else 0x80
    host.stick.units = [Unit(Medium(session.BLOCKS, sectors={0: bytes(sector)}))]
    host.enumerate()
    session.identify(host)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_shows(case: Case) -> None:
    """The trace shows the pattern."""
    check(case, True)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_near_miss(case: Case) -> None:
    """The near miss does not."""
    check(case, False)


def test_bad_blocks_are_listed_with_their_tries() -> None:
    """A range that failed is narrowed to the block that a smaller read proves bad."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.stick.units[0].bad_lbas = frozenset({9003})
    for lba, count in ((9000, 8), (9003, 1), (9003, 1), (9004, 4)):
        host.execute(wire.read10(lba, count))
    finding = next(f for f in diagnosed(host.recorder).findings if f.slug == "unreadable-blocks")
    assert "LBA 9003: 3 failed tries" in finding.text


def test_counterfeit_names_the_pair() -> None:
    """The demo counterfeit keeps half of 131,072 blocks: what lands on the FAT was written 65,536 blocks further on."""
    text = next(f.text for f in diagnosed(counterfeit()).findings if f.slug == "reads-contradict-writes")
    assert "65536 blocks away" in text


def test_stopped_at_the_end_of_the_capture_is_only_a_risk() -> None:
    """Without later traffic a host that stopped cannot be told from a recording that was cut."""
    host = new_host()
    host.stick.units[0].attention = (6, 0x28, 0)
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.test_unit_ready())
    diagnosis = diagnosed(host.recorder)
    assert found(diagnosis)["unit-attention-fatal"] == "risk"
    assert "the capture ends there" in diagnosis.verdict
