"""`sticktrace watch`: pipes, growing files, directories, serial lines; what is recorded; what ends it, and how.

Writers in these tests hold their pipe open until what they wrote has been shown, so that nothing is shown only because
everything is over. Terminals are pseudo-terminals, which the system offers for such tests (POSIX, "posix_openpt").
"""

from __future__ import annotations

import errno
import json
import os
import pty
import random
import re
import signal
import struct
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import ROOT, capture_bytes
from hands import MAIN, environment, run, small_disk
from sticktrace.capture.live.rights import complaint
from sticktrace.capture.live.usbmon_device import UsbmonDevice
from sticktrace.cli.main import cli
from sticktrace.errors import SticktraceError
from sticktrace.output.listing import Listing
from sticktrace.output.watch_lines import TextVoice
from test_capture_usbmon_stream import stream
from test_following import SOURCES

DEMO = ROOT / "traces" / "demo"
CONSOLE = (DEMO / "usb-console.txt").read_bytes()
PATIENCE = 120


class Watched:
    """The program as a process, with the lines that it has written so far."""

    def __init__(self, *words: object, stdin: Any = subprocess.DEVNULL) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, "watch", *map(str, words)], env=environment(), stdin=stdin,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        self.lines: list[str] = []
        self._come = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._come:
                self.lines.append(line.decode().rstrip("\n"))
                self._come.notify_all()

    def see(self, pattern: str, times: int = 1) -> str:
        """Waits until so many lines fit; the last of them."""
        with self._come:
            fits = self._come.wait_for(lambda: len(self._fitting(pattern)) >= times, PATIENCE)
        assert fits, (pattern, self.lines)
        return self._fitting(pattern)[-1]

    def _fitting(self, pattern: str) -> list[str]:
        return [line for line in self.lines if re.search(pattern, line)]

    def end(self, how: signal.Signals | None = None) -> tuple[int, str]:
        """Exit status and complaints, after a signal perhaps."""
        if how is not None:
            self.process.send_signal(how)
        assert self.process.stderr is not None
        status, complaints = self.process.wait(PATIENCE), self.process.stderr.read().decode()
        self._reader.join(PATIENCE)
        for pipe in (self.process.stdout, self.process.stderr, self.process.stdin):
            if pipe is not None:
                pipe.close()
        assert "Traceback" not in complaints, complaints
        return status, complaints


@pytest.fixture
def watch() -> Iterator[Callable[..., Watched]]:
    """Starts the program; whatever is left of it at the end is stopped."""
    begun: list[Watched] = []

    def start(*words: object, **more: Any) -> Watched:
        begun.append(Watched(*words, **more))
        return begun[-1]

    yield start
    for one in begun:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()


def fed(path: Path, data: bytes, *words: object, largest: int = 4_000) -> tuple[int, list[str], str]:
    """Status, lines and complaints of watching a FIFO into which data come in pieces, in this process."""
    os.mkfifo(path)

    def write() -> None:
        chance, at = random.Random(1), 0
        with path.open("wb", buffering=0) as pipe:
            while at < len(data):
                size = chance.randrange(1, largest)
                pipe.write(data[at : at + size])
                at += size

    writer = threading.Thread(target=write)
    writer.start()
    done = CliRunner().invoke(cli, ["watch", str(path), *map(str, words)])
    writer.join(PATIENCE)
    if isinstance(done.exception, SticktraceError):
        return 3, done.stdout.splitlines(), str(done.exception)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout.splitlines(), done.stderr


def asked(verb: str, path: Path) -> Any:
    return CliRunner().invoke(cli, [verb, *(["--json"] if verb == "diagnose" else []), str(path)])


# -- what is shown ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SOURCES)
def test_it_tells_what_the_recording_tells(name: str, tmp_path: Path) -> None:
    """From a FIFO, in pieces: the recording holds every byte, the facts are those of `export`, the last line is the
    diagnosis, and the exit status that of `diagnose`."""
    data, kept = SOURCES[name], tmp_path / "kept"
    status, lines, _ = fed(tmp_path / "pipe", data, "--json", "--record", kept)
    assert kept.read_bytes() == data
    facts = [json.loads(line) for line in lines]
    diagnosis = asked("diagnose", kept)
    assert facts.pop() == json.loads(diagnosis.stdout) and status == diagnosis.exit_code
    begins = max(n for n, fact in enumerate(facts) if fact["kind"] == "watch" and fact["says"] == "form")
    shown = [fact for fact in facts[begins:] if fact["kind"] not in ("watch", "stage", "event")]
    exported = [json.loads(line) for line in asked("export", kept).stdout.splitlines()]
    items = ("exchange", "request", "stray", "statement")
    assert shown == [fact for fact in exported if fact["kind"] in items]


def test_each_thing_is_shown_while_more_may_come(watch: Callable[..., Watched]) -> None:
    """Exchanges, events, stages; a command without its status is shown as under way."""
    shown = watch("-", stdin=subprocess.PIPE)
    pipe = shown.process.stdin
    for line in CONSOLE.splitlines(keepends=True):
        pipe.write(line)
        pipe.flush()
        if b"OUT 55" in line:
            shown.see("~ .*no status yet", sum("~" in one for one in shown.lines) + 1)
    shown.see(r"^ +5 .*READ CAPACITY\(10\) .* passed")
    shown.see(r"^ +\+ .* capacity: 16,384 blocks of 4096 bytes")
    shown.see(r"^ +2 .*TEST UNIT READY .* FAILED .*UNIT ATTENTION")
    assert not any(line.startswith("Failed first") for line in shown.lines)
    pipe.close()
    assert shown.end()[0] == 1
    shown.see("^Failed first: ")


def test_the_verdict_comes_when_something_fails(watch: Callable[..., Watched]) -> None:
    shown = watch("-", stdin=subprocess.PIPE)
    data = (DEMO / "bad-sector.pcap").read_bytes()
    shown.process.stdin.write(data)
    shown.process.stdin.flush()
    shown.see("so far: SKERRY TIDE LOGGER .* came all the way to its files")
    shown.see("Failed first: exchange 13, LUN 0, LBA 2362: 4 failed tries")
    assert not any(line.startswith("Failed first") for line in shown.lines)  # that one stands at the margin
    shown.process.stdin.close()
    assert shown.end()[0] == 1


@pytest.fixture
def until_told(monkeypatch: pytest.MonkeyPatch) -> Callable[[int, bool], None]:
    """Lets a watch in this process end when so many things have been told to be under way, or to hang."""

    def end_after(count: int, hanging: bool) -> None:
        told: list[bool] = []
        under_way = TextVoice.under_way

        def tell(voice: TextVoice, pending: Any, hangs: bool) -> Iterator[str]:
            told.append(hangs)
            return under_way(voice, pending, hangs)

        monkeypatch.setattr(TextVoice, "under_way", tell)
        over = property(lambda until: told.count(hanging) >= count or time.monotonic() >= until.time)
        monkeypatch.setattr("sticktrace.cli.watching.Until.over", over)

    return end_after


def test_what_hangs_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until_told: Callable[[int, bool], None]
) -> None:
    """The clock of the capture stands still while a stick is silent; the clock of whoever watches does not."""
    monkeypatch.setattr("sticktrace.findings.live.HANGS_S", 0.1)
    until_told(1, True)
    source = tmp_path / "growing.txt"
    source.write_bytes(b"".join(CONSOLE.splitlines(keepends=True)[:7]))
    done = CliRunner().invoke(cli, ["watch", str(source), "--for", "60"])
    assert re.search("! .*INQUIRY 36 bytes: no status yet; no answer for", done.stdout)
    assert done.exit_code == 1 and "had long been without an answer" in done.stdout.splitlines()[-1]


def test_a_request_and_a_command_that_nobody_takes(tmp_path: Path, until_told: Callable[[int, bool], None]) -> None:
    """Submissions without an end, in the kernel's own form (kernel documentation, usbmon)."""
    events = [
        "ffff880000000001 100 S Ci:1:005:0 s 80 06 0100 0000 0012 18 <",
        "ffff880000000002 200 S Bo:1:006:2 -115 31 = 55534243 01000000 24000000 80000612 00000024 00000000 00000000 "
        "000000",
    ]  # fmt: skip
    until_told(2, False)
    source = tmp_path / "events.txt"
    source.write_text("\n".join(events) + "\n")
    done = CliRunner().invoke(cli, ["watch", str(source), "--for", "60"])
    assert re.search("~ .* 1.5 .*GET_DESCRIPTOR device.*no answer yet", done.stdout)
    assert re.search("~ .* 1.6 .*OUT ep 02, 31 bytes: not taken yet", done.stdout)


@pytest.mark.parametrize("width", [0, 132, 100, 80, 50])
def test_what_is_no_exchange_stands_under_the_same_columns(width: int) -> None:
    """A narrow terminal gets fewer columns; a mark, the time and the device stand where an exchange has its own."""
    listing = Listing(width)
    head, line = listing.head(), listing.aside("+", 1_500_000_000, "1.2", "ready")
    assert line.index("ready") == head.index("command") and line.index("+") == head.index("#")
    assert ("1.500000" in line) == ("time s" in head) and ("1.2" in line) == ("dev/lun" in head)


# -- what ends it ----------------------------------------------------------------------------------------------------


def test_a_stage_ends_it(watch: Callable[..., Watched]) -> None:
    shown = watch("-", "--until", "ready", stdin=subprocess.PIPE)
    shown.process.stdin.write(CONSOLE[: CONSOLE.rindex(b"OUT 55")])
    shown.process.stdin.flush()
    assert shown.end()[0] == 0
    assert "ready" in " ".join(shown.lines) and not any("READ CAPACITY" in line for line in shown.lines)


def test_a_stage_that_is_not_reached(tmp_path: Path) -> None:
    healthy = (DEMO / "healthy-boot.pcap").read_bytes()
    assert fed(tmp_path / "one", CONSOLE, "--until", "files")[0] == 1
    assert fed(tmp_path / "two", healthy, "--until", "file-system")[0] == 0
    assert fed(tmp_path / "three", healthy)[0] == 0
    (tmp_path / "still").write_bytes(CONSOLE)
    words = ["watch", str(tmp_path / "still"), "--until", "files", "--for", "0.5"]
    assert CliRunner().invoke(cli, words).exit_code == 1


def test_a_hub_or_a_keyboard_is_no_stick(tmp_path: Path) -> None:
    keyboard = capture_bytes("l21_keyboard_only-usbmon.pcap")
    assert fed(tmp_path / "pipe", keyboard, "--until", "configuration")[0] == 1


@pytest.mark.parametrize(("how", "status"), [("SIGINT", 0), ("SIGTERM", 143), ("SIGHUP", 129), ("SIGKILL", -9)])
def test_whatever_ends_it_what_came_is_kept(
    how: str, status: int, watch: Callable[..., Watched], tmp_path: Path
) -> None:
    """Ctrl-C ends it in good order, with the verdict; the others at once."""
    kept = tmp_path / "kept.txt"
    shown = watch("-", "--record", kept, stdin=subprocess.PIPE)
    shown.see("watching")
    half = CONSOLE[: CONSOLE.index(b"IN  00") + 20]  # in the middle of a line
    shown.process.stdin.write(half)
    shown.process.stdin.flush()
    shown.see("~ .*INQUIRY")
    for _ in range(600):
        if kept.stat().st_size == len(half):
            break
        time.sleep(0.02)
    ended, complaints = shown.end(signal.Signals[how])
    assert kept.read_bytes() == half
    assert ended == status and ("stopped" in complaints) == (how in ("SIGTERM", "SIGHUP"))
    assert any("came as far as" in line or "shows no stage" in line for line in shown.lines) == (how == "SIGINT")


def test_a_reader_that_has_seen_enough(tmp_path: Path) -> None:
    """As `head` does; the recording is whole up to there."""
    kept = tmp_path / "kept"
    (tmp_path / "data").write_bytes(CONSOLE * 50)
    program = f'"{sys.executable}" -c "{MAIN}"'
    done = subprocess.run(
        ["bash", "-c", f"{program} watch - --record kept <data | head -3; echo ${{PIPESTATUS[0]}}"], cwd=tmp_path,
        env=environment(), capture_output=True, timeout=PATIENCE, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == b"0" and len(done.stdout.splitlines()) == 4 and done.stderr == b""
    assert kept.read_bytes() == (CONSOLE * 50)[: kept.stat().st_size] and kept.stat().st_size


# -- the recording ---------------------------------------------------------------------------------------------------


def test_a_full_disk_ends_it_and_keeps_what_there_is_room_for(tmp_path: Path) -> None:
    data = CONSOLE * 40
    (tmp_path / "data").write_bytes(data)
    with small_disk(tmp_path / "small", "32k") as folder:
        kept = folder / "kept.txt"
        words = f'"{sys.executable}" -c "{MAIN}" watch - --record "{kept}" <data'
        done = subprocess.run(
            ["bash", "-c", words], cwd=tmp_path, env=environment(), capture_output=True, timeout=PATIENCE
        )
        size = kept.stat().st_size
        assert kept.read_bytes() == data[:size] and 24_000 < size < len(data)
        last = done.stderr.decode().splitlines()[-1]
        assert f"No space left on device: the recording ends after {size:,} bytes, which are there" in last
        assert done.returncode == 2 and b"TIDE LOGGER" in done.stdout and b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ("/dev/full", "is a device; it is left alone"),
        ("there.txt", "exists; not overwritten"),
        ("link.txt", "is a symbolic link"),
        ("source.txt", "is the capture itself"),
        ("nowhere/kept", "No such file or directory"),
    ],
)
def test_a_recording_replaces_nothing(target: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "there.txt").write_bytes(b"precious")
    (tmp_path / "link.txt").symlink_to("there.txt")
    (tmp_path / "source.txt").write_bytes(CONSOLE)
    status, out, error = run(["watch", "source.txt", "--record", target, "--for", "1"], tmp_path)
    assert (status, out) == (2, "") and words in error and error.count("\n") == 1
    assert (tmp_path / "there.txt").read_bytes() == b"precious" and (tmp_path / "source.txt").read_bytes() == CONSOLE


# -- files that grow -------------------------------------------------------------------------------------------------


def test_a_file_that_stops_in_mid_line_is_rotated_and_cut_short(watch: Callable[..., Watched], tmp_path: Path) -> None:
    source, kept = tmp_path / "console.log", tmp_path / "kept"
    lines = CONSOLE.splitlines(keepends=True)
    first = b"".join(lines[:9])
    source.write_bytes(first + lines[9][:25])
    shown = watch(source, "--record", kept)
    shown.see("INQUIRY .* passed")
    with source.open("ab") as file:
        file.write(lines[9][25:])
    shown.see("~ .*TEST UNIT READY")
    source.rename(tmp_path / "console.log.1")
    with (tmp_path / "console.log.1").open("ab") as late:  # a writer keeps the old file for a moment
        late.write(lines[10])
    source.write_bytes(lines[11])
    shown.see("-- another file has its name now")
    with source.open("ab") as file:
        file.write(b"".join(lines[12:]))
    shown.see(r"READ CAPACITY\(10\) .* passed")
    source.write_bytes(b"U-Boot 2031.04\n")
    shown.see("-- it was cut short")
    assert shown.end(signal.SIGINT)[0] == 1
    assert kept.read_bytes() == CONSOLE + b"U-Boot 2031.04\n"


def test_a_capture_that_a_recorder_writes_in_bursts(watch: Callable[..., Watched], tmp_path: Path) -> None:
    data, source = (DEMO / "healthy-boot.pcap").read_bytes(), tmp_path / "growing.pcap"
    source.write_bytes(b"")
    shown = watch(source, "--until", "files")
    for at in range(0, len(data), 1_111):
        with source.open("ab") as file:
            file.write(data[at : at + 1_111])
    assert shown.end()[0] == 0


def test_a_directory_in_which_captures_appear(watch: Callable[..., Watched], tmp_path: Path) -> None:
    """Old ones are left alone; each new one gets its verdict when the next one comes."""
    (tmp_path / "old.pcap").write_bytes((DEMO / "no-address.pcap").read_bytes())
    shown = watch(tmp_path)
    shown.see("watching")
    (tmp_path / ".hidden").write_bytes(CONSOLE)
    (tmp_path / "one.pcap").write_bytes((DEMO / "healthy-boot.pcap").read_bytes())
    shown.see("one.pcap: pcap")
    (tmp_path / "two.txt").write_bytes(CONSOLE)
    shown.see("^healthy: SKERRY")
    shown.see("two.txt: hex text")
    (tmp_path / "notes.txt").write_bytes(b"bought two sticks\n")
    shown.see("^Failed first: exchange 5")
    (tmp_path / "three.pcap").write_bytes((DEMO / "healthy-boot.pcap").read_bytes())
    shown.see("three.pcap: pcap")
    status, complaints = shown.end(signal.SIGINT)
    assert status == 1 and "notes.txt: not a form that sticktrace reads" in complaints
    assert not any("old.pcap" in line or "hidden" in line for line in shown.lines)
    assert sum(line.startswith("healthy: ") for line in shown.lines) == 2


def test_a_directory_is_no_stream(tmp_path: Path) -> None:
    assert run(["watch", tmp_path, "--record", "x"], tmp_path)[0] == 2
    status, _, error = run(["watch", tmp_path, "--for", "0.3"], tmp_path)
    assert status == 3 and "no capture that can be read appeared" in error


# -- the kernel's recorder -------------------------------------------------------------------------------------------


def test_the_stream_of_the_kernels_device(tmp_path: Path) -> None:
    """The same traffic as pcap, event by event."""
    name = "l20_hub_uhci-usbmon.pcap"
    (tmp_path / "whole.pcap").write_bytes(capture_bytes(name))
    status, lines, _ = fed(tmp_path / "pipe", stream(capture_bytes(name)), "--json", largest=100)
    theirs = json.loads(asked("diagnose", tmp_path / "whole.pcap").stdout)
    assert json.loads(lines[-1]) == theirs and status == 0


def test_the_kernels_buffer_is_made_large_and_what_it_lost_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The numbers are composed as asm-generic/ioctl.h does it: _IO(92h, 4) and _IOR(92h, 3, struct mon_bin_stats), the
    names and the magic are the kernel documentation's (usbmon)."""
    ring, statistics = 0x92 << 8 | 4, 2 << 30 | 8 << 16 | 0x92 << 8 | 3
    asked: list[tuple[int, object]] = []

    def ioctl(_handle: int, request: int, argument: object) -> bytes:
        asked.append((request, argument))
        return struct.pack("=II", 7, 3)

    monkeypatch.setattr("fcntl.ioctl", ioctl)
    path, remarks = tmp_path / "usbmon1", list[str]()
    os.mkfifo(path)
    writer = threading.Thread(target=path.write_bytes, args=(b"events",))
    writer.start()
    device = UsbmonDevice(str(path), path)
    assert list(device.chunks(threading.Event(), remarks.append)) == [b"events"]
    writer.join(PATIENCE)
    assert asked == [(ring, 1200 * 1024), (statistics, bytes(8))]
    assert remarks == ["the kernel lost 3 events: there was no room for them"]


# -- serial lines ----------------------------------------------------------------------------------------------------


class Line:
    """A serial line: the board writes at its end, the program reads at ``path``, which can be taken away."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.plug()

    def plug(self) -> None:
        self.board, self._cable = pty.openpty()
        tty.setraw(self._cable)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._cable))

    def say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.board, data[:200]) :]

    def unplug(self) -> None:
        self.path.unlink()
        os.close(self._cable)
        os.close(self.board)


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    pytest.importorskip("serial")
    made = Line(tmp_path / "ttyUSB0")
    yield made
    made.unplug()


def test_a_serial_line(line: Line, watch: Callable[..., Watched], tmp_path: Path) -> None:
    """Garbled bytes, as of a wrong rate or a plug, stop nothing; a line that goes away is waited for."""
    kept, noise = tmp_path / "kept", bytes(random.Random(3).randrange(256) for _ in range(300))
    shown = watch(line.path, "--baud", "115200", "--record", kept)
    shown.see("watching .*ttyUSB0 at 115200 baud")
    lines = CONSOLE.splitlines(keepends=True)
    half = b"".join(lines[:9])
    line.say(noise + b"\n" + half)
    shown.see("INQUIRY .* passed")
    line.unplug()
    shown.see("-- the line went away")
    line.plug()
    shown.see("-- the line is back")
    line.say(noise[:50] + b"\r\n" + b"".join(lines[9:]))
    shown.see(r"READ CAPACITY\(10\) .* passed")
    assert shown.end(signal.SIGINT)[0] in (0, 1)
    assert kept.read_bytes() == noise + b"\n" + half + noise[:50] + b"\r\n" + b"".join(lines[9:])


def test_a_serial_line_that_drops_bytes(line: Line, watch: Callable[..., Watched]) -> None:
    """The marks of the transfer log (docs/hex-text.md) show what did not come; nobody is blamed for it."""
    page = (ROOT / "docs" / "hex-text.md").read_text(encoding="utf-8")
    log = [text for text in page.splitlines() if re.search(r"#0\d\*[0-9a-f]{4}$", text)][:6]
    assert len(log) == 6
    log[2] = log[2][:60] + log[2][63:]
    shown = watch(line.path)
    shown.see("watching")
    line.say("\r\n".join(log).encode() + b"\r\n")
    shown.see("~ .*TEST UNIT READY")
    status, complaints = shown.end(signal.SIGINT)
    assert status == 0 and "did not come whole" in complaints


def test_a_line_that_somebody_else_reads(line: Line, watch: Callable[..., Watched], tmp_path: Path) -> None:
    shown = watch(line.path)
    shown.see("watching")
    line.say(CONSOLE)
    shown.see("READ CAPACITY")
    status, _, error = run(["watch", line.path], tmp_path)
    assert status == 3 and "another program has it open" in error
    shown.end(signal.SIGINT)


def test_without_pyserial_it_says_what_to_install(tmp_path: Path) -> None:
    code = f"import sys; sys.modules['serial'] = None; {MAIN}"
    status, out, error = run(["watch", "/dev/null", "--baud", "9600"], tmp_path, code=code)
    assert (status, out) == (2, "") and "pip install 'sticktrace[serial]'" in error


# -- what cannot be read ---------------------------------------------------------------------------------------------


def test_a_source_that_may_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "closed.txt").write_bytes(CONSOLE)
    os.mkfifo(tmp_path / "closed.pipe")
    for name in ("closed.txt", "closed.pipe"):
        (tmp_path / name).chmod(0)
        status, out, error = run(["watch", name], tmp_path, bare=True)
        assert (status, out) == (3, "") and f"{name}: no right to read it (r)" in error


@pytest.mark.parametrize(
    ("path", "code", "words"),
    [
        ("/dev/usbmon1", errno.EACCES, "for root alone: sudo sticktrace watch /dev/usbmon1"),
        ("/dev/usbmon1", errno.ENOENT, "modprobe usbmon"),
        ("/sys/kernel/debug/usb/usbmon/1u", errno.EPERM, "sudo sticktrace watch /sys/kernel/debug/usb/usbmon/1u"),
        ("/sys/kernel/debug/usb/usbmon/1u", errno.ENOENT, "mount -t debugfs none /sys/kernel/debug"),
        ("/dev/ttyUSB7", errno.ENOENT, "nothing is plugged in under this name"),
        ("/dev/ttyUSB7", errno.EBUSY, "another program has it open"),
        ("/dev/null", errno.ENOTTY, "is no serial line"),
    ],
)
def test_what_to_do_is_said(path: str, code: int, words: str) -> None:
    said = complaint(Path(path), OSError(code, os.strerror(code)))
    assert said.startswith(f"{path}: ") and words in said and "\n" not in said


@pytest.mark.parametrize(
    ("data", "status", "words"),
    [
        (b"", 3, "nothing came"),
        (b"\xff\x00\x13" * 5_000, 3, "not a form that sticktrace reads"),
        (b"CBW sent, tag 0x5, but nothing here says more\n" * 4, 3, "4 lines look like storage traffic"),
    ],
)
def test_nothing_understood(data: bytes, status: int, words: str, tmp_path: Path) -> None:
    ended, lines, error = fed(tmp_path / "pipe", data)
    assert ended == status and words in error
    assert len(lines) == 1 and "watching" in lines[0]
