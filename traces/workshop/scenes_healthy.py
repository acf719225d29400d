"""Scenes in which host and stick get along, and the lesson on what Bulk-Only Transport allows."""

from __future__ import annotations

from workshop import session, wire
from workshop.fat import changed
from workshop.host import Host
from workshop.identity import BULK_ONLY, UAS, Identity, Stick
from workshop.recorder import Recorder
from workshop.stage import board_host, kernel_host, logger
from workshop.uas import DATA_IN
from workshop.unit import CHANGED, POWER_ON, Unit

APRIL = "/LEVELS/2031-04.CSV"


def healthy_boot() -> Recorder:
    """From plugging in to files: mount, list, read, append, flush."""
    volume = session.tide_volume()
    host = kernel_host(logger(Unit(session.tide_medium(volume), attention=POWER_ON)))
    host.enumerate()
    session.identify(host)
    host.wait_ms(400)
    session.mount(host, volume)
    session.list_directory(host, volume, "/LEVELS")
    session.read_file(host, volume, "/STATION.TXT")
    session.read_file(host, volume, APRIL)
    host.wait_ms(900)
    session.append(host, volume, APRIL, session.levels("QUAY-3", 3, 13))
    session.read_file(host, volume, APRIL)
    session.flush(host)
    return host.recorder


def not_ready_then_up() -> Recorder:
    """A slow stick: NOT READY for over half a second, and a host that waits as it should."""
    volume = session.tide_volume()
    unit = Unit(session.tide_medium(volume), attention=CHANGED, not_ready=5)
    host = board_host(logger(unit, product_id=2))
    host.enumerate()
    session.identify(host)
    session.mount(host, volume)
    session.read_file(host, volume, APRIL)
    return host.recorder


def uas_stick() -> Recorder:
    """A device with both transports; the host takes alternate setting 1 and talks UAS."""
    volume = session.tide_volume()
    identity = Identity(product_id=3, serial="203104180003", alternates=(BULK_ONLY, UAS))
    host = kernel_host(Stick(identity, [Unit(session.tide_medium(volume), attention=POWER_ON)]))
    host.attach()
    host.address(2)
    host.read_descriptors()
    host.configure()
    host.choose_alternate(0, 1)
    host.uas(wire.inquiry())
    while host.uas(wire.test_unit_ready()):
        host.wait_ms(20)
    host.uas(wire.read_capacity10())
    for lba in (0, volume.first_lba, volume.fat_lba, volume.root_lba):
        host.uas(wire.read10(lba))
    for lba, count in session.runs(volume, APRIL):
        host.uas(wire.read10(lba, count))
    before = volume.sectors()
    volume.append(APRIL, session.levels("QUAY-3", 1, 13))
    for lba, run in changed(before, volume.sectors()):
        host.uas(wire.write10(lba, len(run) // 512), data_out=run)
    host.uas(wire.synchronize_cache10())
    assert DATA_IN in {half.endpoint for half in host.recorder.halves}
    return host.recorder


def stall_recovery() -> Recorder:
    """The thirteen cases of BOT 1.0 6.7 in order, by a bench host, each answered as the text wants it; reset recovery
    after every phase error, a second read after a CSW met by STALL."""
    medium = session.tide_medium(session.tide_volume())
    host = board_host(logger(Unit(medium), product_id=4, short="stall"))
    host.enumerate()
    block, more = medium.read(2048), medium.read(2048, 2)
    _no_data_expected(host)
    _data_in_expected(host, block)
    _data_out_expected(host, block, more)
    host.command(wire.read10(2048), data_in=block, stall_status=True)
    host.command(wire.test_unit_ready())
    return host.recorder


def _phase_error(host: Host) -> None:
    host.wait_ms(1)
    host.reset_recovery()


def _no_data_expected(host: Host) -> None:
    host.command(wire.test_unit_ready())  # case 1, Hn = Dn
    host.command(wire.inquiry(), status=2)  # case 2, Hn < Di
    _phase_error(host)
    host.command(wire.write10(4096), status=2)  # case 3, Hn < Do
    _phase_error(host)


def _data_in_expected(host: Host, block: bytes) -> None:
    host.command(wire.test_unit_ready(), data_in=b"", expected=512, stall_data=True)  # case 4, Hi > Dn
    identity = host.stick.units[0].answer(wire.inquiry()).data
    host.command(wire.inquiry(), data_in=identity, expected=512, stall_status=True)  # case 5, Hi > Di
    host.command(wire.read10(2048), data_in=block)  # case 6, Hi = Di
    host.command(wire.read10(2048, 4), data_in=block, status=2)  # case 7, Hi < Di
    _phase_error(host)
    host.command(wire.write10(4096), data_in=b"", expected=512, stall_data=True, status=2)  # case 8, Hi <> Do
    _phase_error(host)


def _data_out_expected(host: Host, block: bytes, more: bytes) -> None:
    host.command(wire.test_unit_ready(), data_out=block, stall_data=True)  # case 9, Ho > Dn
    host.command(wire.read10(2048), data_out=block, stall_data=True, status=2)  # case 10, Ho <> Di
    _phase_error(host)
    host.command(wire.write10(4096), data_out=more, residue=512)  # case 11, Ho > Do
    host.command(wire.write10(4096), data_out=block)  # case 12, Ho = Do
    host.command(wire.write10(4096, 4), data_out=block, status=2)  # case 13, Ho < Do
    _phase_error(host)
