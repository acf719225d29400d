"""Logs woven between the traffic: clocks laid upon each other by what both saw, devices found again, and failures told
by both sides beside each other.

The kernel's messages in tests/data/captures were written by the machine that made the captures, in the same run.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sticktrace
from conftest import CAPTURES, capture_bytes, capture_names, capture_path, kernel_log
from sticktrace.bus.device import Device
from sticktrace.cli.main import cli
from sticktrace.findings.verdict import Diagnosis, diagnose
from sticktrace.sticks.stages import Stage
from sticktrace.timeline import LogBeside, add_log
from sticktrace.timeline.clocks import LIKELY, SURE, Agreement, compare
from sticktrace.timeline.landmarks import Landmark
from sticktrace.transport.items import Exchange, Saying
from workshop import Host, Identity, Recorder, Stick, Unit, wire

STEMS = {path.name.removesuffix(".dmesg.txt") for path in CAPTURES.glob("*.dmesg.txt")}
PAIRS = (
    [name for name in capture_names() if any(name.startswith(stem) and kernel_stem(name) for stem in STEMS)]
    if (kernel_stem := lambda name: name.partition("-usbmon")[0])
    else []
)
SECOND = 1_000_000_000
ROOT_HUB = 0x1D6B


def log_of(name: str) -> str:
    return kernel_log(f"{name.partition('-usbmon')[0]}-usbmon.x")


@cache
def alone(name: str) -> Diagnosis:
    with sticktrace.open(capture_path(name)) as capture:
        return diagnose(capture.reading())


def woven(name: str, text: str, folder: Path, offset: float | None = None) -> tuple[Diagnosis, LogBeside, list[Any]]:
    """The diagnosis, the log and every item of a pass over a capture with a log beside it."""
    path = folder / "kernel.log"
    path.write_text(text)
    with sticktrace.open(capture_path(name)) as capture:
        log = add_log(capture, path, offset)
        items = list(capture.items())
        return diagnose(capture.reading()), log, items


def moved(text: str, seconds: float) -> str:
    """A log whose clock is ahead by so much."""
    return re.sub(r"(?m)^\[ *(\d+\.\d{6})\]", lambda m: f"[{float(m[1]) + seconds:12.6f}]", text)


# -- the same run, told twice --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAIRS)
def test_both_agree(name: str, tmp_path: Path) -> None:
    """With the log the verdict is what it is without; what both know is told once; what only the log knows is added."""
    before, (after, log, items) = alone(name), woven(name, log_of(name), tmp_path)
    assert isinstance(log.clock, Agreement)
    assert log.clock.sure in (SURE, LIKELY)
    assert log.clock.spread_ns < 20_000_000
    assert after.answer.failed == before.answer.failed
    assert [report.title for report in after.reports] == [report.title for report in before.reports]
    assert [finding.slug for finding in after.findings] == [finding.slug for finding in before.findings]
    changed = [
        (new.stage, old.state, new.state)
        for one, other in zip(before.reports, after.reports, strict=True)
        for old, new in zip(one.rungs, other.rungs, strict=True) if old.state != new.state
    ]  # fmt: skip
    # Of data cut after 32 bytes, or not captured, the kernel's own reading of the partitions tells more.
    assert set(changed) <= {(Stage.PARTITION, "not seen", "reached")}
    assert len([item for item in items if isinstance(item, Exchange)]) == sum(r.stick.exchanges for r in before.reports)


@pytest.mark.parametrize("name", PAIRS)
def test_devices_of_the_log_are_devices_of_the_bus(name: str, tmp_path: Path) -> None:
    """Whoever has ids and a number in both is one; and what is said of it is among its own items."""
    _, _, items = woven(name, log_of(name), tmp_path)
    told = {saying.device for saying in items if isinstance(saying, Saying)}
    known = {d for d in told if d.ids is not None and d.ids[0] != ROOT_HUB}
    assert known
    for device in known:
        assert device.described, device.title
        assert device.heard is not None
        assert device.heard.ids == device.ids
        assert device.heard.path
    numbered = re.findall(r"usb (\d+)-[\d.]+: new \S+ USB device number (\d+)", log_of(name))
    paths = {(device.bus or 1, device.address) for device in known if not device.is_hub}
    hubs = {(device.bus or 1, device.address) for device in known if device.is_hub}
    assert paths | hubs <= {(int(bus), int(number)) for bus, number in numbered}


def test_a_pcap_and_the_text_of_one_run_have_the_same_clock(tmp_path: Path) -> None:
    """Both were recorded at once, and begin within 300 µs of each other."""
    clocks = [woven(f"l15_read_error-{form}", log_of("l15_read_error-usbmon"), tmp_path)[1].clock
              for form in ("usbmon.pcap", "usbmon-0u.txt")]  # fmt: skip
    first, second = (clock.printed_ns for clock in clocks if isinstance(clock, Agreement))
    assert abs(first - second) < 1_000_000


def test_what_the_host_made_of_an_error_stands_beside_it(tmp_path: Path) -> None:
    """Six READ fail in the log, each with the one of the bus that has its block; the sense line is quoted."""
    diagnosis, _, items = woven("l15_read_error-usbmon.pcap", log_of("l15_read_error-usbmon"), tmp_path)
    blamed = [s.blames for s in items if isinstance(s, Saying) and s.statement.kind == "command failed"]
    assert [exchange.number for exchange in blamed if isinstance(exchange, Exchange)] == [21, 25, 27, 29, 31, 33]
    (finding,) = [f for f in diagnosis.findings if f.slug == "unreadable-blocks"]
    assert "Add. Sense: Unrecovered read error" in finding.log[0]
    assert "kernel.log line 34" in finding.log[0]


def test_a_stick_that_was_pulled_out_is_told_once(tmp_path: Path) -> None:
    """The kernel goes on about its sectors for seconds; that is not another fault."""
    diagnosis, _, _ = woven("l14_hot_unplug-usbmon.pcap", log_of("l14_hot_unplug-usbmon"), tmp_path)
    assert [finding.slug for finding in diagnosis.faults] == ["gone-in-use"]
    assert "USB disconnect, device number 2" in diagnosis.faults[0].log[0]


def test_an_errno_stands_beside_the_request_that_it_is_about(tmp_path: Path) -> None:
    """-71 at GET_DESCRIPTOR; the kernel's words for it (drivers/usb/core/hub.c, hub_port_init)."""
    text = "".join(
        f"ffff888{n} {1000000 + n * 40000} S Ci:1:000:0 s 80 06 0100 0000 0040 64 <\n"
        f"ffff888{n} {1003000 + n * 40000} C Ci:1:000:0 -71 0\n" for n in range(3)
    )  # fmt: skip
    log = "[  100.0] usb 1-1: new high-speed USB device number 5 using ehci-pci\n" + "".join(
        f"[  {100.003 + n * 0.04:.6f}] usb 1-1: device descriptor read/64, error -71\n" for n in range(3)
    )
    capture, kernel = tmp_path / "capture.txt", tmp_path / "kernel.log"
    capture.write_text(text)
    kernel.write_text(log)
    done = CliRunner().invoke(cli, ["diagnose", str(capture), "--log", str(kernel), "--offset", "-100"])
    assert "log     usb 1-1: device descriptor read/64, error -71 (kernel.log line 2)" in done.stdout
    assert done.exit_code == 1


# -- clocks --------------------------------------------------------------------------------------------------------

NAME = "l15_read_error-usbmon.pcap"


@pytest.mark.parametrize("seconds", [0.0, -6.0, 86_400.5, 1e6])
def test_a_known_offset_is_found(seconds: float, tmp_path: Path) -> None:
    clocks = [woven(NAME, moved(log_of(NAME), ahead), tmp_path)[1].clock for ahead in (0.0, seconds)]
    first, second = (clock for clock in clocks if isinstance(clock, Agreement))
    assert abs(first.printed_ns - second.printed_ns - round(seconds * SECOND)) < 10_000
    assert second.agreed == first.agreed


def syslog(text: str) -> str:
    """As a system logger without fractions writes it, in a language of its own."""
    out = []
    for line in text.splitlines():
        found = re.match(r"\[ *(\d+)\.\d+\] (.*)", line)
        seconds = int(found[1]) if found else 0
        out.append(f"Okt  1 10:00:{seconds:02d} gauge kernel: {found[2] if found else line}\n")
    return "".join(out)


def journal(text: str) -> str:
    """As a journal exports it, a line of JSON each."""
    import json

    rows = re.findall(r"(?m)^\[ *(\d+)\.(\d+)\] (.*)$", text)
    return "".join(
        json.dumps({"_SOURCE_MONOTONIC_TIMESTAMP": whole + part, "MESSAGE": message, "PRIORITY": "6"}) + "\n"
        for whole, part, message in rows
    )


def test_times_of_whole_seconds_are_good_for_a_second(tmp_path: Path) -> None:
    clock = woven(NAME, syslog(log_of(NAME)), tmp_path)[1].clock
    exact = woven(NAME, log_of(NAME), tmp_path)[1].clock
    assert isinstance(clock, Agreement)
    assert isinstance(exact, Agreement)
    assert clock.sure == SURE
    assert abs(clock.printed_ns + 36_000 * SECOND - exact.printed_ns) < SECOND


def test_a_journal_gives_the_same_as_the_kernels_own_stamps(tmp_path: Path) -> None:
    first, second = (woven(NAME, make(log_of(NAME)), tmp_path)[1].clock for make in (str, journal))
    assert first == second


def test_a_log_without_times_stands_by_its_order(tmp_path: Path) -> None:
    """Each failure behind the exchange that failed, in the order of both."""
    text = re.sub(r"(?m)^\[ *\d+\.\d+\] ", "", log_of(NAME))
    diagnosis, log, items = woven(NAME, text, tmp_path)
    assert "it prints no times" in log.words
    assert "stand where this capture shows the same" in log.words
    blamed = [s.blames for s in items if isinstance(s, Saying) and s.statement.kind == "command failed"]
    assert {item.number for item in blamed if isinstance(item, Exchange)} <= {21, 25, 27, 29, 31, 33, 35}
    assert diagnosis.answer.failed == alone(NAME).answer.failed


OTHER = """\
[  100.000000] usb 3-2: new high-speed USB device number 2 using xhci_hcd
[  100.200000] usb 3-2: New USB device found, idVendor=1209, idProduct=000e
[  100.300000] usb-storage 3-2:1.0: USB Mass Storage device detected
[  101.300000] scsi 7:0:0:0: Direct-Access     SKERRY   OTHER GAUGE      1.00 PQ: 0 ANSI: 5
[  101.400000] sd 7:0:0:0: [sdz] 4096 512-byte logical blocks: (2.10 MB/2.00 MiB)
[  104.000000] usb 3-2: USB disconnect, device number 2
"""


def test_where_nothing_is_common_nothing_is_guessed(tmp_path: Path) -> None:
    """The same number, and nothing else: not enough."""
    diagnosis, log, items = woven(NAME, OTHER, tmp_path)
    assert log.words.startswith("kernel.log: it says nothing that this capture shows as well: it is left out")
    assert not any(isinstance(item, Saying) for item in items)
    assert diagnosis.verdict == alone(NAME).verdict


def test_two_places_that_fit_as_well_are_both_named(tmp_path: Path) -> None:
    """The same run twice in one log, an hour apart by one clock."""
    text = log_of(NAME)
    _, log, items = woven(NAME, text + moved(text, 3600), tmp_path)
    assert isinstance(log.clock, Agreement)
    assert sorted(round(offset / SECOND) for offset in log.clock.rivals) == [-3606, -6]
    assert not any(isinstance(item, Saying) for item in items)


def test_of_two_runs_the_one_that_was_recorded_is_taken(tmp_path: Path) -> None:
    """Another stick an hour before does not disturb; what is said of it is counted, not told."""
    _, log, items = woven(NAME, OTHER + moved(log_of(NAME), 3600), tmp_path)
    assert isinstance(log.clock, Agreement)
    assert round(log.clock.printed_ns / SECOND) == -3606
    assert "tell of other times or things" in log.words
    assert not any("OTHER GAUGE" in item.statement.line for item in items if isinstance(item, Saying))


def test_an_offset_by_hand(tmp_path: Path) -> None:
    """What the log prints as 100 s stands at 1 s."""
    _, log, items = woven(NAME, OTHER, tmp_path, -99.0)
    assert log.words.startswith("kernel.log: its times - 99.000000 s are those of this capture, as you say")
    first = next(item for item in items if isinstance(item, Saying))
    assert first.time_ns == SECOND


def test_what_was_said_before_the_capture_began_says_so(tmp_path: Path) -> None:
    """A recorder was started late: the plugging in is in the log alone."""
    name = "l16_sg_bot-usbmon.pcap"
    diagnosis, _, items = woven(name, log_of(name), tmp_path)
    early = [i for i in items if isinstance(i, Saying) and "before the capture begins" in i.statement.line]
    assert early
    assert all(item.time_ns == 0 for item in early)
    assert diagnosis.verdict == alone(name).verdict


def test_thousands_of_like_failures_do_not_take_for_ever() -> None:
    """A storm on both sides: pairs are bounded, and the rare signs decide."""
    log = [Landmark(n * 1000, ("errno", -71), n) for n in range(20_000)] + [Landmark(0, ("ids", 1, 2), 0)]
    capture = [Landmark(n * 1000, ("errno", -71), n) for n in range(20_000)] + [Landmark(7000, ("ids", 1, 2), 0)]
    assert compare(log, capture).offset_ns == 7000


# -- the command line ----------------------------------------------------------------------------------------------


def run(*words: str) -> Any:
    done = CliRunner().invoke(cli, words)
    assert done.exception is None or isinstance(done.exception, SystemExit | sticktrace.SticktraceError)
    return done


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("logs")
    (folder / "kernel.log").write_text(log_of(NAME))
    (folder / "stick.pcap").write_bytes(capture_bytes(NAME))
    return str(folder / "stick.pcap"), str(folder / "kernel.log")


def test_exchanges_have_the_log_between_them(files: tuple[str, str]) -> None:
    lines = run("exchanges", files[0], "--log", files[1]).stdout.splitlines()
    at = next(n for n, line in enumerate(lines) if line.lstrip().startswith("22 "))
    assert "Add. Sense: Unrecovered read error" in lines[at + 1]
    assert lines[at + 2].lstrip().startswith("23 ")


def test_chosen_exchanges_have_what_is_said_of_them(files: tuple[str, str]) -> None:
    lines = run("exchanges", files[0], "status:failed", "--log", files[1]).stdout.splitlines()[1:]
    said = [line for line in lines if "says: " in line]
    assert len(said) == 7
    assert all("Medium" in line or "Buffer" in line for line in said)


def test_the_story_has_the_log_in_it(files: tuple[str, str]) -> None:
    lines = run("devices", "--story", files[0], "--log", files[1]).stdout.splitlines()
    address = next(n for n, line in enumerate(lines) if "gets address 2" in line)
    found = next(n for n, line in enumerate(lines) if "New USB device found, idVendor=46f4" in line)
    configured = next(n for n, line in enumerate(lines) if "the log says: usb-storage 1-1:1.0" in line)
    assert address < found < configured


def test_the_offset_and_how_sure_it_is_are_said(files: tuple[str, str]) -> None:
    done = run("diagnose", files[0], "--log", files[1])
    assert re.search(r"kernel\.log: its times - 6\.27\d{4} s are those of this capture \(sure: 16 things", done.stderr)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--offset", "3"], "--offset is the clock of a --log: give both"),
        (["--log", "stick.pcap"], "holds pcap and no words"),
        (["--log", "nothing.log"], "nothing.log"),
        (["--log", "kernel.log", "--offset", "nan"], "--offset is a number of seconds"),
    ],
)
def test_what_cannot_be(files: tuple[str, str], words: list[str], said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(files[0]).parent)
    done = run("diagnose", files[0], *words)
    assert said in (done.stderr + str(done.exception))


def test_several_logs(files: tuple[str, str], tmp_path: Path) -> None:
    """A console's besides the kernel's, each by its own clock."""
    console = tmp_path / "console.log"
    console.write_text("[  1.000000] usb 1-1: Product: SECOND LOG\n")
    done = run("devices", "--story", files[0], "--log", files[1], "--log", str(console), "--offset", "-6.271679",
               "--offset", "0.5")  # fmt: skip
    assert "1.500000" in done.stdout
    assert "Product: SECOND LOG (console.log line 1)" in done.stdout


def made(script: Callable[[Host], None]) -> bytes:
    host = Host(Recorder(), Stick(Identity(), [Unit()]))
    host.enumerate()
    script(host)
    return host.recorder.pcap()


def test_disks_are_taken_for_the_one_stick(tmp_path: Path) -> None:
    """An excerpt that ties nothing: a disk's name, and the one stick of the capture; told apart by the block."""
    data = made(lambda host: host.command(wire.read10(0x1234), data_in=b"", expected=512, status=1))
    (tmp_path / "stick.pcap").write_bytes(data)
    (tmp_path / "kernel.log").write_text(
        "[ 900.1] sd 4:0:0:0: [sdq] tag#0 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_OK\n"
        "[ 900.1] sd 4:0:0:0: [sdq] tag#0 Sense Key : Medium Error [current]\n"
        "[ 900.1] sd 4:0:0:0: [sdq] tag#0 CDB: Read(10) 28 00 00 00 12 34 00 00 01 00\n"
    )
    with sticktrace.open(tmp_path / "stick.pcap") as capture:
        log = add_log(capture, tmp_path / "kernel.log")
        sayings = [item for item in capture.items() if isinstance(item, Saying)]
    assert isinstance(log.clock, Agreement)
    assert log.clock.sure == "not sure"
    assert all(isinstance(s.blames, Exchange) and isinstance(s.device, Device) and s.device.described for s in sayings)


# -- one text that holds both --------------------------------------------------------------------------------------


def interleaved(events: str, kernel: str, offset: float) -> str:
    """Each line at its time, as a console that shows both prints them."""
    times = [int(line.split()[1]) / 1e6 for line in events.splitlines()]
    rows = [(time - times[0], line) for time, line in zip(times, events.splitlines(), strict=True)]
    rows += [(float(line[1:13]) - offset, line) for line in kernel.splitlines()]
    return "".join(f"{line}\n" for _, line in sorted(rows, key=lambda row: row[0]))


@pytest.mark.parametrize("way", ["behind", "before", "between"])
def test_kernel_messages_in_a_text_of_events(way: str, tmp_path: Path) -> None:
    """Both are used: nothing is damage, nothing is told twice, and the sense line stands beside the exchange."""
    events, kernel = capture_bytes("l15_read_error-usbmon-0u.txt").decode(), log_of(NAME)
    text = {"behind": events + kernel, "before": kernel + events, "between": interleaved(events, kernel, 6.271951)}
    path = tmp_path / "both.txt"
    path.write_text(text[way])
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        diagnosis = diagnose(reading)
        assert reading.damage == []
        places = reading.places()
        assert sum(places.values()) == reading.records
        assert places["what a log says"] == 62
    before = alone("l15_read_error-usbmon-0u.txt")
    assert [finding.slug for finding in diagnosis.findings] == [finding.slug for finding in before.findings]
    assert "Add. Sense: Unrecovered read error" in diagnosis.faults[0].log[0]
    assert [report.title for report in diagnosis.reports] == [report.title for report in before.reports]


KERNEL = """\
[  100.000000] usb 1-1: new high-speed USB device number 2 using ehci-pci
[  100.200000] usb 1-1: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.02
[  100.300000] scsi host6: usb-storage 1-1:1.0
[  101.000000] scsi 6:0:0:0: Direct-Access     SKERRY   TIDE LOGGER      2.31 PQ: 0 ANSI: 5
[  101.100000] sd 6:0:0:0: [sdb] tag#0 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_OK
[  101.100001] sd 6:0:0:0: [sdb] tag#0 Sense Key : Medium Error [current]
[  101.100002] sd 6:0:0:0: [sdb] tag#0 Add. Sense: Unrecovered read error
[  101.100003] sd 6:0:0:0: [sdb] tag#0 CDB: Read(10) 28 00 00 00 12 34 00 00 01 00
"""


@pytest.mark.parametrize("behind", [True, False])
def test_kernel_messages_above_or_below_a_console(behind: bool, tmp_path: Path) -> None:
    """One stick, one failure, told by both; the ids are the log's."""
    host = Host(Recorder(), Stick(Identity(), [Unit()]))
    host.enumerate()
    host.execute(wire.inquiry())
    host.command(wire.read10(0x1234), data_in=b"", expected=512, status=1)
    console = host.recorder.hex_text()
    path = tmp_path / "both.txt"
    path.write_text(console + KERNEL if behind else KERNEL + console)
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        diagnosis = diagnose(reading)
        assert sum(reading.places().values()) == reading.records
    (report,) = diagnosis.reports
    assert report.stick.ids == "1209:0001"
    assert report.stick.failures == 1
    assert len([f for f in diagnosis.findings if "Add. Sense: Unrecovered read error" in "".join(f.log)]) == 1


# -- the screen ----------------------------------------------------------------------------------------------------


def lines_on_screen(path: Path, logs: list[tuple[str, float | None]]) -> tuple[list[str], list[tuple[str, str, str]]]:
    """The words of all that is woven between the exchanges, and the titles of the strips of each line of a log."""
    from sticktrace_tui.model import DONE, Model
    from sticktrace_tui.rows import woven_words
    from sticktrace_tui.strips import strips_of

    model = Model(path, logs=logs)
    model.run()
    try:
        assert model.state == DONE, model.error
        words = [woven_words(model, at, 1) for at in range(len(model.woven))]
        said = [at for at, text in enumerate(words) if text.startswith("says: ")]
        strips = [strips_of(model, -1 - at) for at in said]
        return words, [(a.title, b.title, c.title) for a, b, c in strips]
    finally:
        model.close()


def test_the_screen_has_the_log_between_the_exchanges(files: tuple[str, str]) -> None:
    words, strips = lines_on_screen(Path(files[0]), [(files[1], None)])
    assert sum("Add. Sense: Unrecovered read error" in text for text in words) == 6
    assert set(strips) == {("LOG", "DATA", "STATUS")}


def test_the_screen_shows_a_log_alone(files: tuple[str, str]) -> None:
    """Statements have no reason, no kind and no bytes; they have a line all the same."""
    words, strips = lines_on_screen(Path(files[1]), [])
    assert any("USB Mass Storage device detected" in text for text in words)
    assert strips
