"""Board fit: every limit fits, breaks and cannot be told from some capture; profiles are read strictly and kindly."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import ROOT, capture_names, capture_path, truth_of
from sticktrace.board.evidence import look_at
from sticktrace.board.fit import _CHECKS, Fit, fit
from sticktrace.board.outcome import BREAKS, ERASES, FITS, UNKNOWN
from sticktrace.board.profile import LIMITS, Board, BoardError, board_of, new_profile, read_board
from sticktrace.cli.main import cli
from sticktrace.errors import SticktraceError
from sticktrace.output.fit_text import fit_text
from sticktrace.text import safe
from workshop import Host, Hub, Identity, Medium, Recorder, Stick, Unit, session, wire
from workshop.identity import BULK_ONLY_FULL_SPEED, FULL
from workshop.recorder import PROTOCOL
from workshop.unit import POWER_ON

DEMO = ROOT / "traces/demo"


def held(path: Path, values: dict[str, Any], device: str = "") -> Fit:
    with sticktrace.open(path) as capture:
        return fit(look_at(capture.reading(), device), Board("bench", values))


def verdict(path: Path, limit: str, value: Any, **more: Any) -> str:
    return held(path, {limit: value, **more}).lines[-1 if limit.startswith("volume") else 0].verdict


# -- the profile --------------------------------------------------------------------------------------------------


def test_new_profile_reads_back_whole() -> None:
    """The commented profile gives every limit, and every limit has its check."""
    board = board_of(tomllib.loads(new_profile()), "new", "new")
    assert board.left_out == []
    assert board.name == "my board"
    assert set(board.values) == set(_CHECKS) == {limit.name for limit in LIMITS}


def test_documents_name_every_key() -> None:
    """docs/board-profile.md and the example keep up with the list of limits."""
    text = (ROOT / "docs/board-profile.md").read_text()
    assert re.findall(r"^\| `(\w+\.\w+)` \|", text, re.MULTILINE) == [limit.name for limit in LIMITS]
    for limit in LIMITS:
        row = next(line for line in text.splitlines() if line.startswith(f"| `{limit.name}` "))
        assert all(f'`"{word}"`' in row for word in limit.words)
    assert read_board(ROOT / "docs/boards/example.toml").left_out == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[bus]\nsped = "full"', "unknown key bus.sped; did you mean bus.speed?"),
        ("vbus_ma = 500", "unknown key vbus_ma; did you mean power.vbus_ma?"),
        ("[powr]\nvbus_ma = 500", "unknown key powr.vbus_ma; did you mean power.vbus_ma?"),
        ("[host]\nlba_bits = 32", "unknown key host.lba_bits; did you mean medium.lba_bits?"),
        ("[zzz]\nqqq = 1", "unknown key zzz.qqq; known are: name, bus.speed,"),
        ('[bus]\nspeed = "fast"', "bus.speed has to be one of full, high, super, not 'fast'"),
        ('[bus]\nspeed = "fulll"', "did you mean 'full'?"),
        ("[bus]\nhubs = 1", "bus.hubs has to be true or false, not 1"),
        ("[power]\nvbus_ma = true", "power.vbus_ma has to be a whole number, not True"),
        ("[power]\nvbus_ma = -1", "power.vbus_ma = -1 has to be between 0 and 5000"),
        ("[medium]\nlba_bits = 65", "medium.lba_bits = 65 has to be between 1 and 64"),
        ("[medium]\nblock_lengths = 512", "medium.block_lengths has to be a list of whole numbers"),
        ('[volume]\nfile_systems = ["FAT23"]', "did you mean 'FAT32'?"),
        ("[bus\nspeed", "no TOML: "),
        ("[power]\nvbus_ma = " + "9" * 5000, "no TOML: "),
        ("[power]\nvbus_ma = 0x" + "f" * 5000, "power.vbus_ma = this number has to be between 0 and 5000"),
        ("[bus]\nhubs = 0x" + "f" * 5000, "bus.hubs has to be true or false, not this number"),
    ],
)
def test_a_wrong_profile_is_one_clear_line(tmp_path: Path, text: str, words: str) -> None:
    """The line names the file, the key, and what was likely meant."""
    path = tmp_path / "board.toml"
    path.write_text(text)
    with pytest.raises(BoardError) as error:
        read_board(path)
    said = str(error.value)
    assert words in said
    assert str(path) in said
    assert "\n" not in said


def test_profiles_that_are_none(tmp_path: Path) -> None:
    """A missing, a huge, a binary and a deeply nested file are refused politely."""
    with pytest.raises(BoardError, match="fit --new"):
        read_board(tmp_path / "none.toml")
    for number, content in enumerate((b"#" * (2 << 20), b"\xff\xfe\x00", b"a=" + b"[" * 100_000)):
        path = tmp_path / f"{number}.toml"
        path.write_bytes(content)
        with pytest.raises(BoardError):
            read_board(path)


@given(st.dictionaries(st.text(max_size=8), st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8), max_size=4))  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_any_content_gives_a_profile_or_one_line(content: dict[str, Any]) -> None:
    """Nothing else escapes, and the line never holds what a terminal acts on."""
    try:
        board_of(content, "any", "any.toml")
    except BoardError as error:
        assert safe(str(error)) == str(error)


# -- the limits ---------------------------------------------------------------------------------------------------


def written(tmp_path: Path, recorder: Recorder) -> Path:
    path = tmp_path / "made.pcap"
    path.write_bytes(recorder.pcap())
    return path


def bench(act: Callable[[Host], Any] | None = None, identity: Identity | None = None, **unit: Any) -> Recorder:
    medium = unit.pop("medium", None) or session.tide_medium(session.tide_volume())
    host = Host(Recorder(), Stick(identity or Identity(), [Unit(medium, **unit)]))
    host.watch_hub()
    host.enumerate()
    session.identify(host)
    if act is not None:
        act(host)
    return host.recorder


def test_speed(tmp_path: Path) -> None:
    """Seen at full speed it fits a full-speed board; seen at high speed only, nothing is sure."""
    full = bench(identity=Identity(speed=FULL, alternates=(BULK_ONLY_FULL_SPEED,)))
    assert verdict(written(tmp_path, full), "bus.speed", "full") == FITS
    assert verdict(DEMO / "healthy-boot.pcap", "bus.speed", "high") == FITS
    assert verdict(DEMO / "healthy-boot.pcap", "bus.speed", "full") == UNKNOWN
    assert verdict(DEMO / "usb-console.txt", "bus.speed", "full") == UNKNOWN


def test_a_device_qualifier_settles_full_speed(tmp_path: Path) -> None:
    """A stick that answers GET_DESCRIPTOR(device_qualifier) works at the other speed too (USB 2.0 9.6.2)."""

    def ask(host: Host) -> None:
        host.control(wire.get_descriptor(6, 10), bytes.fromhex("0a 06 00 02 00 00 00 40 01 00"))

    assert verdict(written(tmp_path, bench(ask)), "bus.speed", "full") == FITS


def test_hubs(tmp_path: Path) -> None:
    """Behind one hub, at the host's own port, and where the capture shows neither."""
    host = Host(Recorder(), Stick(Identity(), [Unit(session.tide_medium(session.tide_volume()))]))
    host.watch_hub()
    host.external_hub(Hub(ports=4, report_bytes=1), address=2, port=1)
    host.port = 3
    host.enumerate(3)
    session.identify(host)
    behind = written(tmp_path, host.recorder)
    assert verdict(behind, "bus.hubs", False) == BREAKS
    assert verdict(behind, "bus.hubs", True) == FITS
    assert verdict(behind, "bus.hub_depth", 0) == BREAKS
    assert verdict(behind, "bus.hub_depth", 1) == FITS
    assert verdict(DEMO / "healthy-boot.pcap", "bus.hubs", False) == FITS
    assert verdict(DEMO / "usb-console.txt", "bus.hubs", False) == UNKNOWN


def test_hub_of_a_real_capture_counts_as_one() -> None:
    """l20: "stick behind an external hub", by its truth file."""
    assert "behind an external hub" in truth_of("l20_hub_uhci-usbmon.pcap")["made"]
    assert verdict(capture_path("l20_hub_uhci-usbmon.pcap"), "bus.hub_depth", 0) == BREAKS
    assert verdict(capture_path("l20_hub_uhci-usbmon.pcap"), "bus.hub_depth", 1) == FITS


def test_packets() -> None:
    """Packet sizes count as the board's own speed allows: 64 at full speed (USB 2.0 5.8.3)."""
    path = DEMO / "healthy-boot.pcap"
    assert verdict(path, "bus.control_packet", 64) == FITS
    assert verdict(path, "bus.control_packet", 32) == BREAKS
    assert verdict(path, "bus.bulk_packet", 512) == FITS
    assert verdict(path, "bus.bulk_packet", 64) == BREAKS
    slow = held(path, {"bus.speed": "full", "bus.bulk_packet": 64})
    assert slow.lines[1].verdict == FITS
    assert verdict(DEMO / "usb-console.txt", "bus.bulk_packet", 64) == UNKNOWN
    assert verdict(DEMO / "usb-console.txt", "bus.control_packet", 64) == UNKNOWN


def test_power() -> None:
    """brown-out-on-write states 500 mA (bMaxPower FAh in units of 2 mA, USB 2.0 Table 9-10)."""
    path = DEMO / "brown-out-on-write.pcap"
    assert verdict(path, "power.vbus_ma", 500) == FITS
    broken = held(path, {"power.vbus_ma": 499}).lines[0]
    assert broken.verdict == BREAKS
    assert "500 mA" in broken.why
    assert "never join two 5 V supplies" in broken.change
    assert verdict(DEMO / "usb-console.txt", "power.vbus_ma", 500) == UNKNOWN


def test_unit_attention(tmp_path: Path) -> None:
    """Seen, not seen, and a board that does not mind."""
    assert verdict(DEMO / "unit-attention-giveup.pcap", "host.retries_unit_attention", False) == BREAKS
    assert verdict(DEMO / "unit-attention-giveup.pcap", "host.retries_unit_attention", True) == FITS
    assert verdict(written(tmp_path, bench()), "host.retries_unit_attention", False) == UNKNOWN


def test_ready_wait(tmp_path: Path) -> None:
    """not-ready-then-up polls five times at 100 ms (traces/README.md)."""
    path = DEMO / "not-ready-then-up.pcap"
    assert verdict(path, "host.ready_wait_ms", 5000) == FITS
    assert verdict(path, "host.ready_wait_ms", 400) == BREAKS
    never = DEMO / "card-reader-empty-lun.pcap"
    assert verdict(never, "host.ready_wait_ms", 1000) == BREAKS
    assert verdict(never, "host.ready_wait_ms", 30_000) == UNKNOWN
    assert verdict(DEMO / "get-max-lun-stall-fatal.pcap", "host.ready_wait_ms", 1000) == UNKNOWN


@pytest.mark.parametrize(("naks", "limit", "expected"), [(400, 5, BREAKS), (400, 50, FITS), (4, 5, FITS)])
def test_wait_in_nak(naks: int, limit: int, expected: str, tmp_path: Path) -> None:
    """Only packets show NAK (USB 2.0 8.4.5): 400 of them 50 us apart are 20 ms."""
    import probe
    from workshop.bus import Bus

    bus = Bus("high")
    probe.enumerate_stick(bus)
    bus.bulk_out(probe.STICK, probe.BULK_OUT, probe.cbw(1, 512, probe.read10(0, 1)))
    for _ in range(naks):
        bus.nak(probe.STICK, probe.BULK_IN, 1)
        bus.wait(50_000)
    bus.bulk_in(probe.STICK, probe.BULK_IN, bytes(512))
    bus.bulk_in(probe.STICK, probe.BULK_IN, probe.csw(1))
    path = tmp_path / "probe.pcap"
    path.write_bytes(bus.pcap())
    assert verdict(path, "host.nak_wait_ms", limit) == expected
    assert verdict(DEMO / "healthy-boot.pcap", "host.nak_wait_ms", limit) == UNKNOWN


def test_command_timeout(tmp_path: Path) -> None:
    """A status that comes 1.5 s late."""

    def late(host: Host) -> None:
        host.command(wire.read10(9), data_in=bytes(512), late_ms=1500)

    path = written(tmp_path, bench(late))
    assert verdict(path, "host.command_timeout_ms", 1000) == BREAKS
    assert verdict(path, "host.command_timeout_ms", 5000) == FITS
    assert verdict(DEMO / "get-max-lun-stall-fatal.pcap", "host.command_timeout_ms", 1000) == UNKNOWN


def test_units_scanned(tmp_path: Path) -> None:
    """A card in the second slot of a reader."""
    units = [Unit(None), session.tide_unit()]
    host = Host(Recorder(), Stick(Identity(), units, max_lun=1))
    host.enumerate()
    session.make_ready(host, tries=2)
    session.identify(host, lun=1)
    path = written(tmp_path, host.recorder)
    assert verdict(path, "host.luns_scanned", 1) == BREAKS
    assert verdict(path, "host.luns_scanned", 2) == FITS
    assert verdict(DEMO / "card-reader-empty-lun.pcap", "host.luns_scanned", 1) == UNKNOWN


def test_largest_transfer(tmp_path: Path) -> None:
    """64 KiB passes and 128 KiB breaks off: a board that sends 128 KiB has to send less."""

    def grow(host: Host) -> None:
        host.execute(wire.read10(0, 128))
        host.command(wire.read10(0, 256), data_in=b"", expected=131_072, data_error=PROTOCOL)

    path = written(tmp_path, bench(grow))
    assert verdict(path, "host.largest_transfer", 65_536) == FITS
    assert verdict(path, "host.largest_transfer", 131_072) == BREAKS
    assert verdict(DEMO / "healthy-boot.pcap", "host.largest_transfer", 65_536) == UNKNOWN


def test_blocks(tmp_path: Path) -> None:
    """4096-byte blocks, and more blocks than 32 bits of address reach."""
    assert verdict(DEMO / "usb-console.txt", "medium.block_lengths", [512]) == BREAKS
    assert verdict(DEMO / "usb-console.txt", "medium.block_lengths", [512, 4096]) == FITS
    assert verdict(DEMO / "card-reader-empty-lun.pcap", "medium.block_lengths", [512]) == UNKNOWN
    huge = bench(medium=Medium(1 << 33))
    assert verdict(written(tmp_path, huge), "medium.lba_bits", 32) == BREAKS
    assert verdict(DEMO / "healthy-boot.pcap", "medium.lba_bits", 32) == FITS
    assert verdict(DEMO / "healthy-boot.pcap", "medium.lba_bits", 16) == BREAKS
    assert verdict(DEMO / "card-reader-empty-lun.pcap", "medium.lba_bits", 32) == UNKNOWN


def test_partition_schemes_and_file_systems() -> None:
    """MBR, GPT and exFAT of the demo traces (traces/README.md); advice to format says that it erases."""
    assert verdict(DEMO / "healthy-boot.pcap", "volume.partition_schemes", ["MBR"]) == FITS
    broken = held(DEMO / "gpt-volume.pcap", {"volume.partition_schemes": ["none", "MBR"]}).lines[0]
    assert broken.verdict == BREAKS
    assert ERASES in broken.change
    exfat = held(DEMO / "exfat-volume.pcap", {"volume.file_systems": ["FAT16", "FAT32"]}).lines[0]
    assert exfat.verdict == BREAKS
    assert exfat.change.startswith("format it as FAT32; ")
    assert ERASES in exfat.change
    assert verdict(DEMO / "exfat-volume.pcap", "volume.file_systems", ["exFAT"]) == FITS
    assert verdict(DEMO / "usb-console.txt", "volume.file_systems", ["FAT32"]) == UNKNOWN
    assert verdict(DEMO / "usb-console.txt", "volume.partition_schemes", ["MBR"]) == UNKNOWN


def test_long_names() -> None:
    """The healthy demo volume holds one file with a long name."""
    broken = held(DEMO / "healthy-boot.pcap", {"volume.long_names": False}).lines[0]
    assert broken.verdict == BREAKS
    assert "Harbour datum notes.txt" in broken.why
    assert verdict(DEMO / "healthy-boot.pcap", "volume.long_names", True) == FITS
    assert verdict(DEMO / "not-ready-then-up.pcap", "volume.long_names", False) == FITS
    assert verdict(DEMO / "exfat-volume.pcap", "volume.long_names", False) == UNKNOWN


SCHEMES = {"mbr": "MBR", "gpt": "GPT", "none (superfloppy)": "none"}


@pytest.mark.parametrize("name", capture_names())
def test_recorded_captures_against_their_truth(name: str) -> None:
    """Whatever is told of capacity agrees with the truth file; a wide board breaks nothing but what truly breaks."""
    truth = truth_of(name)
    expected = truth.get("expected") or {}
    board = board_of(tomllib.loads(new_profile()), "new", "new")
    board.values |= {"bus.speed": "super", "bus.control_packet": 512, "bus.bulk_packet": 1024, "power.vbus_ma": 900}
    try:
        found = held(capture_path(name), board.values)
    except SticktraceError as error:
        assert "no storage device" in str(error)
        return
    lines = {line.limit: line for line in found.lines}
    assert json.dumps(found.facts())
    assert list(fit_text(found, width=80))
    assert lines["bus.speed"].verdict in (FITS, UNKNOWN)
    length = expected.get("block_length")
    if length and lines["medium.block_lengths"].verdict != UNKNOWN:
        assert f"{length}" in lines["medium.block_lengths"].why
    image = expected.get("image") or {}
    line = lines["volume.partition_schemes"]
    if image.get("scheme") in SCHEMES and line.verdict != UNKNOWN:
        fits = SCHEMES[image["scheme"]] in board.values["volume.partition_schemes"]
        assert line.verdict == (FITS if fits else BREAKS)
    if image.get("fs") and lines["volume.file_systems"].verdict != UNKNOWN:
        assert f" is {image['fs'].partition(' (')[0]}" in lines["volume.file_systems"].why


# -- the verb -----------------------------------------------------------------------------------------------------


def test_command_line(tmp_path: Path) -> None:
    """Exit status 0 or 1; --new; what is missing is said; a stick that came back counts as one."""
    profile = tmp_path / "board.toml"
    new = CliRunner().invoke(cli, ["fit", "--new"])
    assert new.exit_code == 0
    profile.write_text(new.output)
    good = CliRunner().invoke(cli, ["fit", str(DEMO / "healthy-boot.pcap"), "--board", str(profile)])
    assert good.exit_code == 0
    assert "breaks no limit" in good.output
    bad = CliRunner().invoke(cli, ["fit", str(DEMO / "exfat-volume.pcap"), "--board", str(profile)])
    assert bad.exit_code == 1
    assert "breaks 1 limit: volume.file_systems" in bad.output
    facts = json.loads(
        CliRunner().invoke(cli, ["fit", "--json", str(DEMO / "exfat-volume.pcap"), "--board", str(profile)]).output
    )
    assert (facts["kind"], facts["breaks"]) == ("fit", 1)
    assert CliRunner().invoke(cli, ["fit", str(DEMO / "healthy-boot.pcap")]).exit_code == 2
    again = CliRunner().invoke(cli, ["fit", str(DEMO / "brown-out-on-write.pcap"), "--board", str(profile)])
    assert "also in this capture" not in again.output


def test_unit_attention_of_the_first_plug_counts(tmp_path: Path) -> None:
    """What the stick showed before it dropped off is not forgotten."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(65_536), attention=POWER_ON)]))
    host.watch_hub()
    host.enumerate()
    session.identify(host)
    host.detach()
    host.wait_ms(300)
    host.enumerate(3)
    session.identify(host)
    path = written(tmp_path, host.recorder)
    assert verdict(path, "host.retries_unit_attention", False) == BREAKS


def test_a_device_can_be_chosen() -> None:
    """By bus and address; an address where nobody is, is named."""
    path = capture_path("l25_two_sticks-usbmon.pcap")
    assert held(path, {"bus.hubs": True}, "1.2").look.stick.name == "SKERRY TIDE LOGGER"
    with pytest.raises(SticktraceError, match=r"there are: 1\.2, 1\.3"):
        held(path, {}, "1.9")


def test_a_medium_beyond_the_units_scanned_is_said_to_be_there(tmp_path: Path) -> None:
    """BOT 1.0 3.2: units 0 to Get Max LUN; the card is in the third of four slots."""
    slots = [Unit(), Unit(), session.tide_unit(), Unit()]
    host = Host(Recorder(), Stick(Identity(), slots, 3))
    host.enumerate()
    for lun in (0, 2):
        session.identify(host, lun)
    path = tmp_path / "slots.pcap"
    path.write_bytes(host.recorder.pcap())
    lines = held(path, {"host.luns_scanned": 1, "volume.file_systems": ["FAT16"]}).lines
    assert [line.verdict for line in lines] == [BREAKS, UNKNOWN]
    assert "in LUN 2" in lines[1].why
