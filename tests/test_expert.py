"""What an expert would say of a capture, written down first, held against what `diagnose` says.

The minimal captures show one class of trouble each; the recordings of tests/data/captures are known from their truth
files and from the log of the kernel that made them. "stopped" says whether the work came to an end there.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

import sticktrace
from conftest import ROOT, capture_names, capture_path
from sticktrace.findings.verdict import Diagnosis, diagnose

MINIMAL = ROOT / "tests" / "data" / "minimal"


@dataclass(frozen=True)
class Expected:
    """``main`` is the finding that the answer tells of, "" for none; ``words`` must stand in the answer; ``why`` is the
    expert's reason."""

    name: str
    main: str
    why: str
    stopped: bool = False
    sticks: int = 1
    words: tuple[str, ...] = ()


HEALTHY, ENDS = False, True

TABLE = [
    Expected("port-reset-mid-session-1.txt", "bus-errors", "one device: it answers at its old address after the reset",
             ENDS, words=("exchange 6", "-71")),
    Expected("port-reset-mid-session-2.txt", "bus-errors", "the same, Get Max LUN seen before", ENDS),
    Expected("port-reset-mid-session-3.txt", "", "requests at its address in mid-session are about the same device"),
    Expected("config-descriptor-cut-at-32.txt", "", "the text form cut the descriptor; the traffic shows the pipes"),
    Expected("config-descriptor-cut-get-max-lun.txt", "", "the same, with Get Max LUN before the first command"),
    Expected("no-config-descriptor.txt", "", "pipes are told by the signatures"),
    Expected("last-exchange-eproto.txt", "bus-errors", "the error was seen, though the file ends there", ENDS,
             words=("-71", "exchange 24")),
    Expected("last-exchange-babble.txt", "babble", "the error was seen", ENDS),
    Expected("last-exchange-unlinked.txt", "cancelled-at-the-end", "the host took it back; why is not in the capture"),
    Expected("last-exchange-shutdown.txt", "gone-in-use", "-108: the device is gone", ENDS),
    Expected("timeout-then-unplugged.txt", "command-timeout", "the timeout came 16 s before the unplugging", ENDS,
             words=("TEST UNIT READY", "5.000 s")),
    Expected("timeout-not-unplugged.txt", "command-timeout", "no answer in 5 s", ENDS),
    Expected("hang-after-mode-select.txt", "command-timeout", "the first without an answer, and the one before",
             ENDS, words=("REQUEST SENSE", "MODE SELECT(6) in exchange 24", "4 commands after it")),
    Expected("empty-status-read-then-error.txt", "stall-not-reported", "an empty success, a halted pipe", ENDS),
    Expected("fua-write-refused.txt", "fua-refused", "5/24/00 on a WRITE with FUA: nothing was written", ENDS),
    Expected("write-refused.txt", "access-refused", "the data did not move", ENDS),
    Expected("medium-vanishes-in-use.txt", "medium-gone-in-use", "2/3A after reads, no eject"),
    Expected("slow-read-among-fast.txt", "slow-command", "3 s among half milliseconds", words=("3.000 s", "500.0 µs")),
    Expected("ck-cond-answer.txt", "", "the register report that was asked for"),
    Expected("ck-cond-smart-poll.pcap", "", "the same with READ and SMART"),
    Expected("failure-predicted.pcap", "failure-predicted", "5Dh with key 6 and key 0"),
    Expected("software-write-protect.pcap", "write-protected", "27/02: by software, no switch", ENDS,
             words=("SOFTWARE WRITE PROTECTED",)),
    Expected("zlp-then-csw.txt", "", "case 4: a zero-length packet, then the CSW"),
    Expected("stage-against-finding.txt", "command-timeout", "30 s without an answer is a failure, no cut", ENDS,
             words=("failed at transport",)),
    Expected("cd-unit-commands.pcap", "", "a CD unit's own commands"),
    Expected("unused-superspeed-port.txt", "nothing-attached", "nothing there", sticks=0),
    Expected("desk-shows-set-address.txt", "", "a healthy session"),
    Expected("board-hides-set-address.txt", "", "a healthy session; the controller gives the address itself"),
    Expected("hard-wrapped-lines.txt", "", "a healthy session, its lines broken by a mail program"),
    Expected("two-traces-in-one-text.txt", "", "two healthy recordings, 900 s apart, one behind the other", sticks=2),
    Expected("still-waiting-at-end.txt", "waiting-at-the-end", "the last command waits on while others are served"),
    Expected("cbw-never-completes.txt", "command-timeout", "the wrapper itself was never taken", ENDS, sticks=2),
    Expected("light-host-debug-hub-without-power.log", "over-current", "the hub's port cuts off, the stick never shows",
             ENDS, sticks=0, words=("port 1 of the hub at address 1",)),
    Expected("light-host-debug-no-descriptor.log", "first-descriptor-no-answer", "retried to the end, never answered",
             ENDS, words=("attach", "address 0")),
    Expected("light-host-debug-refused-then-up.log", "", "one refusal is usual after plugging in; it came up"),
]  # fmt: skip

RECORDED = {
    "g16_cdrom_no_disc-usbmon.pcap": ("no-medium", "every medium command fails with 2/3A/00 (truth file)"),
    "g17_raw_bot_orderly-usbmon.pcap": ("no-reset-recovery", "wrappers made wrong on purpose, recovery left out"),
    "g17_raw_bot_orderly-usbmon-0u.txt": ("no-reset-recovery", "the same in the kernel's text form"),
    "l14_hot_unplug-usbmon.pcap": ("gone-in-use", "pulled out in the middle of a long read"),
    "l14_hot_unplug-emu.pcap": ("", "the emulator's recording of one device does not show the unplugging"),
    "l15_read_error-usbmon.pcap": ("unreadable-blocks", "MEDIUM ERROR injected on one sector"),
    "l15_read_error-usbmon-0u.txt": ("unreadable-blocks", "the same in the kernel's text form"),
    "l15_read_error-emu.pcap": ("unreadable-blocks", "the same in the emulator's recording"),
}
"""First fault of the recordings that have one; all others are healthy."""


def said(path: object) -> Diagnosis:
    """What `diagnose` says."""
    with sticktrace.open(str(path)) as capture:
        return diagnose(capture.reading())


@pytest.mark.parametrize("expected", TABLE, ids=lambda expected: expected.name)
def test_minimal_captures(expected: Expected) -> None:
    diagnosis = said(MINIMAL / expected.name)
    answer = diagnosis.answer
    assert (answer.main.slug if answer.main else "") == expected.main, expected.why
    assert answer.stopped == expected.stopped, expected.why
    assert len(diagnosis.reports) == expected.sticks
    for word in expected.words:
        assert word in answer.text
    assert len(answer.lines) <= 4


@pytest.mark.parametrize("name", capture_names())
def test_recordings(name: str) -> None:
    diagnosis = said(capture_path(name))
    slug, why = RECORDED.get(name, ("", "healthy"))
    first = diagnosis.faults[0].slug if diagnosis.faults else ""
    assert first == slug, why


FIELD = {
    "console-field-per-line.txt": ("", "one command passed, then the text ends within a wrapper: more log is needed"),
    "linux-host-220-copy-file.pcap": ("", "in mid-session, 33 of 33 passed; one WRITE of 1.1 s among milliseconds"),
    "stick-and-reader-fast.usbmon.txt": ("", "the stick is up and read; the reader beside it has four empty slots"),
    "stick-and-reader-slow.usbmon.txt": ("", "the same, each command as fast: the host waits, not the stick"),
    "windows-host-249-copy-file.pcapng": ("", "in mid-session; a refused PREVENT is harmless"),
}
"""Public recordings of real hardware, not part of the project: the first fault that an expert who read them by hand
before any program did would name, and why. STICKTRACE_FIELD names the folder where they lie."""


@pytest.mark.parametrize("name", FIELD)
@pytest.mark.skipif("STICKTRACE_FIELD" not in os.environ, reason="the recordings are not part of the project")
def test_field_recordings(name: str) -> None:
    slug, why = FIELD[name]
    diagnosis = said(Path(os.environ["STICKTRACE_FIELD"]) / name)
    assert (diagnosis.faults[0].slug if diagnosis.faults else "") == slug, why
    assert diagnosis.answer.stopped is bool(slug), why
