"""Findings of the transport and its recovery, of single commands, and the thirteen cases of BOT 1.0 6.7.

Wrapper and recovery rules are those of Bulk-Only Transport 1.0: 5.1 (CBW), 5.2 and Table 5.3 (CSW), 5.3.3 (status),
5.3.4 (reset recovery), 6.2 and 6.3 (valid and meaningful), 6.6 (errors), 6.7 (cases).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnosis_lab import Case, Cases, check, diagnosed, found, later, new_host
from workshop import Host, session, wire
from workshop.recorder import BABBLE, CANCELLED, PROTOCOL, STALL
from workshop.unit import BAD_OPCODE

CASES = Cases()
BLOCK = bytes(range(256)) * 2


@CASES.add("cbw-not-valid", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.2.1: 31 bytes; 6.6.1: the device stalls until reset recovery."""
    good = wire.cbw(host.tag, 512, 0x80, 0, wire.read10(5))
    if wrong:
        host.command(wire.read10(5), data_in=b"", expected=512, cbw=good + b"\0", stall_data=True, no_status=True)
        host.reset_recovery()
    else:
        host.command(wire.read10(5), data_in=BLOCK, cbw=good)
    host.execute(wire.test_unit_ready())


@CASES.add("cbw-not-meaningful", "note")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.2.2: no reserved bit is set; bit 6 of bmCBWFlags is obsolete and 0."""
    host.command(wire.read10(5), data_in=BLOCK, flags=0xC0 if wrong else 0x80)


@CASES.add("command-length-odd", "note")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 4.3.4.1: operation code group 1 has 10 bytes."""
    host.command(wire.read10(5), data_in=BLOCK, cdb_length=12 if wrong else 10)


@CASES.add("csw-not-valid", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT Table 5.2: 53425355h."""
    host.command(wire.read10(5), data_in=BLOCK, csw_signature=0x53425356 if wrong else wire.CSW_SIGNATURE)
    host.reset_recovery()
    host.execute(wire.test_unit_ready())


@CASES.add("csw-tag-wrong", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.2: dCSWTag is the dCBWTag."""
    host.command(wire.read10(5), data_in=BLOCK, csw_tag=host.tag - 1 if wrong else host.tag)
    host.reset_recovery()
    host.execute(wire.test_unit_ready())


@CASES.add("csw-late", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.2.1: a CBW comes after the CSW of the command before."""
    late = host.tag
    host.command(wire.write10(5), data_out=BLOCK, no_status=wrong)
    if wrong:
        tag, host.tag = host.tag, host.tag + 1
        host.bulk(host.bulk_out, 31, wire.cbw(tag, 0, 0, 0, wire.test_unit_ready()), id=host.command_id)
        host.read_status(wire.csw(late))
        host.read_status(wire.csw(tag))
    host.execute(wire.test_unit_ready())


@CASES.add("csw-status-reserved", "risk")
def _(host: Host, wrong: bool) -> None:
    """BOT Table 5.3: 03h to FFh are reserved."""
    host.command(wire.read10(5), data_in=BLOCK, status=4 if wrong else 0)
    host.reset_recovery()
    host.execute(wire.test_unit_ready())


@CASES.add("residue-lies", "risk")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.2: the residue is what was expected less what was moved and matters."""
    for lba in range(3):
        host.command(wire.read10(lba + 5), data_in=BLOCK, residue=512 if wrong else 0)


@CASES.add("empty-packet-before-csw", "note")
def _(host: Host, wrong: bool) -> None:
    host.command(wire.read10(5), data_in=BLOCK, zero_length=wrong)


@CASES.add("csw-in-place-of-data", "note")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.7.2, case 4."""
    if wrong:
        host.command(wire.read10(5), data_in=b"", expected=512, csw_in_data=True, status=1)
    else:
        host.command(wire.read10(5), data_in=b"", expected=512, stall_data=True, status=1)
    host.command(wire.request_sense(), data_in=wire.fixed_sense(2, 4, 0))


@CASES.add("wrapper-disagrees-with-command", "note")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.7: READ(10) of two blocks is 1024 bytes."""
    host.command(wire.read10(5, 2), data_in=BLOCK if wrong else BLOCK * 2)


@CASES.add("phase-error", "risk")
def _(host: Host, wrong: bool) -> None:
    """BOT Table 5.3: 02h; reset recovery follows."""
    host.command(wire.read10(5, 4), data_in=BLOCK, status=2 if wrong else 1)
    host.reset_recovery()
    host.execute(wire.test_unit_ready())


@CASES.add("more-data-than-announced", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.1: dCBWDataTransferLength bytes and no more."""
    tag, host.tag = host.tag, host.tag + 1
    host.bulk(host.bulk_out, 31, wire.cbw(tag, 512, 0, 0, wire.write10(5)), id=host.command_id)
    host.bulk(host.bulk_out, 512, BLOCK)
    if wrong:
        host.bulk(host.bulk_out, 512, BLOCK)
    host.read_status(wire.csw(tag))


@CASES.add("traffic-outside-commands", "note")
def _(host: Host, wrong: bool) -> None:
    """BOT 1.0 3.3."""
    host.execute(wire.test_unit_ready())
    if wrong:
        host.bulk(host.bulk_in, 512, BLOCK)
    host.execute(wire.test_unit_ready())


@CASES.add("stall-not-cleared", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.7.2: clear the pipe, then read the CSW."""
    host.command(wire.read10(5), data_in=b"", expected=512, stall_data=True, clears=not wrong, no_status=wrong,
                 status=1)  # fmt: skip
    host.execute(wire.request_sense(), sense=False)


@CASES.add("csw-not-read-again", "risk")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.3.3 and Figure 2."""
    host.command(wire.test_unit_ready(), stall_status=True, clears=not wrong)
    if wrong:
        host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("no-reset-recovery", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.3.3: a phase error asks for reset recovery."""
    host.command(wire.read10(5, 4), data_in=BLOCK, status=2)
    if not wrong:
        host.reset_recovery()
    host.execute(wire.test_unit_ready())


@CASES.add("reset-recovery-incomplete", "risk")
def _(host: Host, wrong: bool) -> None:
    """BOT 5.3.4: (a) class reset, (b) clear bulk-IN, (c) clear bulk-OUT."""
    host.command(wire.read10(5, 4), data_in=BLOCK, status=2)
    host.control(wire.class_reset())
    host.clear_halt(host.bulk_in)
    if not wrong:
        host.clear_halt(host.bulk_out)
    host.execute(wire.test_unit_ready())


@CASES.add("stall-persists", "fault")
def _(host: Host, wrong: bool) -> None:
    host.command(wire.read10(5), data_in=b"", expected=512, stall_data=True, no_status=wrong, status=1)
    if wrong:
        host.read_status(b"", status=STALL)
        host.recover_by_port_reset()
    host.execute(wire.request_sense(), sense=False)


@CASES.add("csw-not-read", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 1.0 3.4: one command at a time, each ends with a CSW."""
    host.command(wire.read10(5), data_in=BLOCK, no_status=wrong)
    host.execute(wire.test_unit_ready())


@CASES.add("command-timeout", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        host.time_out(wire.read10(5), data_in=512)
        host.recover_by_port_reset()
    else:
        host.command(wire.read10(5), data_in=BLOCK, late_ms=4_900)
    host.execute(wire.test_unit_ready())


@CASES.add("bus-errors", "fault")
def _(host: Host, wrong: bool) -> None:
    host.command(wire.read10(5), data_in=b"" if wrong else BLOCK, expected=512, data_error=PROTOCOL if wrong else 0)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("one-direction-fails", "fault")
def _(host: Host, wrong: bool) -> None:
    """Common practice: a cable spares neither direction."""
    for lba in range(3):
        host.execute(wire.read10(lba + 8))
        if not wrong:
            host.execute(wire.write10(lba + 8), data_out=BLOCK)
        host.command(wire.write10(lba + 8), data_out=b"", expected=512, flags=0, data_error=PROTOCOL)
        host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("stall-not-reported", "fault")
def _(host: Host, wrong: bool) -> None:
    """BOT 6.7.2: after short data comes a STALL; a zero-length packet before a CSW that does come is no trouble."""
    short = bytes(18)
    host.command(wire.request_sense(96), data_in=short, expected=96, zero_length=True,
                 status_error=PROTOCOL if wrong else 0)  # fmt: skip
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("cancelled-at-the-end", "risk")
def _(host: Host, wrong: bool) -> None:
    """Kernel documentation: -104, the host took the transfer back."""
    host.command(wire.read10(5), data_in=b"", expected=512, data_error=CANCELLED)
    if not wrong:
        host.recover_by_port_reset()
        host.execute(wire.read10(5))


@CASES.add("waiting-at-the-end", "risk")
def _(host: Host, wrong: bool) -> None:
    """Common practice: an answer takes milliseconds, and hosts give up after 5 s or later."""
    host.command(wire.read10(9), data_in=b"", expected=512, no_status=True)
    host.recorder.drop(len(host.recorder.halves) - 1)
    later(host, 4 if wrong else 0.5)


@CASES.add("babble", "fault")
def _(host: Host, wrong: bool) -> None:
    host.command(wire.read10(5), data_in=BLOCK, status_error=BABBLE if wrong else 0)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("interrupted-by-reset", "note")
def _(host: Host, wrong: bool) -> None:
    host.command(wire.read10(5), data_in=BLOCK, no_status=wrong)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())


@CASES.add("large-transfers-fail", "fault")
def _(host: Host, wrong: bool) -> None:
    for lba in range(3):
        host.execute(wire.read10(lba * 64 + 8, 64))
        if wrong:
            host.time_out(wire.read10(lba * 64 + 8, 240), data_in=240 * 512)
            host.recover_by_port_reset()
        else:
            host.execute(wire.read10(lba * 64 + 8, 240))


@CASES.add("inquiry-length", "fault", ready=False)
def _(host: Host, wrong: bool) -> None:
    """SPC-3 6.4.2: at least 36 bytes."""
    host.enumerate()
    host.execute(wire.inquiry())
    if wrong:
        host.time_out(wire.inquiry(255), data_in=255)
        host.recover_by_port_reset()
    else:
        host.execute(wire.inquiry(255))
    host.execute(wire.test_unit_ready())


@CASES.add("vital-pages-upset", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        host.time_out(wire.inquiry(255, 0x83), data_in=255)
        host.recover_by_port_reset()
    else:
        host.execute(wire.inquiry(255, 0x83))  # refused with 5/24/00
    host.execute(wire.test_unit_ready())


@CASES.add("mode-sense-upset", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        host.time_out(wire.mode_sense10(), data_in=192)
        host.recover_by_port_reset()
    else:
        host.execute(wire.mode_sense10())
    host.execute(wire.test_unit_ready())


@CASES.add("optional-command-upset", "fault")
def _(host: Host, wrong: bool) -> None:
    if wrong:
        host.time_out(wire.read_format_capacities(), data_in=252)
        host.recover_by_port_reset()
    else:
        host.stick.units[0].unsupported = frozenset({0x23})
        host.execute(wire.read_format_capacities())
    host.execute(wire.test_unit_ready())


@CASES.add("test-unit-ready-unknown", "risk")
def _(host: Host, wrong: bool) -> None:
    host.stick.units[0].unsupported = frozenset({0x00} if wrong else ())
    host.execute(wire.test_unit_ready())
    host.execute(wire.read10(5))


@CASES.add("refused-command-repeated", "risk")
def _(host: Host, wrong: bool) -> None:
    """SPC-3 Table 27: ILLEGAL REQUEST."""
    host.stick.units[0].unsupported = frozenset({0x35})
    for _ in range(4):
        host.execute(wire.synchronize_cache10())
        if not wrong:
            host.execute(wire.read10(5))


@CASES.add("commands-missing", "note")
def _(host: Host, wrong: bool) -> None:
    """Common practice: a host that counts dCBWTag up by one. Without a jump nothing is missing."""
    for lba in range(12):
        host.execute(wire.read10(lba))
    host.tag += 7 if wrong else 0
    host.wait_ms(5)
    host.execute(wire.read10(12))


@CASES.add("ejected-by-host", "note")
def _(host: Host, wrong: bool) -> None:
    """SBC-2 5.17: LOEJ set, START clear."""
    host.execute(wire.start_stop(False, load_eject=wrong))


@CASES.add("sync-cache-ejects", "risk")
def _(host: Host, wrong: bool) -> None:
    host.execute(wire.synchronize_cache10())
    if wrong:
        host.stick.units[0].medium = None
    host.execute(wire.test_unit_ready())


@CASES.add("slow-command", "note")
def _(host: Host, wrong: bool) -> None:
    """A note for a stick that is asked little; a risk among quick ones, see test_a_slow_read_among_quick_ones."""
    host.command(wire.write10(5), data_out=BLOCK, late_ms=1_200 if wrong else 800)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_shows(case: Case) -> None:
    """The trace shows the pattern."""
    check(case, True)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.slug)
def test_near_miss(case: Case) -> None:
    """The near miss does not."""
    check(case, False)


def fresh(short: str = "stall") -> Host:
    """A host with the stick up and running."""
    host = new_host(short=short)
    host.enumerate()
    session.identify(host)
    return host


BOTH = {"phase-error", "wrapper-disagrees-with-command"}
THIRTEEN: dict[int, tuple[Callable[[Host], object], set[str]]] = {
    # BOT 1.0 6.7: case: (command and answer by the text, findings of more than a note that are due)
    1: (lambda h: h.command(wire.test_unit_ready()), set()),
    2: (lambda h: h.command(wire.inquiry(), status=2), {"phase-error"}),
    3: (lambda h: h.command(wire.write10(4096), status=2), BOTH),
    4: (lambda h: h.command(wire.inquiry(), data_in=b"", expected=36, stall_data=True), set()),
    5: (lambda h: h.command(wire.inquiry(255), data_in=bytes(36), expected=255, stall_data=True), set()),
    6: (lambda h: h.command(wire.read10(2), data_in=BLOCK), set()),
    7: (lambda h: h.command(wire.read10(2, 4), data_in=BLOCK, status=2), BOTH),
    8: (lambda h: h.command(wire.write10(2), data_in=b"", expected=512, stall_data=True, status=2), BOTH),
    9: (lambda h: h.command(wire.mode_sense6(), data_out=BLOCK, stall_data=True, status=1), set()),
    10: (lambda h: h.command(wire.read10(2), data_out=BLOCK, stall_data=True, status=2), BOTH),
    11: (lambda h: h.command(wire.write10(2, 2), data_out=BLOCK * 2, residue=512), {"residue-lies"}),
    12: (lambda h: h.command(wire.write10(2), data_out=BLOCK), set()),
    13: (lambda h: h.command(wire.write10(2, 4), data_out=BLOCK, status=2), BOTH),
}  # fmt: skip


@pytest.mark.parametrize("number", THIRTEEN)
def test_thirteen_cases(number: int) -> None:
    """BOT 1.0 6.7: each case done by the text, with reset recovery after status 02h, is no fault; a disagreement about
    the data phase is told as one, with its number."""
    host = fresh()
    act, due = THIRTEEN[number]
    act(host)
    if "phase-error" in due:
        host.reset_recovery()
    host.execute(wire.test_unit_ready())
    diagnosis = diagnosed(host.recorder)
    assert {s for s, severity in found(diagnosis).items() if severity != "note"} == due, diagnosis.verdict
    if "phase-error" in due:
        text = next(f.text for f in diagnosis.findings if f.slug == "phase-error")
        assert f"(case {number})" in text


@pytest.mark.parametrize("number", [n for n, (_, due) in THIRTEEN.items() if "phase-error" in due])
def test_disagreement_without_recovery_is_a_fault(number: int) -> None:
    """BOT 1.0 5.3.3: after status 02h only reset recovery helps."""
    host = fresh()
    THIRTEEN[number][0](host)
    host.execute(wire.test_unit_ready())
    assert found(diagnosed(host.recorder))["no-reset-recovery"] == "fault"


def test_timeout_that_is_made_good_is_a_risk() -> None:
    """The same command passes when repeated: nothing was lost, so it is no fault."""
    host = fresh()
    host.time_out(wire.read10(5), data_in=512)
    host.recover_by_port_reset()
    host.command(wire.read10(5), data_in=BLOCK)
    assert found(diagnosed(host.recorder))["command-timeout"] == "risk"


def test_port_reset_is_recovery_enough() -> None:
    """Common practice: hosts recover by a port reset; nothing is left of the old state then (USB 2.0 9.1.1.3)."""
    host = fresh()
    host.command(wire.read10(5, 4), data_in=BLOCK, status=2)
    host.recover_by_port_reset()
    host.execute(wire.test_unit_ready())
    assert "no-reset-recovery" not in found(diagnosed(host.recorder))


def test_constant_tag_is_a_habit() -> None:
    """A device that never copies the tag is a risk with a known workaround, not a loss of step at every command."""
    host = new_host()
    host.enumerate()
    for _ in range(6):
        host.command(wire.test_unit_ready(), csw_tag=7_777)
    diagnosis = diagnosed(host.recorder)
    finding = next(f for f in diagnosis.findings if f.slug == "csw-tag-wrong")
    assert finding.severity == "risk"
    assert "1209:0001" in finding.workaround


def test_workaround_names_the_ids() -> None:
    """Host kernels list such devices by VID:PID, so the finding gives them with the kind of workaround."""
    host = fresh()
    for lba in range(3):
        host.command(wire.read10(lba + 5), data_in=BLOCK, residue=512)
    finding = next(f for f in diagnosed(host.recorder).findings if f.slug == "residue-lies")
    assert finding.workaround == "ignore the residue (1209:0001)"


def test_refusals_are_notes() -> None:
    """SPC-3 4.5.6: ILLEGAL REQUEST on an optional command is an answer."""
    host = fresh()
    host.stick.units[0].unsupported = frozenset({0x35, 0x23})
    host.execute(wire.synchronize_cache10())
    host.execute(wire.read_format_capacities())
    later(host)
    diagnosis = diagnosed(host.recorder)
    assert BAD_OPCODE == (5, 0x20, 0)
    assert found(diagnosis)["requests-refused"] == "note"
    assert diagnosis.healthy


def test_a_stall_left_uncleared_is_told_though_nothing_follows() -> None:
    """The host meets STALL (BOT 1.0 6.7.2) and says nothing more while the capture goes on for seconds."""
    host = new_host()
    host.enumerate()
    host.execute(wire.inquiry())
    host.command(wire.mode_sense6(), data_in=b"", expected=192, stall_data=True, clears=False, no_status=True)
    assert "stall-not-cleared" not in found(diagnosed(host.recorder))
    later(host)
    diagnosis = diagnosed(host.recorder)
    assert found(diagnosis)["stall-not-cleared"] == "fault"
    assert "nothing is wrong" not in diagnosis.verdict
    assert "the last without an end" in diagnosis.verdict


def test_a_command_still_open_at_the_end_is_told_after_long() -> None:
    """The device answers no more (NAK for ever, USB 2.0 5.8.5) and the host waits on."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.command(wire.read10(9), data_in=b"", expected=512, no_status=True)
    host.recorder.drop(len(host.recorder.halves) - 1)
    assert not diagnosed(host.recorder).faults
    later(host, 12)
    assert found(diagnosed(host.recorder))["command-timeout"] == "fault"


def test_the_size_is_told_before_the_errors_that_it_causes() -> None:
    """Common practice: 4 KiB works, 120 KiB never does."""
    host = new_host()
    host.enumerate()
    session.identify(host)
    host.execute(wire.read10(0, 8))
    for lba in (1000, 1240, 1480):
        host.command(wire.read10(lba, 240), data_in=b"", expected=122_880, data_error=PROTOCOL)
        host.recover_by_port_reset()
    assert [finding.slug for finding in diagnosed(host.recorder).faults] == ["large-transfers-fail", "bus-errors"]
