"""What hosts do with a stick once its commands work: identify, mount, list, read, append, let go."""

from __future__ import annotations

from workshop import wire
from workshop.fat import FatVolume, changed
from workshop.host import Host
from workshop.medium import Medium
from workshop.tables import master_boot_record
from workshop.unit import Unit

FIRST_LBA = 2048
BLOCKS = 131_072
"""A stick of 64 MiB with one partition from 1 MiB on."""


def levels(station: str, days: int, first_day: int = 1, month: int = 4) -> bytes:
    """Hourly water levels in millimetres over chart datum: two tides a day, springs and neaps by a triangle."""
    lines = []
    for day in range(first_day, first_day + days):
        for hour in range(24):
            phase = (day * 24 + hour) * 100 // 1242 * 1242
            swing = abs((day * 24 + hour) * 100 - phase - 621) * 4
            lines.append(f"{station},2031-{month:02}-{day:02}T{hour:02}:00Z,{1800 + swing - (day % 15) * 20}\r\n")
    return "".join(lines).encode()


def tide_volume() -> FatVolume:
    """The volume of the scenario as the gauge left it."""
    volume = FatVolume(FIRST_LBA, BLOCKS - FIRST_LBA)
    volume.add("/STATION.TXT", b"station QUAY-3, pier head, datum 2.14 m below mark 7\r\n")
    volume.add("/LEVELS")
    volume.add("/LEVELS/2031-03.CSV", b"station,utc,level_mm\r\n" + levels("QUAY-3", 9, 1, 3))
    volume.add("/LEVELS/2031-04.CSV", b"station,utc,level_mm\r\n" + levels("QUAY-3", 12))
    volume.add("/LEVELS/Harbour datum notes.txt", b"Levelled from mark 7 on 3 April; staff read twice.\r\n")
    return volume


def tide_medium(volume: FatVolume, real_blocks: int | None = None) -> Medium:
    """A medium with an MBR and the volume on it."""
    kind = 0x0E if volume.bits == 16 else 0x01
    sectors = {0: master_boot_record((kind, volume.first_lba, volume.total))}
    return Medium(BLOCKS, sectors=sectors | volume.sectors(), real_blocks=real_blocks)


def tide_unit(**faults: object) -> Unit:
    """A logical unit with the scenario's volume."""
    return Unit(tide_medium(tide_volume()), **faults)  # type: ignore[arg-type]


def make_ready(host: Host, lun: int = 0, tries: int = 10, pause_ms: float = 100) -> bool:
    """TEST UNIT READY, its sense read each time, until the unit is ready or the host gives up."""
    for _ in range(tries):
        if host.execute(wire.test_unit_ready(), lun=lun).status == 0:
            return True
        host.wait_ms(pause_ms)
    return False


def identify(host: Host, lun: int = 0) -> bool:
    """INQUIRY, ready, capacity, first sector, write protection: the order of a common host kernel."""
    host.execute(wire.inquiry(), lun=lun)
    if not make_ready(host, lun):
        return False
    host.execute(wire.read_capacity10(), lun=lun)
    host.execute(wire.read10(0), lun=lun)
    host.execute(wire.mode_sense6(), lun=lun)
    return True


def mount(host: Host, volume: FatVolume) -> None:
    """Partition table, boot sector, first FAT sector, root directory."""
    for lba in (0, volume.first_lba, volume.fat_lba, volume.root_lba):
        host.execute(wire.read10(lba))


def list_directory(host: Host, volume: FatVolume, path: str) -> None:
    """The clusters of a directory."""
    for cluster in volume.node(path).clusters:
        host.execute(wire.read10(volume.lba(cluster), volume.per_cluster))


def runs(volume: FatVolume, path: str) -> list[tuple[int, int]]:
    """The sectors of a file as (first LBA, count), one for each run of consecutive clusters."""
    node = volume.node(path)
    left = -(-len(node.data or b"") // 512)
    out: list[tuple[int, int]] = []
    for cluster in node.clusters:
        count = min(left, volume.per_cluster)
        left -= count
        if out and sum(out[-1]) == volume.lba(cluster):
            out[-1] = (out[-1][0], out[-1][1] + count)
        else:
            out.append((volume.lba(cluster), count))
    return out


def read_file(host: Host, volume: FatVolume, path: str, sectors_at_once: int = 16) -> bool:
    """A file, in pieces. False at a failure."""
    for first, count in runs(volume, path):
        for lba in range(first, first + count, sectors_at_once):
            if host.execute(wire.read10(lba, min(sectors_at_once, first + count - lba))).status != 0:
                return False
    return True


def append(host: Host, volume: FatVolume, path: str, data: bytes, *, data_last: bool = False) -> bool:
    """Data, directory entry and both FATs, written where they changed, in this order or the other way round. False at
    a failure."""
    before = volume.sectors()
    volume.append(path, data)
    order = -1 if data_last else 1
    for lba, run in changed(before, volume.sectors())[::order]:
        if host.execute(wire.write10(lba, len(run) // 512), data_out=run).status != 0:
            return False
    return True


def flush(host: Host) -> None:
    """SYNCHRONIZE CACHE, and the medium may be taken."""
    host.execute(wire.synchronize_cache10())
    host.execute(wire.prevent_removal(False))
