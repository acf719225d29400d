"""Advice that can be followed: nobody is told to leave out a command that no host can do without.

SPC-3 4.5.6: ILLEGAL REQUEST. SBC-2 5.5 and 5.10: 32-bit addresses of READ(10) and READ CAPACITY(10).
"""

from __future__ import annotations

import pytest

from diagnosis_lab import diagnosed, later, new_host
from sticktrace.findings.finding import Finding
from sticktrace.findings.patterns import by_slug
from workshop import session, wire

NEEDED = {
    wire.test_unit_ready(): "go on with READ CAPACITY(10)",
    wire.read_capacity10(): "once TEST UNIT READY passes",
    wire.read_capacity16(): "Send READ CAPACITY(10) in place of READ CAPACITY(16)",
    wire.read10(5): "Send READ(10) with byte 1 zero",
    wire.read16(5): "Send READ(10) in place of READ(16)",
    wire.write10(5): "Send WRITE(10) with byte 1 zero",
    wire.write16(5): "Send WRITE(10) in place of WRITE(16)",
}
LEAVE = ("leave", "Leave", "without", "do not send")


def refused(slug: str, *cdbs: bytes, times: int = 1) -> Finding:
    """What is found of a stick that knows none of these commands, each sent some times after the capacity was read."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.stick.units[0].unsupported = frozenset(cdb[0] for cdb in cdbs)
    for cdb in cdbs:
        for _ in range(times):
            host.command(cdb, status=1)
            host.command(wire.request_sense(), data_in=wire.fixed_sense(5, 0x20))
    host.execute(wire.inquiry())
    later(host)
    return next(finding for finding in diagnosed(host.recorder).findings if finding.slug == slug)


@pytest.mark.parametrize("cdb", NEEDED, ids=lambda cdb: f"{cdb[0]:02X}h")
@pytest.mark.parametrize(("slug", "times"), [("requests-refused", 1), ("refused-command-repeated", 4)])
def test_a_refused_command_that_is_needed(cdb: bytes, slug: str, times: int) -> None:
    if slug == "requests-refused" and cdb[0] in (0x28, 0x2A):
        pytest.skip("a refused READ(10) or WRITE(10) is a fault of its own: access-refused")
    finding = refused(slug, cdb, times=times)
    assert NEEDED[cdb] in finding.advice and not any(word in finding.advice for word in LEAVE)
    assert finding.workaround == "" and finding.facts()["advice"] == finding.advice


def test_request_sense_refused() -> None:
    """Over UAS and CBI, whose sense data comes by itself."""
    said = by_slug("requests-refused").advice_on(["REQUEST SENSE"])
    assert "ask for 18 bytes" in said and not any(word in said for word in LEAVE)


def test_one_that_is_needed_among_others() -> None:
    """Both are told: what to leave out, and what to send in place of the other."""
    finding = refused("requests-refused", wire.synchronize_cache10(), wire.read_capacity16())
    assert finding.advice.startswith("Do without")
    assert finding.advice.endswith(NEEDED[wire.read_capacity16()] + ": it serves media of up to 2 TiB.")
    assert finding.workaround


def test_an_optional_command_is_left_out() -> None:
    """The near miss: what a host can do without."""
    finding = refused("requests-refused", wire.synchronize_cache10())
    assert finding.advice == finding.pattern.advice and "leave this command out" in finding.workaround


def test_a_host_that_stops_after_a_refused_test_unit_ready() -> None:
    host = new_host()
    host.enumerate()
    host.command(wire.test_unit_ready(), status=1)
    host.command(wire.request_sense(), data_in=wire.fixed_sense(5, 0x20))
    later(host)
    finding = next(f for f in diagnosed(host.recorder).findings if f.slug == "optional-command-fatal")
    assert NEEDED[wire.test_unit_ready()] in finding.advice and finding.workaround == ""


@pytest.mark.parametrize("cdb", [wire.read_capacity16(), wire.read16(5)], ids=["read-capacity-16", "read-16"])
def test_a_long_command_that_hangs(cdb: bytes) -> None:
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.time_out(cdb, data_in=32 if cdb[0] == 0x9E else 512)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())
    finding = next(f for f in diagnosed(host.recorder).findings if f.slug == "optional-command-upset")
    assert finding.advice.startswith(NEEDED[cdb]) and finding.workaround == ""


@pytest.mark.parametrize("cdb", [wire.test_unit_ready(), wire.request_sense(), wire.read_capacity10()])
def test_a_needed_command_that_hangs(cdb: bytes) -> None:
    """A timeout gets advice on waiting, none on leaving out."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.time_out(cdb, data_in={0x03: 18, 0x25: 8}.get(cdb[0], 0))
    host.recover_by_port_reset()
    host.execute(wire.inquiry())
    finding = next(f for f in diagnosed(host.recorder).findings if f.slug == "command-timeout")
    assert not any(word in finding.advice + finding.workaround for word in LEAVE)
