"""Whom a log speaks of: names of many layers, tied together line by line."""

from __future__ import annotations

from pathlib import Path

import sticktrace
from sticktrace.bus.device import Device
from sticktrace.bus.devices import Bus
from sticktrace.bus.hearsay import Hearsay
from sticktrace.capture.logs import LogReader, Statement

PLUG = "usb {path}: new high-speed USB device number {address} using ehci-pci\n"
IDS = "usb {path}: New USB device found, idVendor=1209, idProduct=000{product}, bcdDevice= 1.02\n"
HOST = "scsi host{host}: usb-storage {path}:1.0\n"
DISK = "sd {host}:0:0:0: [{block}] 614400 512-byte logical blocks: (315 MB/300 MiB)\n"
ERROR = "end_request: I/O error, dev {block}, sector 2048\n"


def heard(text: str) -> tuple[Bus, list[tuple[Statement, Device | None, int]]]:
    """Every statement of a text with whom it is about."""
    bus = Bus()
    hearsay, reader = Hearsay(bus), LogReader(text.encode())
    found = []
    for item in [*reader.statements(), *reader.rest()]:
        device, lun, _ = hearsay.take(item)
        found.append((item, device, lun))
    return bus, found


def stick(path: str, host: int, block: str, *, address: int = 5, product: int = 1) -> str:
    """A stick that comes up, every layer's name tied to the next."""
    return (PLUG + IDS + HOST + DISK).format(path=path, host=host, block=block, address=address, product=product)


def devices(text: str) -> list[Device | None]:
    """Whom each statement is about."""
    return [device for _, device, _ in heard(text)[1]]


def test_every_name_leads_to_the_device() -> None:
    found = devices(stick("1-1", 6, "sdb") + ERROR.format(block="sdb") + "usb 1-1: USB disconnect, device number 5\n")
    assert len({id(device) for device in found}) == 1
    (device,) = {id(device): device for device in found}.values()
    assert device is not None and device.heard is not None
    told = device.heard
    assert (told.path, told.host, told.blocks, told.transport) == ("1-1", 6, {0: "sdb"}, "BOT")
    assert (device.vid_pid, device.address, device.speed, told.taken) == ("1209:0001", 5, "high", False)


def test_two_sticks_are_kept_apart() -> None:
    text = stick("1-1", 6, "sdb") + stick("1-2", 7, "sdc", product=2)
    found = devices(text + ERROR.format(block="sdb") + ERROR.format(block="sdc"))
    assert found[-2] is found[0] and found[-1] is found[4] and found[0] is not found[4]


def test_names_that_are_given_anew_lead_to_the_new_device() -> None:
    """After replugging, the host's number and the disk's name may be the same or others."""
    gone = "usb 1-1: USB disconnect, device number 5\n"
    for host, block in ((6, "sdb"), (7, "sdc")):
        found = devices(stick("1-1", 6, "sdb") + gone + stick("1-1", host, block) + ERROR.format(block=block))
        assert found[0] is not found[-1] and found[5] is found[-1]


def test_a_host_that_tries_again_is_at_the_same_plugging_in() -> None:
    text = PLUG.format(path="1-1", address=5) + "usb 1-1: device descriptor read/64, error -71\n"
    text += PLUG.format(path="1-1", address=6) + "usb usb1-port1: unable to enumerate USB device\n"
    found = devices(text)
    assert len({id(device) for device in found}) == 1 and found[0] is not None
    assert found[0].addresses == [5, 6]


def test_an_excerpt_that_ties_nothing_is_about_the_one_device() -> None:
    """And that is remembered as taken for granted."""
    reset = "usb 1-1: reset high-speed USB device number 5 using ehci-pci\n"
    disk = "sd 6:0:0:0: [sdb] Attached SCSI removable disk\n"
    for text in (reset + disk, disk + reset):
        found = devices(text)
        assert found[0] is found[1] and found[0] is not None
        assert found[0].heard is not None and found[0].heard.taken and found[0].heard.path == "1-1"


def test_with_two_that_could_be_meant_nobody_is_chosen() -> None:
    two = (("1-1", 5), ("1-2", 6))
    plugs = "".join((PLUG + IDS).format(path=path, address=address, product=1) for path, address in two)
    found = devices(plugs + "sd 6:0:0:0: [sdb] Attached SCSI removable disk\n")
    assert found[-1] is not found[0] and found[-1] is not found[2]


def test_disks_of_other_buses_are_nobodys() -> None:
    text = "scsi host0: ahci\nsd 0:0:0:0: [sda] Attached SCSI disk\nend_request: I/O error, dev sda, sector 1\n"
    text += "scsi 1:0:0:0: Direct-Access     ATA      PIER DISK        1.0  PQ: 0 ANSI: 5\n"
    text += "EXT4-fs (mmcblk0p2): mounted filesystem with ordered data mode\n"
    assert devices(text) == [None] * 5
    assert devices(stick("1-1", 6, "sdb") + "EXT4-fs (sda2): mounted filesystem with ordered data mode\n")[-1] is None


def test_units_by_number() -> None:
    text = stick("1-1", 6, "sdb") + "sd 6:0:0:1: [sdc] Attached SCSI removable disk\n" + ERROR.format(block="sdc")
    _, found = heard(text)
    assert [lun for _, _, lun in found[-2:]] == [1, 1]
    assert found[-1][1] is found[0][1]


def test_when_the_system_starts_again_nobody_is_known() -> None:
    found = devices(stick("1-1", 6, "sdb") + "Linux version 6.1.0 (builder@pier)\n" + stick("1-1", 6, "sdb"))
    assert found[4] is None and found[0] is not found[5]
    assert found[0] is not None and not found[0].present


def test_ports_tell_where_a_device_hangs() -> None:
    bus, found = heard("hub 1-1:1.0: USB hub found\n" + stick("1-1.3", 6, "sdb"))
    device = found[-1][1]
    assert device is not None and device.hub is found[0][1] and device.port == 3
    assert found[0][1] is not None and found[0][1].is_hub
    assert [d.heard.path for d in bus.devices if d.heard] == ["1-1", "1-0", "1-1.3"]


def test_a_bsd_kernels_names() -> None:
    text = """umass0: <SKERRY TIDE LOGGER, class 0/0, rev 2.00/1.00, addr 2> on usbus0
da0 at umass-sim0 bus 0 scbus2 target 0 lun 0
umass1: <PIERWORK SPARE STICK, class 0/0, rev 2.00/1.00, addr 3> on usbus0
da1 at umass-sim1 bus 1 scbus3 target 0 lun 0
(da1:umass-sim1:1:0:0): READ(10). CDB: 28 0 0 0 8 0 0 0 8 0
(da0:umass-sim0:0:0:0): lost device
ugen0.2: <SKERRY TIDE LOGGER> at usbus0 (disconnected)
"""
    found = devices(text)
    assert found[4] is found[2] and found[5] is found[0] and found[6] is found[0]
    assert found[0] is not None and found[0].heard is not None
    assert found[0].heard.strings["iProduct"] == "SKERRY TIDE LOGGER"


def test_where_nobody_is_named_the_last_one_is_meant() -> None:
    text = "USB Device Attached\nVID: 1209h\nPID: 0001h\nMSC Device ready\nUSB Device disconnected\n"
    found = devices(text + "USB Device Attached\n")
    assert len({id(device) for device in found[:5]}) == 1 and found[5] is not found[0]
    assert found[0] is not None and found[0].vid_pid == "1209:0001"


def test_the_public_face_gives_devices_of_logs(tmp_path: object) -> None:
    from pathlib import Path

    path = Path(str(tmp_path)) / "some.log"
    path.write_text(stick("1-1", 6, "sdb"))
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        kinds = [type(item).__name__ for item in reading]
    assert {"BusEvent", "Saying"} == set(kinds)
    assert sum(reading.places().values()) == reading.records == 4


def test_a_stick_that_comes_and_goes_for_ever_does_not_fill_the_memory(tmp_path: Path) -> None:
    """Devices beyond a limit are counted and said to be left out; every line still ends in one place."""
    from sticktrace.bus.hearsay import MOST_DEVICES

    path = tmp_path / "kernel.log"
    path.write_text("".join(
        f"[{n}.0] usb 1-1: new high-speed USB device number {n % 120 + 2} using ehci-pci\n"
        f"[{n}.5] usb 1-1: USB disconnect, device number {n % 120 + 2}\n" for n in range(MOST_DEVICES + 100)
    ))  # fmt: skip
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        for _ in reading:
            pass
    assert len(reading.bus.devices) == MOST_DEVICES
    assert any("beyond the first 2,000 are left out" in sentence for sentence in reading.assumed)
    assert sum(reading.places().values()) == reading.records
