"""Scenes in which something goes wrong, each with one cause."""

from __future__ import annotations

from workshop import session, wire
from workshop.fat import changed
from workshop.identity import Hub
from workshop.medium import Medium
from workshop.recorder import GONE, PROTOCOL, Recorder
from workshop.stage import board_host, kernel_host, logger
from workshop.tables import exfat_boot_region, gpt, master_boot_record
from workshop.unit import CHANGED, POWER_ON, Unit

APRIL = "/LEVELS/2031-04.CSV"


def get_max_lun_stall_fatal() -> Recorder:
    """The stick stalls Get Max LUN, as it may; the host takes it for the end."""
    host = board_host(logger(session.tide_unit(), product_id=5, max_lun=None))
    host.enumerate()
    return host.recorder


def unit_attention_giveup() -> Recorder:
    """The first TEST UNIT READY brings a unit attention; the host reads the sense and gives up."""
    host = board_host(logger(session.tide_unit(attention=CHANGED), product_id=6))
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.test_unit_ready())
    return host.recorder


def brown_out_on_write() -> Recorder:
    """Reads work; in the first long write the supply dips, the stick falls off the bus and comes back as new."""
    volume = session.tide_volume()
    unit = Unit(session.tide_medium(volume), attention=POWER_ON)
    host = kernel_host(logger(unit, product_id=7))
    host.stick.identity.max_power_ma = 500
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    session.read_file(host, volume, APRIL)
    before = volume.sectors()
    volume.append(APRIL, session.levels("QUAY-3", 18, 13))
    lba, rows = changed(before, volume.sectors())[0]
    host.execute(wire.write10(lba, 8), data_out=rows[: 8 * 512])
    rest = rows[8 * 512 :]
    host.command(wire.write10(lba + 8, len(rest) // 512), data_out=rest, data_error=PROTOCOL, accepts=3 * 512)
    host.control(wire.set_port_feature(wire.PORT_RESET, host.port), address=host.hub.address)
    host.wait_ms(60)
    host.detach()
    host.wait_ms(380)
    unit.attention = POWER_ON
    host.tag = 1
    host.enumerate(address=3)
    session.identify(host)
    session.mount(host, volume)
    return host.recorder


def bad_sector() -> Recorder:
    """One sector inside the April file cannot be read: MEDIUM ERROR, retried, given up; all else reads well."""
    volume = session.tide_volume()
    first = session.runs(volume, APRIL)[0][0]
    unit = Unit(session.tide_medium(volume), attention=POWER_ON, bad_lbas=frozenset({first + 5}))
    host = kernel_host(logger(unit, product_id=8))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    session.list_directory(host, volume, "/LEVELS")
    session.read_file(host, volume, APRIL)
    for _ in range(3):
        host.wait_ms(20)
        host.execute(wire.read10(first + 5))
    session.read_file(host, volume, "/STATION.TXT")
    return host.recorder


def write_protected() -> Recorder:
    """The stick says in MODE SENSE that it is write-protected; the host writes all the same."""
    volume = session.tide_volume()
    unit = Unit(session.tide_medium(volume), attention=POWER_ON, write_protected=True)
    host = board_host(logger(unit, product_id=9))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    session.read_file(host, volume, APRIL)
    for _ in range(3):
        session.append(host, session.tide_volume(), APRIL, session.levels("QUAY-3", 1, 13))
        host.wait_ms(100)
    return host.recorder


def exfat_volume() -> Recorder:
    """Every command works; the volume is exFAT and the host's file layer reads FAT only."""
    first, blocks = session.FIRST_LBA, session.BLOCKS
    sectors = {0: master_boot_record((0x07, first, blocks - first))} | exfat_boot_region(first, blocks - first)
    host = board_host(logger(Unit(Medium(blocks, sectors=sectors), attention=POWER_ON), product_id=10))
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(0))
    host.execute(wire.read10(first))
    return host.recorder


def gpt_volume() -> Recorder:
    """The stick has a GPT; the host knows the MBR only, tries the protective entry's sector as a volume and stops."""
    volume, blocks = session.tide_volume(), session.BLOCKS
    sectors = gpt(blocks, volume.first_lba, blocks - 34, "TIDEPIER") | volume.sectors()
    host = board_host(logger(Unit(Medium(blocks, sectors=sectors), attention=POWER_ON), product_id=11))
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(0))
    host.execute(wire.read10(1))
    return host.recorder


def hub_port_overcurrent() -> Recorder:
    """A stick of 500 mA behind a bus-powered hub: the hub cuts the port at the first read, twice."""
    host = kernel_host(logger(session.tide_unit(), product_id=12))
    host.stick.identity.max_power_ma = 500
    host.external_hub(Hub(ports=4, report_bytes=1), address=2, port=1)
    host.port = 3
    for address in (3, 4):
        host.tag = 1
        host.enumerate(address)
        host.execute(wire.inquiry())
        host.execute(wire.test_unit_ready())
        host.execute(wire.read_capacity10())
        host.command(wire.read10(0), data_in=b"", expected=512, data_error=PROTOCOL)
        host.set_port(0x0008, 0x000B)  # over-current, power off; connect, enable and over-current changed
        host.port_status()
        host.command(wire.read10(0), data_in=bytes(512), command_error=GONE)
        for feature in (wire.C_PORT_CONNECTION, wire.C_PORT_ENABLE, wire.C_PORT_OVER_CURRENT):
            host.clear_port(feature)
        host.wait_ms(100)
        host.control(wire.set_port_feature(wire.PORT_POWER, host.port), address=host.hub.address)
        host.set_port(0x0100, 0)
        host.wait_ms(100)
        host.port_status()
    return host.recorder


def no_address() -> Recorder:
    """The stick answers at address 0 and fails at SET_ADDRESS, through four resets and a power cycle of the port."""
    host = kernel_host(logger(session.tide_unit(), product_id=13))
    host.attach()
    for attempt in range(4):
        if attempt == 2:
            host.control(wire.clear_port_feature(wire.PORT_POWER, host.port), address=host.hub.address)
            host.wait_ms(200)
            host.control(wire.set_port_feature(wire.PORT_POWER, host.port), address=host.hub.address)
            host.wait_ms(100)
            host.attach()
        host.first_descriptor()
        host.reset_port()
        host.control(wire.set_address(2), status=PROTOCOL, address=0, took_ns=15_000_000)
        host.wait_ms(200)
        host.control(wire.set_address(2), status=PROTOCOL, address=0, took_ns=15_000_000)
        host.reset_port()
    return host.recorder


def card_reader_empty_lun() -> Recorder:
    """A reader with two slots; the card is in the second, the host looks at the first only."""
    empty = Unit(None, product="PIER READER A")
    card = session.tide_unit(product="PIER READER B")
    host = board_host(logger(empty, card, product_id=14, max_lun=1))
    host.enumerate()
    host.execute(wire.inquiry())
    session.make_ready(host, tries=6, pause_ms=250)
    return host.recorder


def counterfeit() -> Recorder:
    """Half the capacity is a lie: a file written beyond the real size lands on the first FAT, with status passed."""
    volume, real = session.tide_volume(), session.BLOCKS // 2
    volume.next_cluster = (real + volume.fat_lba - volume.data_lba) // volume.per_cluster + 2
    medium = session.tide_medium(volume, real_blocks=real)
    host = kernel_host(logger(Unit(medium, attention=POWER_ON), product_id=15))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    session.list_directory(host, volume, "/LEVELS")
    session.append(host, volume, APRIL, session.levels("QUAY-3", 12, 13), data_last=True)
    session.flush(host)
    host.wait_ms(1500)
    session.mount(host, volume)
    session.read_file(host, volume, APRIL)
    return host.recorder


def big_blocks() -> Recorder:
    """A stick of 4096-byte blocks; the firmware prints its traffic on the console and gives up on the block length."""
    host = board_host(logger(Unit(Medium(16_384, 4096), attention=POWER_ON), product_id=1))
    host.enumerate()
    host.execute(wire.inquiry())
    session.make_ready(host)
    host.execute(wire.read_capacity10())
    return host.recorder
