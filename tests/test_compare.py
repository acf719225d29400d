"""Comparison: alignment against a plain textbook one, a capture with itself, forms of one traffic, what comes first."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import ROOT, capture_names, capture_path
from sticktrace.cli.main import cli
from sticktrace.comparison.align import ALONE, OTHER_END, OTHER_PLACE, SAME, Key, Pair, align
from sticktrace.comparison.compare import BREAKS, DIFFERS, SMALL, Comparison, compare
from sticktrace.comparison.side import Telling
from sticktrace.errors import SticktraceError
from sticktrace.output.compare_text import compare_text
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, session, wire
from workshop.recorder import PROTOCOL
from workshop.unit import CHANGED, POWER_ON

DEMO = ROOT / "traces/demo"

# -- alignment ----------------------------------------------------------------------------------------------------

KEYS = st.lists(st.tuples(st.sampled_from("RW"), st.integers(0, 4), st.sampled_from("pf")), max_size=24)


def value(pairs: list[Pair], a: list[Key], b: list[Key]) -> int:
    total = 0
    for i, j in pairs:
        if i is None or j is None:
            total += ALONE
        elif a[i] == b[j]:
            total += SAME
        else:
            total += OTHER_END if a[i][:2] == b[j][:2] else OTHER_PLACE
    return total


def textbook(a: list[Key], b: list[Key]) -> int:
    """The best score by the plain recurrence of Needleman and Wunsch (J. Mol. Biol. 48, 1970), without any shortcut."""
    table = [[-(i + j) if not i or not j else 0 for j in range(len(b) + 1)] for i in range(len(a) + 1)]
    for i, one in enumerate(a, 1):
        for j, other in enumerate(b, 1):
            best = max(table[i - 1][j], table[i][j - 1]) - 1
            if one[0] == other[0] and (one[1] == other[1] or one[2] == other[2]):
                score = SAME if one == other else OTHER_END if one[:2] == other[:2] else OTHER_PLACE
                best = max(best, table[i - 1][j - 1] + score)
            table[i][j] = best
    return table[-1][-1]


def whole(pairs: list[Pair], a: list[Key], b: list[Key]) -> None:
    """Every position once, in order, and never two different kinds together, nor two requests of which only one
    failed."""
    assert [i for i, _ in pairs if i is not None] == list(range(len(a)))
    assert [j for _, j in pairs if j is not None] == list(range(len(b)))
    assert all(i is None or j is None or a[i][0] == b[j][0] for i, j in pairs)
    assert all(i is None or j is None or a[i][1] == b[j][1] or a[i][2] == b[j][2] for i, j in pairs)


@given(KEYS, KEYS)
@settings(max_examples=200, deadline=None)
def test_short_alignments_are_the_best_there_are(a: list[Key], b: list[Key]) -> None:
    """No alignment scores higher. (Trimming equal ends first is safe: an equal pair has the highest score.)"""
    pairs = align(a, b)
    whole(pairs, a, b)
    assert value(pairs, a, b) == textbook(a, b)


def test_long_alignments_are_bounded() -> None:
    """20,000 steps a side, one in ten lost or moved, align soundly in bounded time."""
    source = random.Random(5)
    a: list[Key] = [("R", source.randrange(5_000), "p") for _ in range(20_000)]
    b = [key for key in a if source.random() > 0.1]
    started = time.perf_counter()
    pairs = align(a, b)
    assert time.perf_counter() - started < 20
    whole(pairs, a, b)
    assert sum(i is not None and j is not None and a[i] == b[j] for i, j in pairs) > 0.9 * len(b)


def test_nothing_in_common() -> None:
    """Two sequences of different kinds stay apart, however long."""
    a: list[Key] = [("R", n, "p") for n in range(300)]
    b: list[Key] = [("W", n, "p") for n in range(200)]
    pairs = align(a, b)
    whole(pairs, a, b)
    assert len(pairs) == 500
    assert align([], []) == []


# -- captures -----------------------------------------------------------------------------------------------------


def compared(good: Path, bad: Path, **devices: str) -> Comparison:
    with sticktrace.open(good) as one, sticktrace.open(bad) as other:
        return compare(Telling(one), Telling(other), **devices)


WITH_STORAGE = [name for name in capture_names() if not name.startswith(("l21", "f07"))]


@pytest.mark.parametrize("name", WITH_STORAGE)
def test_a_capture_with_itself_is_identical(name: str) -> None:
    """Whatever is in it."""
    found = compared(capture_path(name), capture_path(name))
    assert found.identical
    assert found.first is None
    assert not any(row.differs for row in found.rows)


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.[pt][cx]*")), ids=lambda path: path.stem)
def test_a_demo_trace_with_itself_is_identical(path: Path) -> None:
    assert compared(path, path).identical


PAIRS = [
    # One session of traffic recorded twice at the same time, or rewritten: captures/*.truth.json say which.
    ("l01_fat32_ehci-usbmon.pcap", "l01_fat32_ehci-usbmon-0u.txt"),
    ("l15_read_error-usbmon.pcap", "l15_read_error-usbmon-0u.txt"),
    ("l20_hub_uhci-usbmon.pcap", "l20_hub_uhci-usbmon-0u.txt"),
    ("g02_two_luns-usbmon.pcap", "g02_two_luns-usbmon-0u.txt"),
    ("g05_no_medium-usbmon.pcap", "g05_no_medium-usbmon-0u.txt"),
    ("g17_raw_bot_orderly-usbmon.pcap", "g17_raw_bot_orderly-usbmon-0u.txt"),
    ("l26_hotplug_1t-usbmon.pcap", "l26_hotplug_1t-usbmon-1u.txt"),
    ("l26_hotplug_1t-usbmon-1t.txt", "l26_hotplug_1t-usbmon-1u.txt"),
]


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_the_form_of_a_capture_is_no_difference(one: str, other: str) -> None:
    """The same traffic as pcap and as text: identical, and the cut payloads are mentioned exactly once."""
    found = compared(capture_path(one), capture_path(other))
    assert found.differences == []
    assert sum("cut payloads" in note for note in found.notes) == 1


FIRSTS = [
    # traces/README.md says of each trace what happens; the healthy one is GOOD.
    ("bad-sector", BREAKS, "outcome", "3/11/00"),
    ("write-protected", BREAKS, "outcome", "7/27/00"),
    ("brown-out-on-write", BREAKS, "outcome", "no status"),
    ("unit-attention-giveup", BREAKS, "stop", "6/28/00"),
    ("get-max-lun-stall-fatal", BREAKS, "outcome", "Get Max LUN"),
    ("card-reader-empty-lun", BREAKS, "outcome", "2/3A/00"),
    ("hub-port-overcurrent", BREAKS, "outcome", "READ(10) LBA 0"),
    ("gpt-volume", BREAKS, "stop", "READ LBA 0 to 1"),
    ("exfat-volume", BREAKS, "stop", "READ(10) LBA 2048"),
    ("uas-stick", DIFFERS, "fact", "alternate setting"),
    ("not-ready-then-up", DIFFERS, "length", "GET_DESCRIPTOR"),
]


@pytest.mark.parametrize(("name", "weight", "slug", "words"), FIRSTS)
def test_first_difference_that_matters(name: str, weight: int, slug: str, words: str) -> None:
    """Each faulty demo trace against the healthy one."""
    found = compared(DEMO / "healthy-boot.pcap", DEMO / f"{name}.pcap")
    assert found.first is not None
    assert (found.first.weight, found.first.slug) == (weight, slug)
    assert words in found.first.text


def written(tmp_path: Path, name: str, recorder: Recorder) -> Path:
    path = tmp_path / name
    path.write_bytes(recorder.pcap())
    return path


def boot(act: Callable[[Host], None], *, identity: Identity | None = None, **unit: object) -> Recorder:
    volume = session.tide_volume()
    stick = Stick(identity or Identity(), [Unit(session.tide_medium(volume), **unit)])  # type: ignore[arg-type]
    host = Host(Recorder(), stick)
    host.enumerate()
    session.identify(host)
    act(host)
    return host.recorder


def in_one(host: Host) -> None:
    host.execute(wire.read10(0, 64))


def in_eight(host: Host) -> None:
    for lba in range(0, 64, 8):
        host.execute(wire.read10(lba, 8))


def test_read_sizes_do_not_matter(tmp_path: Path) -> None:
    """64 blocks in one command or in eight are the same step."""
    good, bad = written(tmp_path, "a", boot(in_one)), written(tmp_path, "b", boot(in_eight))
    found = compared(good, bad)
    assert found.differences == []
    assert any(row.label == "largest read" and row.differs for row in found.rows)


def test_repeats_are_small(tmp_path: Path) -> None:
    """A stick that needs one poll more is a small difference, no matter for alarm."""
    good = written(tmp_path, "a", boot(in_one, not_ready=1))
    bad = written(tmp_path, "b", boot(in_one, not_ready=6))
    found = compared(good, bad)
    assert {difference.weight for difference in found.differences} == {SMALL}


def test_a_long_pause_is_told_though_the_host_polls_on(tmp_path: Path) -> None:
    """Polling once a second hides the time in which nothing was read."""

    def after(seconds: int) -> Recorder:
        def act(host: Host) -> None:
            host.execute(wire.read10(100))
            for _ in range(seconds):
                host.wait_ms(1_000)
                host.execute(wire.test_unit_ready())
            host.execute(wire.read10(500))

        return boot(act)

    found = compared(written(tmp_path, "a", after(2)), written(tmp_path, "b", after(8)))
    assert found.first is not None
    assert (found.first.slug, found.first.weight) == ("pause", SMALL)
    assert "8.00" in found.first.text and found.first.bad.startswith("before exchange ")
    assert any(row.label == "longest pause" and row.differs for row in found.rows)


def test_a_request_only_one_side_makes(tmp_path: Path) -> None:
    """MODE SENSE(10) on one side only is named, with its exchange."""

    def ask(host: Host) -> None:
        host.execute(bytes([0x5A, 0, 0x3F, 0, 0, 0, 0, 0, 192, 0]))
        in_one(host)

    found = compared(written(tmp_path, "a", boot(in_one)), written(tmp_path, "b", boot(ask)))
    assert found.first is not None
    assert "MODE SENSE(10)" in found.first.text
    assert found.first.weight in (BREAKS, DIFFERS)
    assert found.first.bad.startswith("exchange ")
    assert not found.first.good


def test_other_lengths_forms_waits_and_choices(tmp_path: Path) -> None:
    """INQUIRY of 255 bytes, READ(16) for READ(10), a long wait, a slow command, other power."""

    def fast(host: Host) -> None:
        host.execute(wire.inquiry(36))
        host.execute(wire.read10(100))
        host.execute(wire.read10(200))
        host.command(wire.read10(300), data_in=bytes(512))

    def slow(host: Host) -> None:
        host.execute(wire.inquiry(255))
        host.command(bytes([0x88, 0, *(100).to_bytes(8, "big"), *(1).to_bytes(4, "big"), 0, 0]), data_in=bytes(512))
        host.wait_ms(900)
        host.execute(wire.read10(200))
        host.command(wire.read10(300), data_in=bytes(512), late_ms=2_000)

    good = written(tmp_path, "a", boot(fast))
    bad = written(tmp_path, "b", boot(slow, identity=Identity(max_power_ma=500)))
    slugs = {(d.slug, d.weight) for d in compared(good, bad).differences}
    assert slugs >= {("length", DIFFERS), ("form", DIFFERS), ("wait", SMALL), ("duration", DIFFERS), ("fact", DIFFERS)}


def test_news_are_no_breakage_but_giving_up_is(tmp_path: Path) -> None:
    """A unit attention that is waited out is small (common practice: a report, not an error); stopping at it is not."""
    good = written(tmp_path, "a", boot(in_one))
    waited = written(tmp_path, "b", boot(in_one, attention=CHANGED))
    assert all(d.weight == SMALL for d in compared(good, waited).differences)
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(65_536), attention=POWER_ON)]))
    host.enumerate()
    host.execute(wire.inquiry())
    host.execute(wire.test_unit_ready())
    first = compared(good, written(tmp_path, "c", host.recorder)).first
    assert first is not None
    assert (first.weight, first.slug) == (BREAKS, "stop")


def test_what_a_form_cannot_show_is_a_note(tmp_path: Path) -> None:
    """Console hex shows no control requests: that is said once, and is no difference."""
    good = boot(in_one)
    text = tmp_path / "console.txt"
    text.write_text(good.hex_text())
    found = compared(written(tmp_path, "a", good), text)
    assert not any(d.slug in ("request", "stop") for d in found.differences)
    assert "BAD does not show control requests: not compared" in found.notes


def test_a_cut_capture_stops_but_breaks_nothing(tmp_path: Path) -> None:
    """A healthy capture cut anywhere, even inside a command, shows no command going wrong: it just stops."""
    whole = boot(in_eight)
    good = written(tmp_path, "a", whole)
    halves = list(whole.halves)
    for size in range(len(halves) - 30, len(halves), 3):
        whole.halves = halves[:size]
        found = compared(good, written(tmp_path, "b", whole))
        assert {d.slug for d in found.differences if d.weight == BREAKS} <= {"stop"}


@given(st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damaged_captures_are_compared_or_refused(tmp_path: Path, data: st.DataObject) -> None:
    """Any bytes changed: one line of refusal or a result, never anything else; and alike to itself."""
    raw = bytearray((DEMO / "healthy-boot.pcap").read_bytes())
    for at in data.draw(st.lists(st.integers(24, len(raw) - 1), min_size=1, max_size=40)):
        raw[at] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.pcap"
    path.write_bytes(raw)
    try:
        assert compared(path, path).identical
        list(compare_text(compared(DEMO / "healthy-boot.pcap", path), everything=True))
    except SticktraceError as error:
        assert "\n" not in str(error)


def test_the_same_device_is_found_among_several() -> None:
    """Two sticks on one bus against a capture of either: the one of the same name is taken, unless another is asked
    for."""
    both, spare = capture_path("l25_two_sticks-usbmon.pcap"), capture_path("l25_two_sticks-spare-emu.pcap")
    found = compared(both, spare)
    assert found.good.stick.name == found.bad.stick.name == "PIERWORK SPARE STICK"
    assert any("SKERRY TIDE LOGGER" in note for note in found.notes)
    asked = compared(both, spare, good_device="1.2")
    assert asked.good.stick.name == "SKERRY TIDE LOGGER"
    with pytest.raises(SticktraceError, match=r"no storage device at 9\.9"):
        compared(both, spare, good_device="9.9")


def test_command_line(tmp_path: Path) -> None:
    """Exit status 0 and "identical", or 1 and the first difference; JSON holds the same; wrong use is 2 by main()."""
    healthy, bad = str(DEMO / "healthy-boot.pcap"), str(DEMO / "bad-sector.pcap")
    same = CliRunner().invoke(cli, ["compare", healthy, healthy])
    assert same.exit_code == 0
    assert "identical" in same.output
    other = CliRunner().invoke(cli, ["compare", healthy, bad])
    assert other.exit_code == 1
    assert "First difference that matters (files):" in other.output
    everything = CliRunner().invoke(cli, ["compare", "--all", healthy, bad])
    assert "more like it" not in everything.output
    facts = json.loads(CliRunner().invoke(cli, ["compare", "--json", healthy, bad]).output)
    assert facts["kind"] == "comparison"
    assert facts["first"]["weight"] == "breaks"
    assert facts["identical"] is False


def test_text_of_a_hostile_device_is_harmless(tmp_path: Path) -> None:
    """Escape sequences in a device's strings do not reach the terminal."""
    identity = Identity(product="\x1b[31mLogger\u202e")
    path = written(tmp_path, "a", boot(in_one, identity=identity, product="\x1b[2JLOGGER"))
    text = "\n".join(compare_text(compared(path, path)))
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_failures_at_different_blocks_are_not_one_failure(tmp_path: Path) -> None:
    """Each side fails at a block of its own: both are told, neither as the partner of the other (SPC-3 3/11/00)."""

    def read(host: Host) -> None:
        for lba in (2800, 3000, 3500, 4000):
            host.execute(wire.read10(lba, 4))

    good, bad = (written(tmp_path, f"{lba}.pcap", boot(read, bad_lbas=frozenset({lba}))) for lba in (3000, 4000))
    found = compared(good, bad)
    assert found.first is not None
    assert found.first.weight == BREAKS
    assert "LBA 4000" in found.first.text
    assert not any("LBA 3000" in d.text and "LBA 4000" in d.text for d in found.differences), found.differences


def test_columns_stay_apart_at_any_length_of_name() -> None:
    text = "\n".join(compare_text(compared(DEMO / "healthy-boot.pcap", DEMO / "bad-sector.pcap")))
    assert "command PREVENT ALLOW MEDIUM REMOVAL  1 " in text


def test_a_stick_that_never_says_what_it_is_can_be_compared(tmp_path: Path) -> None:
    """The common case on a board: the stick works on one host and gets no address, or stays silent, on the other. The
    wait after SET_ADDRESS that is too short stands before what comes of it (USB 2.0 9.2.6.3)."""
    refused = compared(DEMO / "healthy-boot.pcap", DEMO / "no-address.pcap")
    assert refused.first is not None
    assert (refused.first.stage, refused.first.weight) == ("address", BREAKS)
    host = Host(Recorder(), Stick(Identity(), [session.tide_unit()], 0))
    host.watch_hub()
    host.attach()
    host.first_descriptor()
    host.control(wire.set_address(2), address=0)
    for _ in range(3):
        host.recorder.wait(200_000)
        host.control(wire.get_descriptor(wire.DEVICE, 18), b"", status=PROTOCOL, address=2)
    found = compared(DEMO / "healthy-boot.pcap", written(tmp_path, "deaf.pcap", host.recorder))
    assert found.first is not None
    assert (found.first.stage, found.first.weight) == ("descriptors", BREAKS)
    before = found.differences[: found.differences.index(found.first)]
    assert any("2 ms are due" in difference.text for difference in before)


def test_a_keyboard_is_nothing_to_compare(tmp_path: Path) -> None:
    with pytest.raises(SticktraceError, match="no storage device"):
        compared(DEMO / "healthy-boot.pcap", capture_path("l21_keyboard_only-usbmon.pcap"))
