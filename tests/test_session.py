"""A whole pass over captures that the workshop makes: every form says the same, devices and units are kept apart, pipes
are found without descriptors, lost records cost no more than their own exchange; and the Python face."""

from __future__ import annotations

import gzip
import lzma
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from sticktrace.capture.transfer import CONTROL
from sticktrace.errors import CaptureError
from sticktrace.transport.items import Exchange
from workshop import Alternate, Half, Host, Identity, Medium, Recorder, Stick, Unit, merge, wire
from workshop.scenes_faults import brown_out_on_write
from workshop.scenes_healthy import healthy_boot, stall_recovery

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import Outcome, examine, opened

BLOCK = bytes(range(256)) * 2
ROOT_DEMO = Path(__file__).parent.parent / "traces" / "demo"


def host(recorder: Recorder | None = None, *, units: int = 1, address: int = 2, **identity: Any) -> Host:
    """A host with a stick, enumerated."""
    stick = Stick(Identity(**identity), [Unit(Medium(1000)) for _ in range(units)], units - 1)
    new = Host(recorder or Recorder(), stick)
    new.enumerate(address)
    return new


def run(data: bytes) -> Outcome:
    """A whole pass, its account checked."""
    outcome = examine(data, deep=False)
    assert outcome is not None
    return outcome


def facts(exchange: Exchange) -> tuple[Any, ...]:
    """What every form of one capture must agree on."""
    return (
        exchange.lun, exchange.tag, exchange.cdb, exchange.direction, exchange.expected, exchange.moved, exchange.status
    )  # fmt: skip


# -- forms ------------------------------------------------------------------------------------------------------------

FORMS: dict[str, Callable[[Recorder], bytes]] = {
    "189": lambda r: _with(r, link_type=189), "220 big-endian": lambda r: _with(r, order=">"),
    "220 nanosecond": lambda r: _with(r, nanosecond=True), "249": lambda r: _with(r, link_type=249),
    "usbmon u": lambda r: r.usbmon_text().encode(), "usbmon t": lambda r: r.usbmon_text(bus_numbers=False).encode(),
    "gzip": lambda r: gzip.compress(r.pcap()), "xz": lambda r: lzma.compress(r.pcap()),
}  # fmt: skip


def _with(recorder: Recorder, **options: Any) -> bytes:
    for name, value in options.items():
        setattr(recorder, name, value)
    return recorder.pcap()


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("scene", [healthy_boot, stall_recovery, brown_out_on_write], ids=lambda scene: scene.__name__)
def test_every_form_says_the_same(form: str, scene: Callable[[], Recorder], tmp_path: Path) -> None:
    """Link type 249 does not tell how much of an OUT transfer that failed went over; all else is equal, statuses and
    sense included."""
    path = tmp_path / "capture"
    path.write_bytes(FORMS[form](scene()))
    with sticktrace.open(path) as capture:
        told = list(capture.exchanges())
    plain = run(scene().pcap()).exchanges
    assert len(told) == len(plain)
    for one, other in zip(told, plain, strict=True):
        if not (form == "249" and other.direction == "out" and other.moved < other.expected):
            assert facts(one) == facts(other)
        assert (one.sense and one.sense[:3]) == (other.sense and other.sense[:3])


def test_hex_text_has_the_commands_their_data_and_status() -> None:
    """It has no control requests, so nothing of the enumeration."""
    recorder = healthy_boot()
    told, plain = run(recorder.hex_text().encode()).exchanges, run(recorder.pcap()).exchanges
    assert [facts(exchange) for exchange in told] == [facts(exchange) for exchange in plain]


# -- devices and units ------------------------------------------------------------------------------------------------


def test_units_are_kept_apart() -> None:
    one = host(units=3)
    for lun in (0, 2, 1, 2):
        one.execute(wire.read10(lun), lun=lun)
    one.execute(wire.read10(5000), lun=2)
    one.execute(wire.test_unit_ready(), lun=0)
    found = run(one.recorder.pcap())
    assert [exchange.lun for exchange in found.exchanges] == [0, 2, 1, 2, 2, 2, 0]
    failed = found.exchanges[4]
    assert failed.sense is not None and failed.sense[:3] == (5, 0x21, 0)  # SBC: LBA out of range
    assert [device.max_lun for device in found.reading.bus.devices if device.max_lun is not None] == [2]


def test_devices_are_kept_apart_while_they_talk_at_the_same_time() -> None:
    """Two hosts of one bus; their halves interleave in time."""
    recorders = [Recorder(), Recorder()]
    recorders[1].wait(70_000)
    recorders[1]._ids += 0x10_0000
    for number, recorder in enumerate(recorders):
        one = host(recorder, address=2 + number, product_id=1 + number)
        for lba in range(10):
            one.execute(wire.read10(lba))
    found = run(merge(*recorders).pcap())
    for address in (2, 3):
        mine = [exchange for exchange in found.exchanges if exchange.address == address]
        assert [(e.lba, e.status, e.moved) for e in mine] == [(lba, "passed", 512) for lba in range(10)]
    times = [exchange.time_ns for exchange in found.exchanges]
    assert times == sorted(times)
    assert [exchange.number for exchange in found.exchanges] == list(range(1, 21))


def test_an_address_given_anew_begins_anew() -> None:
    """A port reset in mid exchange: the open one ends, the next stick at that address is another device."""
    one = host()
    one.time_out(wire.read10(0), data_in=512)
    one.stick = Stick(Identity(product_id=2, serial="203104180002"), [Unit(Medium(1000))])
    one.enumerate(2)
    one.execute(wire.read10(1))
    found = run(one.recorder.pcap())
    assert [exchange.status for exchange in found.exchanges] == ["missing", "passed"]
    assert {d.ids for d in found.reading.bus.devices if d.ids} == {(0x1209, 1), (0x1209, 2)}


def test_look_alike_bytes_of_another_function_are_no_exchange() -> None:
    """Endpoints belong to interfaces: a serial function's bulk pipes may carry what looks like a CBW and a CSW."""
    serial = Alternate(interface=1, codes=(0x0A, 0, 0), endpoints=((0x83, 2, 512, 0), (0x04, 2, 512, 0)))
    one = host(alternates=(Alternate(), serial))
    one.execute(wire.read10(0))
    one.bulk(0x04, 31, wire.cbw(77, 0, 0, 0, wire.test_unit_ready()))
    one.bulk(0x83, 13, wire.csw(77))
    found = run(one.recorder.pcap())
    assert [exchange.tag for exchange in found.exchanges] == [1]
    assert found.reading.places()["bulk traffic of other functions"] == 4


def test_pipes_are_inferred_without_descriptors() -> None:
    """A recording that begins later than the stick: signatures tell the pipes, and the reading says so."""
    one = host()
    begin = len(one.recorder.halves)
    one.execute(wire.read10(0))
    one.execute(wire.write10(1), data_out=BLOCK)
    del one.recorder.halves[:begin]
    found = run(one.recorder.pcap())
    assert [(e.command, e.status, e.moved) for e in found.exchanges] == [
        ("READ(10)", "passed", 512), ("WRITE(10)", "passed", 512)
    ]  # fmt: skip
    assert found.reading.router.inferred


def test_a_capture_that_starts_in_mid_exchange() -> None:
    one = host()
    begin = len(one.recorder.halves)
    one.execute(wire.read10(0))
    one.execute(wire.read10(1))
    del one.recorder.halves[: begin + 3]
    found = run(one.recorder.pcap())
    assert [(e.lba, e.status) for e in found.exchanges] == [(1, "passed")]
    assert sum(found.reading.places().values()) == found.reading.records == 9


# -- lost records -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lost", range(6))
def test_one_lost_half_costs_a_note_at_most(lost: int) -> None:
    """Command, data and status have two halves each; whichever is lost, the exchanges around it are whole."""
    one = host()
    begin = len(one.recorder.halves)
    for lba in range(3):
        one.execute(wire.read10(lba))
    one.recorder.drop(begin + 6 + lost + 1)
    found = run(one.recorder.pcap())
    whole = [exchange for exchange in found.exchanges if exchange.lba != 1]
    assert [(e.lba, e.status, e.moved, e.notes) for e in whole] == [(0, "passed", 512, ()), (2, "passed", 512, ())]
    hurt = [exchange for exchange in found.exchanges if exchange.lba == 1]
    # The command rides on its submission and the status on its completion: without these there is nothing to read.
    assert len(hurt) == (0 if lost == 0 else 1)
    for exchange in hurt:
        assert exchange.status == ("missing" if lost == 5 else "passed")
        assert exchange.moved == (0 if lost == 3 else 512)
        assert exchange.notes or lost == 2  # that data was asked for is told by the data itself


def test_a_stick_that_is_pulled_in_mid_command() -> None:
    one = host()
    one.command(wire.read10(0), data_in=b"", expected=512, data_error=-108)
    found = run(one.recorder.pcap())
    (exchange,) = found.exchanges
    assert (exchange.status, exchange.moved) == ("missing", 0) and "-108" in exchange.notes[0]


def test_isochronous_and_unknown_traffic_has_its_place() -> None:
    one = host()
    one.bulk(0x85, 100, bytes(100), kind=0)
    one.recorder.add(Half(one.recorder.now_ns, "C", 0x77, CONTROL, 0x80, 2, 1, 0, 18, data=bytes(18)))
    reading = run(one.recorder.pcap()).reading
    assert reading.places()["isochronous traffic"] == 2
    assert sum(reading.places().values()) == reading.records


# -- the Python face --------------------------------------------------------------------------------------------------


def test_exchanges_are_a_sequence() -> None:
    with sticktrace.open(ROOT_DEMO / "bad-sector.pcap") as capture:
        exchanges = capture.exchanges()
        every = list(exchanges)
        assert len(exchanges) == len(every) == every[-1].number
        assert exchanges[0].number == 1 and exchanges[-1].number == len(every)
        assert [exchange.number for exchange in exchanges[2:5]] == [3, 4, 5]
        assert [facts(exchange) for exchange in exchanges[:]] == [facts(exchange) for exchange in every]
        with pytest.raises(IndexError):
            exchanges[len(every)]


def test_data_of_an_exchange() -> None:
    one = host()
    one.command(wire.read10(0, 2), data_in=BLOCK * 2, split=512)
    with opened(one.recorder.pcap()) as capture:
        (exchange,) = capture.exchanges()
        assert capture.data(exchange) == BLOCK * 2 and len(exchange.pieces) == 2


def test_requests_and_items() -> None:
    with sticktrace.open(ROOT_DEMO / "healthy-boot.pcap") as capture:
        names = [request.name for request in capture.requests()]
        assert {"GET_DESCRIPTOR", "SET_ADDRESS", "SET_CONFIGURATION"} <= set(names)
        kinds = {type(item).__name__ for item in capture.items()}
    assert {"Exchange", "Request", "BusEvent"} <= kinds


def test_a_capture_that_grows(tmp_path: Path) -> None:
    """Items come as far as whole records go; the rest comes when the file has grown. Nothing is lost or told twice."""
    data = healthy_boot().pcap()
    path = tmp_path / "growing.pcap"
    path.write_bytes(data[:10_000])
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        items = list(reading.more())
        for end in (10_001, 25_000, len(data)):
            with path.open("ab") as file:
                file.write(data[path.stat().st_size : end])
            assert capture.refresh()
            items += reading.more()
        assert not capture.refresh()
        items += reading.finish()
    told = [facts(item) for item in items if isinstance(item, Exchange)]
    assert told == [facts(exchange) for exchange in run(data).exchanges]


def test_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "capture.pcap"
    path.write_bytes(healthy_boot().pcap())
    told: list[tuple[int, int]] = []
    with sticktrace.open(path, lambda done, total: told.append((done, total))) as capture:
        list(capture.items())
    assert told[-1] == (path.stat().st_size, path.stat().st_size)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\xd4\xc3\xb2\xa1" + bytes(10), "cut off inside the 24-byte file header"),
        (bytes.fromhex("d4c3b2a1020004000000000000000000ffff000001000000"), "link type 1 "),
        (b"\x7fELF" + bytes(100), "not a form that sticktrace reads"),
        (b"Dear sir, the stick does not work.\n", "not a form that sticktrace reads"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line(data: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "capture"
    path.write_bytes(data)
    with pytest.raises(CaptureError) as refused:
        sticktrace.open(path)
    assert words in str(refused.value) and "\n" not in str(refused.value) and str(path) in str(refused.value)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="No such file"):
        sticktrace.open(tmp_path / "nothing.pcap")
    with pytest.raises(CaptureError, match="directory"):
        sticktrace.open(tmp_path)


@pytest.mark.parametrize(
    "data",
    [b"\x1f\x8b", gzip.compress(b"x" * 99, mtime=0)[:10], lzma.compress(b"x" * 99)[:20]],
    ids=["gzip mark", "gzip header", "xz header"],
)
def test_a_packed_capture_that_gives_nothing(tmp_path: Path, data: bytes) -> None:
    """It is not called empty: what is there cannot be unpacked."""
    path = tmp_path / "packed"
    path.write_bytes(data)
    with pytest.raises(CaptureError, match="packed: nothing can be unpacked from it"):
        sticktrace.open(path)


def test_a_pass_that_is_broken_off_takes_no_data_away() -> None:
    """Text forms gather payload as a pass goes on; what an earlier pass gave stays readable."""
    with sticktrace.open(Path(__file__).parent / "data" / "minimal" / "write-refused.txt") as capture:
        exchanges = list(capture.exchanges())
        before = [capture.data(exchange) for exchange in exchanges]
        next(iter(capture.requests()))
        assert any(before) and [capture.data(exchange) for exchange in exchanges] == before
        for _ in range(3):
            next(iter(capture.items()))
        assert [capture.data(exchange) for exchange in exchanges] == before


def test_data_after_requests_alone() -> None:
    path = Path(__file__).parent / "data" / "minimal" / "write-refused.txt"
    with sticktrace.open(path) as capture:
        exchanges = list(capture.exchanges())
        expected = [capture.data(exchange) for exchange in exchanges]
    with sticktrace.open(path) as other:
        next(iter(other.requests()))
        assert [other.data(exchange) for exchange in exchanges] == expected
