"""Findings of enumeration, power, hubs, descriptors, class start-up: a trace for each, and a near miss.

The limits are those of USB 2.0 (7.1.7.3, 7.1.7.5, 7.2.1, 9.2.6.3, 11.24.2) and BOT 1.0 (3.1, 3.2, 4.1.1); the clause of
each pattern stands in the catalogue, and patterns marked "common practice" rest on reports from the field.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnosis_lab import Case, Cases, check, diagnosed, later, new_host
from workshop import Alternate, Host, Hub, Unit, session, wire
from workshop.bringup import KERNEL, SMALL_STACK
from workshop.identity import BULK_ONLY, BULK_ONLY_FULL_SPEED, UAS
from workshop.recorder import BABBLE, GONE, PROTOCOL, STALL, TIMED_OUT

CASES = Cases()


@CASES.add("nothing-attached", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 Table 11-21: wPortStatus bit 0."""
    for _ in range(3):
        host.port_status()
        host.wait_ms(500)
    if not wrong:
        host.enumerate()


@CASES.add("first-descriptor-no-answer", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    for _ in range(3):
        host.first_descriptor(status=TIMED_OUT, took_ns=5_000_000_000)
        host.reset_port()
    if not wrong:
        host.address(2)


@CASES.add("first-descriptor-retried", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    if wrong:
        host.first_descriptor(status=PROTOCOL)
        host.reset_port()
    host.address(2)
    host.read_descriptors()


@CASES.add("host-never-retried", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.first_descriptor(status=PROTOCOL)
    if not wrong:
        for _ in range(2):
            host.reset_port()
            host.first_descriptor(status=PROTOCOL)
    later(host)


@CASES.add("first-request-length", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    request = wire.get_descriptor(wire.DEVICE, 8 if wrong else 64)
    host.control(request, status=STALL, address=0)
    host.reset_port()
    host.address(2)


@CASES.add("address-refused", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.first_descriptor()
    for _ in range(2):
        host.control(wire.set_address(2), status=PROTOCOL, address=0)
        host.reset_port()
    if not wrong:
        host.address(2)


@CASES.add("deaf-after-address", "fault", ready=False, habit=replace(KERNEL, address_ms=0.5))
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.2.6.3: 2 ms."""
    host.attach()
    host.address(2)
    for _ in range(3):
        host.control(wire.get_descriptor(wire.DEVICE, 18), status=TIMED_OUT, took_ns=500_000_000)
    if not wrong:
        host.read_descriptors()
        host.configure()


@CASES.add("address-recovery-short", "risk", ready=False, habit=SMALL_STACK)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.2.6.3: 2 ms. The workshop adds 0.15 ms after each request."""
    host.habit = replace(SMALL_STACK, address_ms=1.0 if wrong else 2.1)
    host.enumerate()


@CASES.add("reset-recovery-short", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 7.1.7.5: TRSTRCY is 10 ms."""
    host.habit = replace(SMALL_STACK, recovery_ms=4 if wrong else 10.1)
    host.enumerate()


@CASES.add("debounce-short", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 7.1.7.3: TATTDB is 100 ms."""
    host.habit = replace(SMALL_STACK, debounce_ms=30 if wrong else 101)
    host.enumerate()


@CASES.add("connection-flaps", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    for _ in range(3):
        host.attach()
        host.wait_ms(20 if wrong else 3000)
        host.detach()
        host.wait_ms(20)


@CASES.add("power-over-budget", "risk", ready=False, max_power_ma=200)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 7.2.1: one unit load, 100 mA, at the port of a bus-powered hub."""
    if wrong:
        host.external_hub(Hub(), address=2)
    host.enumerate(3)
    session.identify(host)


@CASES.add("not-configured-for-power", "fault", ready=False, max_power_ma=500)
def _(host: Host, wrong: bool) -> None:
    host.external_hub(Hub(), address=2)
    host.stick.identity.max_power_ma = 500 if wrong else 100
    host.attach()
    host.address(3)
    host.read_descriptors()
    later(host)


@CASES.add("over-current", "fault")
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 Tables 11-21, 11-22: bit 3 of both words."""
    host.set_port(0x0008 if wrong else 0x0100, 0x000B if wrong else 0x0003)
    host.port_status()


@CASES.add("back-fed-port", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.set_port(0x0001 if wrong else 0x0101, 0x0001)
    host.port_status()


@CASES.add("port-power-not-switched", "note")
def _(host: Host, wrong: bool) -> None:
    host.control(wire.clear_port_feature(wire.PORT_POWER, host.port), address=host.hub.address)
    host.wait_ms(200)
    host.hub.status[host.port] = 0x0503 if wrong else 0
    host.port_status()


def _dies(host: Host, writing: bool = True) -> None:
    """A command is under way when the stick goes."""
    if writing:
        host.command(wire.write10(9000, 8), data_out=bytes(4096), data_error=PROTOCOL, accepts=512)
    else:
        host.command(wire.read10(9000, 8), data_in=b"", expected=4096, data_error=GONE)
    host.detach()


@CASES.add("brown-out", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        _dies(host)
    else:
        host.execute(wire.write10(9000), data_out=bytes(512))
        host.detach()
    host.wait_ms(300)
    host.enumerate(address=3)


@CASES.add("gone-in-use", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        _dies(host, writing=False)
    else:
        host.execute(wire.read10(9000))
        host.wait_ms(50)
        host.detach()
    later(host)


@CASES.add("hub-not-driven", "fault", ready=False, product_id=14, codes=(9, 0, 1))
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 11.23.1: class 09h."""
    host.stick.identity.alternates = (Alternate(codes=(9, 0, 0), endpoints=((0x81, 3, 1, 12),)),)
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    if not wrong:
        host.control(wire.setup(0xA0, 6, wire.HUB_DESCRIPTOR << 8, 0, 15), Hub().descriptor())
        host.control(wire.port_status(1), bytes.fromhex("00010000"))
    later(host)


@CASES.add("split-transactions-missing", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 8.4.2: full speed behind a high-speed hub goes by split transactions."""
    host.external_hub(Hub(), address=2)
    host.stick.identity.speed = "full" if wrong else "high"
    host.stick.identity.alternates = (BULK_ONLY_FULL_SPEED,)
    host.attach()
    for _ in range(3):
        host.first_descriptor(status=PROTOCOL)
        host.reset_port()


@CASES.add("hub-reset-rushed", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    if wrong:
        host.control(wire.set_port_feature(wire.PORT_RESET, host.port), address=host.hub.address)
        host.wait_ms(60)
    host.address(2)


@CASES.add("disconnect-unnoticed", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.external_hub(Hub(), address=2)
    host.enumerate(3)
    session.identify(host)
    for lba in range(4):
        host.command(wire.read10(lba), data_in=b"", expected=512, data_error=PROTOCOL)
        if not wrong:
            host.port_status()


@CASES.add("hubs-in-series", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.external_hub(Hub(address=2), address=2)
    if wrong:
        host.external_hub(Hub(address=3), address=3)
    host.enumerate(4)
    session.identify(host)


@CASES.add("two-devices-at-address-0", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.1.2: one device in the Default state at a time."""
    host.attach()
    host.first_descriptor()
    if not wrong:
        host.control(wire.set_address(2), address=0)
    host.port = 2
    host.attach()


@CASES.add("packet-size-0-mismatch", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.6.1: bMaxPacketSize0 at offset 7."""
    host.attach()
    request = wire.get_descriptor(wire.DEVICE, 64)
    host.control(request, host.stick.identity.device()[: 8 if wrong else 18], status=BABBLE if wrong else 0, address=0)


@CASES.add("packet-size-0-not-allowed", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 5.5.3: 64 at high speed."""
    host.stick.identity.packet_size_0 = 8 if wrong else 64
    host.enumerate()


@CASES.add("bulk-packet-size-wrong", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 5.8.3: at most 64 at full speed."""
    host.stick.identity.speed = "full"
    host.stick.identity.alternates = (BULK_ONLY if wrong else BULK_ONLY_FULL_SPEED,)
    host.enumerate()


@CASES.add("runs-below-its-speed", "note", ready=False, speed="full", alternates=(BULK_ONLY_FULL_SPEED,))
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.6.2: a device that cannot do high speed answers the request with STALL."""
    host.attach()
    host.address(2)
    host.read_descriptors()
    qualifier = bytes((10, 6, 0, 2, 0, 0, 0, 64, 1, 0))
    host.control(wire.get_descriptor(6, 10), qualifier if wrong else b"", status=0 if wrong else STALL)


@CASES.add("configuration-short", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    host.ask(wire.get_descriptor(wire.DEVICE, 18))
    whole = host.stick.identity.configuration()
    host.control(wire.get_descriptor(wire.CONFIGURATION, 255), whole[:9] if wrong else whole)


@CASES.add("configuration-not-read-whole", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    host.ask(wire.get_descriptor(wire.DEVICE, 18))
    host.ask(wire.get_descriptor(wire.CONFIGURATION, 20 if wrong else 255))
    later(host)


@CASES.add("descriptors-disagree", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    whole = bytearray(host.stick.identity.configuration())
    whole[9] = 0 if wrong else 9  # bLength of the interface descriptor
    host.control(wire.get_descriptor(wire.CONFIGURATION, 255), bytes(whole))


@CASES.add("string-not-answered", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    host.ask(wire.get_descriptor(wire.STRING, 255, 7 if wrong else 2, 0x0409))


@CASES.add("serial-number-unusable", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """BOT 1.0 4.1.1: at least 12 characters, 0-9 and A-F (Table 4.3)."""
    host.stick.identity.serial = "20310418000x" if wrong else "20310418000F"
    host.enumerate()


@CASES.add("storage-codes-unusual", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """MSC Overview 1.4 Tables 1 and 2: subclass 05h is obsolete."""
    host.stick.identity.alternates = (Alternate(codes=(8, 5 if wrong else 6, 0x50)),)
    host.enumerate()


@CASES.add("storage-not-interface-0", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.identity.alternates = (Alternate(interface=1 if wrong else 0),)
    host.enumerate()


@CASES.add("class-request-wrong-interface", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.identity.alternates = (Alternate(interface=1),)
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    host.ask(wire.get_max_lun(0 if wrong else 1))


@CASES.add("uas-only", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.stick.identity.alternates = (replace(UAS, alternate=0),) if wrong else (BULK_ONLY, UAS)
    host.attach()
    host.address(2)
    host.read_descriptors()
    later(host)


@CASES.add("max-lun-stall-fatal", "fault", ready=False, max_lun=None)
def _(host: Host, wrong: bool) -> None:
    """BOT 1.0 3.2: a device with one logical unit may STALL."""
    host.enumerate()
    if not wrong:
        session.identify(host)
    later(host)


@CASES.add("string-failure-fatal", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.ask(wire.get_descriptor(wire.STRING, 255, 9, 0x0409))
    if not wrong:
        host.configure()
    later(host)


@CASES.add("set-interface-stall-fatal", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """USB 2.0 9.4.10: a device with one setting may STALL."""
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    host.control(wire.set_interface(0, 0), status=STALL)
    if not wrong:
        session.identify(host)
    later(host)


@CASES.add("optional-descriptor-fatal", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.control(wire.get_descriptor(15, 5), status=TIMED_OUT, took_ns=5_000_000_000)
    if not wrong:
        host.configure()
    later(host)


@CASES.add("max-lun-then-dead", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    if wrong:
        host.time_out(wire.inquiry(), data_in=36)
        host.recover_by_port_reset()
    session.identify(host)


@CASES.add("max-lun-nonsense", "risk", ready=False)
def _(host: Host, wrong: bool) -> None:
    """BOT 1.0 3.2: 0 to 15."""
    host.stick.max_lun = 0x7F if wrong else 15
    host.enumerate()


@CASES.add("units-answer-alike", "note", ready=False, max_lun=1)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [session.tide_unit(), session.tide_unit(product="TIDE LOGGER" if wrong else "TIDE LOGGER B")]
    host.enumerate()
    for lun in (0, 1):
        session.identify(host, lun)


@CASES.add("class-reset-at-start", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    host.enumerate()
    if wrong:
        host.control(wire.class_reset())
    session.identify(host)
    if not wrong:
        host.reset_recovery()


@CASES.add("no-medium", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 2/3A/00."""
    host.stick.units = [Unit(None)] if wrong else [session.tide_unit()]
    host.enumerate()
    session.identify(host)


@CASES.add("empty-first-unit", "fault", ready=False, max_lun=1)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [Unit(None, product="PIER READER A"), session.tide_unit(product="PIER READER B")]
    host.enumerate()
    session.identify(host)
    if not wrong:
        session.identify(host, 1)


@CASES.add("empty-unit", "note", ready=False, max_lun=1)
def _(host: Host, wrong: bool) -> None:
    host.stick.units = [session.tide_unit(), Unit(None if wrong else session.tide_unit().medium)]
    host.enumerate()
    session.identify(host)
    session.make_ready(host, 1, tries=2)


@CASES.add("cd-rom-unit", "note", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 83: peripheral device type 05h."""
    host.stick.units = [session.tide_unit(device_type=5 if wrong else 0)]
    host.enumerate()
    session.identify(host)


@CASES.add("uas-trouble", "fault", ready=False, alternates=(BULK_ONLY, UAS))
def _(host: Host, wrong: bool) -> None:
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    host.choose_alternate(0, 1)
    for _ in range(2):
        host.uas(wire.inquiry())
        if wrong:
            host.bulk(0x02, 32, wire.uas_command(host.tag, 0, wire.read10(5)), id=host.command_id)
            host.tag += 1
            host.wait_ms(500)
            host.recover_by_port_reset()
            host.choose_alternate(0, 1)


@CASES.add("unit-attention-fatal", "fault", ready=False, unit=None)
def _(host: Host, wrong: bool) -> None:
    """SAM-3 5.9.7: the unit attention is cleared by reporting it."""
    host.stick.units[0].attention = (6, 0x28, 0)
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.test_unit_ready())
    if not wrong:
        host.execute(wire.test_unit_ready())
    later(host)


@CASES.add("gave-up-while-starting", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 2/04/01, becoming ready."""
    host.stick.units[0].not_ready = 3
    host.enumerate()
    session.make_ready(host, tries=3 if wrong else 4)
    later(host)


@CASES.add("start-unit-needed", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 2/04/02, initializing command required."""
    host.enumerate()
    host.command(wire.test_unit_ready(), status=1)
    host.command(wire.request_sense(), data_in=wire.fixed_sense(2, 4, 2 if wrong else 1))
    later(host)


@CASES.add("optional-command-fatal", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3: 5/20/00."""
    host.stick.units[0].unsupported = frozenset({0x23})
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.test_unit_ready())
    host.execute(wire.read_format_capacities())
    if not wrong:
        host.execute(wire.read_capacity10())
    later(host)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_shows(case: Case) -> None:
    """The trace shows the pattern."""
    check(case, True)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_near_miss(case: Case) -> None:
    """The near miss does not."""
    check(case, False)


@pytest.mark.parametrize("with_hub", [True, False])
def test_a_stick_that_goes_with_its_hub_is_told_so(with_hub: bool) -> None:
    """USB 2.0 11.24.2.7.1: the port in front of the hub reports it; what hangs behind is gone as well."""
    host = new_host()
    root = host.hub
    host.external_hub(Hub(), address=2)
    host.enumerate(3)
    session.identify(host)
    host.command(wire.read10(9, 8), data_in=b"", expected=4_096, data_error=GONE, no_status=True)
    if with_hub:
        host.hub, host.port = root, 1
    host.detach()
    answer = diagnosed(host.recorder).answer
    assert answer.main is not None and answer.main.slug == "gone-in-use" and answer.stopped
    assert ("with Skerry Instruments Pier Hub" in answer.text) is with_hub
    assert ("the hub above it went" in answer.text) is with_hub
