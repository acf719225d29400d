"""Traffic that looks unusual and is in order: no fault, and what is said about it is at most a risk or a note.

Each scene is one habit of a host or a trait of a device that the standards allow (the clause stands in its docstring)
or that is common practice.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnosis_lab import diagnosed, found, later, new_host
from workshop import Alternate, Host, Hub, Identity, Medium, Stick, Unit, session, wire
from workshop.identity import BULK_ONLY, BULK_ONLY_FULL_SPEED, UAS
from workshop.unit import CHANGED, POWER_ON

Scene = Callable[[], Host]
SCENES: list[tuple[Scene, frozenset[str]]] = []


def scene(*allowed: str) -> Callable[[Scene], Scene]:
    """Keeps a scene with the risks that it may show."""

    def keep(made: Scene) -> Scene:
        SCENES.append((made, frozenset(allowed)))
        return made

    return keep


def use(host: Host) -> None:
    """Mount, list, read, append, flush."""
    volume = session.tide_volume()
    session.mount(host, volume)
    session.list_directory(host, volume, "/LEVELS")
    session.read_file(host, volume, "/LEVELS/2031-04.CSV")
    session.append(host, volume, "/LEVELS/2031-04.CSV", session.levels("QUAY-3", 1, 13))
    session.flush(host)


@scene("slow-start")
def slow_spin_up() -> Host:
    """A disk that says 2/04/01 for 20 s (SPC-3 Table 28), polled every 500 ms."""
    host = new_host(unit=session.tide_unit(not_ready=40))
    host.enumerate()
    host.execute(wire.inquiry())
    assert session.make_ready(host, tries=60, pause_ms=500)
    host.execute(wire.read_capacity10())
    use(host)
    return host


@scene()
def reader_with_four_slots() -> Host:
    """A card in slot 2 of 4, the others empty and polled on (BOT 1.0 3.2)."""
    slots = [Unit(), Unit(), session.tide_unit(), Unit()]
    host = new_host(units=slots, max_lun=3)
    host.enumerate()
    for lun in range(4):
        host.execute(wire.inquiry(), lun=lun)
    for _ in range(5):
        for lun in range(4):
            host.execute(wire.test_unit_ready(), lun=lun)
        host.wait_ms(1000)
    for lba in (0, 2048, 2049):
        host.execute(wire.read_capacity10(), lun=2)
        host.execute(wire.read10(lba), lun=2)
    for lun in (0, 1, 3):
        host.execute(wire.read_capacity10(), lun=lun)
    return host


@scene()
def cd_unit() -> Host:
    """A CD unit with a disc: 2048-byte blocks, ISO 9660 at block 16, READ TOC refused (MMC)."""
    volume = b"\x01CD001\x01\x00" + bytes(2040)
    disc = Medium(9000, 2048, {16: volume})
    host = new_host(unit=Unit(disc, device_type=5, product="TIDE ARCHIVE CD", attention=CHANGED))
    host.enumerate()
    host.execute(wire.inquiry())
    session.make_ready(host)
    host.execute(bytes((0x43, 2, 0, 0, 0, 0, 0, 0, 12, 0)), expected=12)
    host.execute(wire.read_capacity10())
    for lba in (16, 17, 18, 40):
        host.execute(wire.read10(lba))
    host.execute(wire.mode_sense10(0x2A))
    later(host)
    return host


@scene()
def keyboard_beside_a_stick() -> Host:
    """A keyboard on the same bus, enumerated after the stick and never spoken to in storage terms."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    keys = Alternate(codes=(3, 1, 1), endpoints=((0x81, 3, 8, 10),))
    stick, host.port = host.stick, 2
    host.stick = Stick(Identity(product="Pier Keys", product_id=2, alternates=(keys,), serial=""))
    host.attach()
    host.address(3)
    host.read_descriptors()
    host.configure()
    host.stick, host.port = stick, 1
    use(host)
    return host


@scene()
def behind_a_hub() -> Host:
    """A low-power stick behind a bus-powered hub (USB 2.0 7.2.1: one unit load)."""
    host = new_host(max_power_ma=100)
    host.external_hub(Hub())
    host.port = 2
    host.enumerate(3)
    session.identify(host)
    use(host)
    return host


@scene()
def uas() -> Host:
    """A UAS stick on alternate setting 1."""
    host = new_host(unit=session.tide_unit(attention=POWER_ON), alternates=(BULK_ONLY, UAS))
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    host.choose_alternate(0, 1)
    host.uas(wire.inquiry())
    while host.uas(wire.test_unit_ready()):
        host.wait_ms(20)
    host.uas(wire.read_capacity10())
    host.uas(wire.inquiry(255, 0x80))
    for lba in (0, 2048, 2049, 2081):
        host.uas(wire.read10(lba))
    later(host)
    return host


@scene()
def short_inquiry_with_stall() -> Host:
    """36 of 255 bytes of INQUIRY data, then a STALL that the host clears (BOT 1.0 6.7.2 case 5)."""
    host = new_host(short="stall")
    host.enumerate()
    host.execute(wire.inquiry(255))
    session.identify(host)
    use(host)
    return host


@scene()
def sense_polled_without_reason() -> Host:
    """REQUEST SENSE as a poll: NO SENSE each time (SPC-3 6.27)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    for _ in range(150):
        host.execute(wire.request_sense())
        host.wait_ms(1000)
    use(host)
    return host


@scene()
def ejected_then_polled() -> Host:
    """START STOP UNIT with LOEJ, then 2/3A/00 for as long as somebody polls (SBC-2 5.17)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    use(host)
    host.execute(wire.start_stop(False, True))
    for _ in range(20):
        host.execute(wire.test_unit_ready())
        host.wait_ms(1000)
    host.detach()
    return host


@scene()
def suspend_and_resume() -> Host:
    """The port sleeps for half an hour and wakes up (USB 2.0 11.24.2.13: PORT_SUSPEND)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    session.flush(host)
    for _ in range(3):
        host.control(wire.set_port_feature(2, host.port), address=host.hub.address)
        host.wait_ms(1_800_000)
        host.control(wire.clear_port_feature(2, host.port), address=host.hub.address)
        host.wait_ms(40)
        host.set_port(0x0503, 4)
        host.port_status()
        host.clear_port(18)
        session.make_ready(host)
    use(host)
    return host


@scene()
def reset_on_resume() -> Host:
    """A host that resets the port after sleep: unit attention 6/29/00, then work as before."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    session.flush(host)
    host.wait_ms(600_000)
    host.recover_by_port_reset()
    host.stick.units[0].attention = POWER_ON
    session.make_ready(host)
    use(host)
    return host


@scene()
def serial_page_refused() -> Host:
    """VPD pages 80h and 83h asked for and refused with 5/24/00 (SPC-3 6.4.1)."""
    host = new_host(short="stall")
    host.enumerate()
    host.execute(wire.inquiry())
    for page in (0x83, 0xB0):
        host.execute(wire.inquiry(255, page))
    session.identify(host)
    use(host)
    return host


@scene("block-length-not-512")
def disk_with_4096_byte_blocks() -> Host:
    """4096-byte blocks all through (SBC-2 5.10.2)."""
    host = new_host(unit=Unit(Medium(2_000_000, 4096)))
    host.enumerate()
    session.identify(host)
    for lba in range(0, 64, 8):
        host.execute(wire.read10(lba, 8))
    host.execute(wire.write10(640, 2), data_out=bytes(8192))
    session.flush(host)
    return host


@scene()
def max_lun_refused() -> Host:
    """Get Max LUN met by STALL, and the host goes on with LUN 0 (BOT 1.0 3.2)."""
    host = new_host(max_lun=None)
    host.enumerate()
    session.identify(host)
    use(host)
    return host


@scene()
def full_speed_stick() -> Host:
    """A full-speed stick with 64-byte packets and a serial-less descriptor."""
    host = new_host(speed="full", alternates=(BULK_ONLY_FULL_SPEED,), serial="", product="")
    host.enumerate()
    session.identify(host)
    use(host)
    return host


@scene()
def status_read_stalled_once() -> Host:
    """The first CSW read of a command meets STALL, the second gets it (BOT 1.0 Figure 2)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(5), stall_status=True)
    use(host)
    return host


@scene()
def card_taken_out_and_put_back() -> Host:
    """A card changed in mid-session: 2/3A/00 for a while, then 6/28/00 and work (SPC-3 Table 28)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    unit = host.stick.units[0]
    kept, unit.medium = unit.medium, None
    for _ in range(6):
        host.execute(wire.test_unit_ready())
        host.wait_ms(1000)
    unit.medium, unit.attention = kept, CHANGED
    session.identify(host)
    use(host)
    return host


@scene()
def optional_commands_refused() -> Host:
    """What a host likes to know and a stick does not: refused with 5/20/00 each time, and the host goes on."""
    unknown = frozenset((0x1E, 0x23, 0x35, 0x9E, 0xA0, 0x5A, 0x1A, 0x1B))
    host = new_host(unit=session.tide_unit(unsupported=unknown), short="stall")
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.report_luns())
    session.make_ready(host)
    host.execute(wire.read_format_capacities())
    host.execute(wire.read_capacity10())
    host.execute(wire.read_capacity16())
    host.execute(wire.mode_sense6())
    host.execute(wire.mode_sense10())
    host.execute(wire.prevent_removal(True))
    use(host)
    return host


@scene("unplugged-with-unflushed-writes")
def unplugged_between_commands() -> Host:
    """Pulled out a while after the last command, and not put back."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    use(host)
    host.wait_ms(5000)
    host.detach()
    later(host)
    return host


@scene("unplugged-with-unflushed-writes")
def plugged_in_twice() -> Host:
    """Pulled out and put back by hand."""
    host = new_host()
    for address in (2, 3):
        host.enumerate(address)
        session.identify(host)
        use(host)
        host.wait_ms(4000)
        host.detach()
        host.wait_ms(9000)
    return host


@scene()
def polled_idly() -> Host:
    """TEST UNIT READY every two seconds for ten minutes (common practice of desktop hosts)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    use(host)
    for _ in range(300):
        host.execute(wire.test_unit_ready())
        host.wait_ms(2000)
    return host


@scene("slow-command")
def slow_writes() -> Host:
    """Writes that take 4 s now and then while the stick moves data (common practice)."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    for lba in range(4000, 4100, 10):
        host.execute(wire.write10(lba, 8), data_out=b"\x55" * 4096, late_ms=4000 if lba == 4050 else 0)
    session.flush(host)
    return host


@pytest.mark.parametrize(("made", "allowed"), SCENES, ids=[made.__name__ for made, _ in SCENES])
def test_no_alarm(made: Scene, allowed: frozenset[str]) -> None:
    """No fault, no risk but those allowed, no stage that failed, and the stick came into use."""
    diagnosis = diagnosed(made().recorder)
    slugs = found(diagnosis)
    assert not diagnosis.faults, diagnosis.verdict
    assert {slug for slug, severity in slugs.items() if severity == "risk"} <= allowed, diagnosis.verdict
    assert not any(rung.state == "failed" for report in diagnosis.reports for rung in report.rungs)
    assert any(rung.state == "reached" and rung.stage == "capacity" for rung in diagnosis.reports[0].rungs)
