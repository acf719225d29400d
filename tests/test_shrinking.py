"""`sticktrace shrink`: the fault is still found, the file is small, a second run changes nothing, in every form."""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import signal
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import sticktrace
from conftest import ROOT
from hands import run, start
from sticktrace.cli import internal, shrink
from sticktrace.cli.main import cli
from sticktrace.errors import SticktraceError
from sticktrace.findings.verdict import diagnose
from sticktrace.shrinking.claims import claim_of, place_of
from sticktrace.shrinking.halving import halved
from sticktrace.shrinking.pieces import pieces_of
from test_capture_pcapng import NAMES, block, interface, section
from test_volume_redact import PRIVATE
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, merge, wire
from workshop.bus import Bus
from workshop.scenes_faults import bad_sector, brown_out_on_write, hub_port_overcurrent
from workshop.scenes_healthy import healthy_boot

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

DEMO = ROOT / "traces" / "demo"
FAULTS = {
    "bad-sector.pcap": "unreadable-blocks", "brown-out-on-write.pcap": "brown-out",
    "no-address.pcap": "address-refused",
    "card-reader-empty-lun.pcap": "empty-first-unit", "counterfeit.pcap": "reads-contradict-writes",
    "get-max-lun-stall-fatal.pcap": "max-lun-stall-fatal", "hub-port-overcurrent.pcap": "power-over-budget",
    "stall-recovery.pcap": "phase-error", "unit-attention-giveup.pcap": "unit-attention-fatal",
    "usb-console.txt": "block-length-not-512", "write-protected.pcap": "write-protected",
}  # fmt: skip


def shrunk(source: Path, *words: str) -> Result:
    """Run the verb; its own errors come out."""
    return CliRunner().invoke(cli, ["shrink", str(source), *words], catch_exceptions=False)


def slugs(path: Path) -> set[str]:
    with sticktrace.open(path) as capture:
        return {finding.slug for finding in diagnose(capture.reading()).findings}


@pytest.mark.parametrize("name", FAULTS)
def test_the_fault_is_still_found_and_a_second_run_changes_nothing(name: str, tmp_path: Path) -> None:
    once, twice = tmp_path / "once", tmp_path / "twice"
    result = shrunk(DEMO / name, "--keep", FAULTS[name], "--to", str(once))
    assert "nothing more can go" in result.output and FAULTS[name] in slugs(once)
    assert once.stat().st_size < (DEMO / name).stat().st_size * 0.6
    shrunk(once, "--keep", FAULTS[name], "--to", str(twice))
    assert twice.read_bytes() == once.read_bytes()


def as_stream(recorder: Recorder) -> bytes:
    """The events as the kernel's binary device gives them: those of link type 189 without a file."""
    recorder.link_type = 189
    data, out, at = recorder.pcap(), b"", 24
    while at < len(data):
        (size,) = struct.unpack_from("<I", data, at + 8)
        out += data[at + 16 : at + 16 + size]
        at += 16 + size
    return out


def of_link_type(link_type: int) -> bytes:
    recorder = bad_sector()
    recorder.link_type = link_type
    return recorder.pcap()


def packets() -> bytes:
    """A block that cannot be read, under a probe."""
    from probe import command, enumerate_stick, read10

    bus = Bus("full")
    enumerate_stick(bus)
    command(bus, 1, wire.inquiry(), bytes(36))
    for tag in range(2, 10, 2):
        command(bus, tag, read10(7, 1), expected=512, status=1)
        command(bus, tag + 1, wire.request_sense(), bytes.fromhex("f0000300000007 0a 00000000 11 00 00000000"))
    return bus.pcap()


LOG = """usb 1-1: new high-speed USB device number 5 using xhci_hcd
nothing to do with it
usb 1-1: device descriptor read/64, error -110
more of the same
usb 1-1: device not accepting address 5, error -71
usb usb1-port1: unable to enumerate USB device
"""

FORMS: dict[str, Callable[[], bytes]] = {
    "pcap 189": lambda: of_link_type(189), "pcap 249": lambda: of_link_type(249),
    "pcapng little": lambda: as_pcapng(bad_sector().pcap(), "<"),
    "pcapng big": lambda: as_pcapng(bad_sector().pcap(), ">"),
    "usbmon u": lambda: bad_sector().usbmon_text().encode(),
    "usbmon t": lambda: bad_sector().usbmon_text(bus_numbers=False).encode(),
    "usbmon binary": lambda: as_stream(bad_sector()),
    "hex": lambda: bad_sector().hex_text().encode(),
    "hex in UTF-16": lambda: ("\ufeff" + bad_sector().hex_text()).encode("utf-16-le"),
    "hex with CR alone": lambda: bad_sector().hex_text().replace("\n", "\r").encode(),
    "log": lambda: LOG.encode(), "packets": packets, "packed": lambda: gzip.compress(bad_sector().pcap()),
    "cut off": lambda: bad_sector().pcap()[:-7],
}  # fmt: skip


def as_pcapng(pcap: bytes, order: str) -> bytes:
    from breaking import records_of

    from test_capture_pcapng import enhanced

    whole = section(order) + interface(order, 220) + block(order, NAMES, bytes(8))
    for number, (begin, end) in enumerate(records_of(pcap)):
        whole += enhanced(pcap[begin + 16 : end], number * 1000, order)
    return whole


@pytest.mark.parametrize("form", FORMS)
def test_every_form(form: str, tmp_path: Path) -> None:
    """The verdict stays; what is written is of the same form; it shrinks to itself."""
    source, once, twice = (tmp_path / name for name in ("source", "once", "twice"))
    source.write_bytes(FORMS[form]())
    assert "nothing more can go" in shrunk(source, "--to", str(once)).output
    with sticktrace.open(source) as before, sticktrace.open(once) as after:
        assert after.form == before.form and len(after.source.data) < len(before.source.data) * 0.8
        one, other = diagnose(before.reading()), diagnose(after.reading())
        assert one.answer.main and other.answer.main and one.answer.main.slug == other.answer.main.slug
    shrunk(once, "--to", str(twice))
    assert twice.read_bytes() == once.read_bytes()


@pytest.mark.parametrize("form", FORMS)
def test_pieces_lose_no_byte(form: str) -> None:
    """Pieces follow each other; with all of them kept the file is what it was, without any only what holds it."""
    data = FORMS[form]()
    pieces = pieces_of(data)
    assert all(end <= start for end, start in zip(pieces.ends, pieces.starts[1:], strict=False))
    assert list(pieces.left(len(data), bytearray(b"\1" * len(pieces)))) == [(0, len(data))]
    assert sum(end - start for start, end in pieces.left(len(data), bytearray(len(pieces)))) <= 48


def test_another_stick_goes_first(tmp_path: Path) -> None:
    other = Host(Recorder(), Stick(Identity(serial="OTHER-STICK"), [Unit(Medium(1000))]))
    other.enumerate(9)
    for lba in range(40):
        other.execute(wire.read10(lba))
    both, out = tmp_path / "both.pcap", tmp_path / "out.pcap"
    both.write_bytes(merge(bad_sector(), other.recorder).pcap())
    shrunk(both, "--keep", "unreadable-blocks", "--to", str(out))
    with sticktrace.open(out) as capture:
        assert {exchange.address for exchange in capture.exchanges()} != {9}
    assert "OTHER".encode("utf-16-le") not in out.read_bytes()


def test_redacted_it_shows_the_same_and_nothing_private(tmp_path: Path) -> None:
    source, out = tmp_path / "source.pcap", tmp_path / "out.pcap"
    source.write_bytes(brown_out_on_write().pcap())
    assert "written, redacted" in shrunk(source, "--keep", "brown-out", "--redacted", "--to", str(out)).output
    assert "brown-out" in slugs(out)
    assert not [word for word in PRIVATE if word in out.read_bytes()]


def test_words_choose_and_must_stay(tmp_path: Path) -> None:
    """Words of the text itself, in any case; what nobody said is refused with what there is."""
    source, out = DEMO / "hub-port-overcurrent.pcap", tmp_path / "out.pcap"
    assert "kept: finding, risk: " in shrunk(source, "--keep", "BUDGET port", "--to", str(out)).output
    with pytest.raises(SticktraceError, match="there is: over-current, power-over-budget, verdict"):
        shrunk(source, "--keep", "unreadable-blocks", "--to", str(tmp_path / "none"))
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    "data",
    [
        struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 9) + healthy_boot().pcap()[24:],
        os.urandom(3000),
        b"nothing that anybody reads\n" * 200,
    ],
    ids=["link type", "noise", "words"],
)
def test_an_error_is_kept(data: bytes, tmp_path: Path) -> None:
    source, out = tmp_path / "source", tmp_path / "out"
    source.write_bytes(data)
    assert "kept: error: " in shrunk(source, "--to", str(out)).output
    assert 0 < out.stat().st_size < 100
    with pytest.raises(SticktraceError), sticktrace.open(out):
        pass


def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours: the third READ of a capture cannot be told."""
    from sticktrace.volume.tracker import VolumeTracker

    feed, seen = VolumeTracker.feed, [0]

    def failing(self: Any, exchange: Any) -> str:
        seen[0] = 1 if exchange.number == 1 else seen[0] + (exchange.opcode == 0x28)
        return {}["LBA"] if seen[0] == 3 else feed(self, exchange)  # type: ignore[return-value]

    monkeypatch.setattr(VolumeTracker, "feed", failing)


@pytest.mark.parametrize("verb", ["diagnose", "volume --json", "exchanges", "export --to x/o.csv --as csv"])
def test_an_internal_error_is_kept_by_type_and_place(
    verb: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken(monkeypatch)
    monkeypatch.chdir(tmp_path)
    result = shrunk(DEMO / "healthy-boot.pcap", "--keep", "KeyError", "--run", verb)
    assert "kept: internal error: KeyError at " in result.output
    out = tmp_path / "healthy-boot.small.pcap"
    assert out.stat().st_size < 1500
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


def test_nothing_to_keep_is_said(tmp_path: Path) -> None:
    with pytest.raises(SticktraceError, match="ends without an error"):
        shrunk(DEMO / "healthy-boot.pcap", "--run", "check", "--to", str(tmp_path / "x"))


def test_tries_are_counted_and_end(tmp_path: Path) -> None:
    out = tmp_path / "out.pcap"
    result = shrunk(DEMO / "bad-sector.pcap", "--tries", "9", "--to", str(out))
    assert "in 9 tries; --tries 9 is used up, more may go" in result.output
    assert "unreadable-blocks" in slugs(out)


def test_an_interrupt_leaves_the_smallest_so_far(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen, out = [0], tmp_path / "out.pcap"
    look = shrink._diagnosed

    def interrupted(path: Path) -> Any:
        seen[0] += 1
        if seen[0] == 20:
            raise KeyboardInterrupt
        return look(path)

    monkeypatch.setattr(shrink, "_diagnosed", interrupted)
    result = CliRunner().invoke(cli, ["shrink", str(DEMO / "bad-sector.pcap"), "--to", str(out)])
    assert result.exit_code and "stopped there, more may go" in result.output
    assert "unreadable-blocks" in slugs(out) and out.stat().st_size < 20_000


def test_a_killed_run_leaves_nothing(tmp_path: Path) -> None:
    source = tmp_path / "big.pcap"
    source.write_bytes(healthy_boot().pcap())
    process = start(["shrink", source, "--to", tmp_path / "out.pcap"], tmp_path)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.communicate(timeout=1.5)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=60)
    assert process.returncode in (0, 143, -signal.SIGTERM)
    if process.returncode:
        assert [path.name for path in tmp_path.iterdir()] == ["big.pcap"]


@pytest.mark.parametrize("words", [["--to", "IN"], ["--to", "there"]])
def test_what_is_there_is_left_alone(words: list[str], tmp_path: Path) -> None:
    source, there = tmp_path / "in.pcap", tmp_path / "there"
    source.write_bytes(bad_sector().pcap())
    there.write_bytes(b"mine")
    words = [str({"IN": source, "there": there}.get(word, word)) for word in words]
    with pytest.raises(SticktraceError):
        shrunk(source, *words, *(["--overwrite"] if words[1] == str(source) else []))
    assert there.read_bytes() == b"mine" and source.read_bytes() == bad_sector().pcap()


# -- internal errors of the program

_FAILING = """
from sticktrace.volume.tracker import VolumeTracker
def feed(self, exchange):
    raise KeyError("LBA\\x1b[31m")
VolumeTracker.feed = feed
from sticktrace.cli.main import main
main()
"""


def test_an_internal_error_is_one_line_and_the_command_that_makes_what_to_attach(tmp_path: Path) -> None:
    status, _, said = run(["volume", DEMO / "healthy-boot.pcap", "--json"], tmp_path, code=_FAILING)
    first, second = said.splitlines()
    assert status == 4 and "internal error at " in first and "KeyError" in first and internal.WHERE in first
    assert "\x1b" not in said and "Traceback" not in said
    assert second.endswith(
        f"sticktrace shrink {DEMO}/healthy-boot.pcap --keep KeyError --run 'volume --json' --redacted"
    )


@pytest.mark.parametrize(
    ("words", "command"),
    [
        ("stick.pcap", "sticktrace shrink stick.pcap --keep E --redacted"),
        ("--color never diagnose stick.pcap", "sticktrace shrink stick.pcap --keep E --redacted"),
        ("export stick.pcap --to /x/y", "sticktrace shrink stick.pcap --keep E --run 'export --to y' --redacted"),
        ("redact stick.pcap far/copy", "sticktrace shrink stick.pcap --keep E --run 'redact copy' --redacted"),
        ("check -", "sticktrace shrink CAPTURE --keep E --run check --redacted"),
        ("compose inquiry", ""), ("view stick.pcap", ""), ("check gone.pcap", ""), ("", ""),
    ],
)  # fmt: skip
def test_the_command_for_a_command(words: str, command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stick.pcap").write_bytes(b"")
    assert internal.shrinking("E", words.split()) == command


# -- parts


@pytest.mark.parametrize("needed", [{3}, {0, 49}, {7, 8, 30}, set(range(10, 20)), set(range(50))])
def test_halving_leaves_what_is_needed(needed: set[int]) -> None:
    left, tries = set(range(50)), [0]

    def works(some: list[Any]) -> bool:
        tries[0] += 1
        gone = {number for group in some for number in group}
        if needed <= left - gone:
            left.difference_update(gone)
            return True
        return False

    assert {group[0] for group in halved([(number,) for number in range(50)], works)} == needed == left
    assert tries[0] <= 4 * 50


def test_the_place_of_an_error_is_the_innermost_of_ours() -> None:
    with pytest.raises(SticktraceError) as caught:
        sticktrace.open("nowhere at all.pcap")
    assert place_of(caught.value).startswith("capture/source.py:")
    assert claim_of(ValueError("x")).key == ("ValueError", "unknown")


def test_sections_and_interfaces_of_a_pcapng_stay() -> None:
    data = as_pcapng(hub_port_overcurrent().pcap(), ">")
    pieces = pieces_of(data)
    left = b"".join(data[start:end] for start, end in pieces.left(len(data), bytearray(len(pieces))))
    assert left == section(">") + interface(">", 220)
    assert pieces.records == len(pieces) - 1 == len(hub_port_overcurrent().halves)


def test_a_terminal_shows_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with shrink._progress(10) as show:
        show(0, 99)
        show(1, 1234)
    assert "shrinking, 1,234 left" in terminal.getvalue()
