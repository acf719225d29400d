"""Exchanges judged alike: the quick way comes to the same as judging each by itself, which is the definition."""

from __future__ import annotations

import pytest

from breaches.lab import audited, new_host, ready_host, together
from conftest import capture_bytes
from sticktrace.duties.alike import Likeness
from workshop import Host, Unit, session, wire


def mixed() -> Host:
    """All kinds of commands in turn, on two units, some of which fail, with blocks that change."""
    host = ready_host(units=[session.tide_unit(), Unit()], max_lun=1)
    for number in range(60):
        host.execute(wire.read10(number * 8, 8))
        host.execute(wire.write10(2048 + number), data_out=bytes((number,)) * 512)
        host.execute(wire.test_unit_ready(), lun=number & 1)
        host.execute(wire.read16(number, 2))
        if number % 3 == 0:
            host.execute(wire.inquiry(255))
            host.execute(wire.read10(10**7 + number))
        if number % 20 == 7:
            host.reset_recovery()
        if number == 40:
            host.command(wire.read10(3), data_in=bytes(512), residue=512)
            host.command(wire.test_unit_ready(), flags=0x40)
    return host


def switched() -> Host:
    """Many tags alike, write protection that comes and goes."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    for number in range(40):
        host.tag = 7
        host.stick.units[0].write_protected = number > 20
        host.execute(wire.mode_sense6())
        host.execute(wire.write10(2048), data_out=bytes(512))
    return host


CASES = {
    "mixed": lambda: mixed().recorder.pcap(),
    "switched": lambda: switched().recorder.pcap(),
    **{name: (lambda name=name: capture_bytes(name)) for name in (
        "l16_sg_bot-usbmon.pcap", "l19_uas_ehci-usbmon.pcap", "l11_cdrom_bot-emu.pcap", "l18_reset-usbmon.pcap",
        "g17_raw_bot_orderly-usbmon.pcap", "g02_two_luns-usbmon.pcap",
    )},
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_both_ways_count_the_same(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    data = CASES[name]()
    quick = {id: (count.kept, count.broken, count.broken_at) for id, count in together(audited(data)).items()}
    monkeypatch.setattr(Likeness, "seen", lambda self, key, exchange: None)
    each = {id: (count.kept, count.broken, count.broken_at) for id, count in together(audited(data)).items()}
    assert quick == each
