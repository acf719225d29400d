"""The Python face gives the right bytes always: whatever passes are under way, in threads, after growth; and after the
end of a capture the project's own error."""

from __future__ import annotations

import lzma
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from conftest import capture_bytes
from sticktrace.capture.transfer import Piece
from sticktrace.transport.items import Exchange
from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire


def scene() -> Recorder:
    """Reads and writes whose data tells which they are; the kernel's text prints 32 bytes of each."""
    host = Host(Recorder(), Stick(Identity(), [Unit(Medium(1000))]))
    host.enumerate()
    host.execute(wire.inquiry())
    for lba in range(40):
        host.command(wire.read10(lba), data_in=b"%04d" % lba * 128)
        host.command(wire.write10(lba), data_out=b"%04x" % (lba + 4096) * 128)
    return host.recorder


FORMS: dict[str, Callable[[], bytes]] = {
    "pcap": lambda: scene().pcap(),
    "usbmon": lambda: scene().usbmon_text().encode(),
    "hex": lambda: scene().hex_text().encode(),
    "xz": lambda: lzma.compress(scene().pcap()),
    "pcapng": lambda: capture_bytes("c14_two_luns_ng_be.pcapng"),
}


@pytest.fixture(params=FORMS)
def path(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A capture of each form."""
    made = tmp_path / "capture"
    made.write_bytes(FORMS[request.param]())
    return made


def told(path: Path) -> dict[int, bytes]:
    """The data of each exchange, each read during the one pass that gave it."""
    with sticktrace.open(path) as capture:
        return {exchange.number: capture.data(exchange) for exchange in capture.exchanges()}


def test_the_workshop_data_comes_back(tmp_path: Path) -> None:
    """Against what was put in, not against another pass."""
    for form in ("pcap", "usbmon", "hex"):
        made = tmp_path / form
        made.write_bytes(FORMS[form]())
        with sticktrace.open(made) as capture:
            moved = [(x.opcode, x.lba, capture.data(x)[:32]) for x in capture.exchanges() if x.lba is not None]
        assert [data for opcode, _, data in moved if opcode == 0x28] == [b"%04d" % lba * 8 for lba in range(40)]
        assert [data for opcode, _, data in moved if opcode == 0x2A] == [b"%04x" % (n + 4096) * 8 for n in range(40)]


def test_any_order_of_passes(path: Path) -> None:
    wanted = told(path)
    with sticktrace.open(path) as capture:
        early = list(islice(capture.exchanges(), 5))
        second = capture.items()
        next(second)
        assert {e.number: capture.data(e) for e in early} == {e.number: wanted[e.number] for e in early}
        third = capture.reading()
        whole = list(capture.exchanges())
        requests = list(capture.requests())
        capture.reading()
        capture.skim()
        table = capture.exchanges()
        for exchange in [*reversed(whole), *table[3:9], *early]:
            assert capture.data(exchange) == wanted[exchange.number]
            assert b"".join(third.read(piece) for piece in exchange.pieces) in (wanted[exchange.number], b"")
        assert all(len(capture.read(r.data)) == r.data.captured for r in requests)


def test_passes_that_run_side_by_side(path: Path) -> None:
    wanted = told(path)
    with sticktrace.open(path) as capture:
        passes = [iter(capture.exchanges()) for _ in range(4)]
        for steps in range(len(wanted)):
            for number, each in enumerate(passes):
                for exchange in islice(each, steps % (number + 2)):
                    assert capture.data(exchange) == wanted[exchange.number]


def test_threads(path: Path) -> None:
    wanted = told(path)
    with sticktrace.open(path) as capture, ThreadPoolExecutor(6) as pool:

        def work(turn: int) -> dict[int, bytes]:
            found = list(capture.exchanges())
            order = reversed(found) if turn % 2 else found
            return {exchange.number: capture.data(exchange) for exchange in order}

        for found in pool.map(work, range(12)):
            assert found == wanted


@pytest.mark.parametrize("form", ["pcap", "usbmon", "hex"])
def test_exchanges_from_before_the_file_grew(form: str, tmp_path: Path) -> None:
    """Cut anywhere, in mid line and in mid record: what was given before keeps its bytes, what comes is right."""
    data = FORMS[form]()
    path = tmp_path / "growing"
    wanted: dict[int, bytes] = {}
    path.write_bytes(data)
    wanted = told(path)
    path.write_bytes(data[: len(data) // 3])
    with sticktrace.open(path) as capture:
        kept: list[tuple[Exchange, bytes]] = []
        following = capture.reading()
        followed = list(following.more())
        for step in range(12):
            now = [(exchange, capture.data(exchange)) for exchange in capture.exchanges()]
            kept += now[-4:]
            with path.open("ab") as out:
                at = path.stat().st_size
                out.write(data[at : at + len(data) // 20 + step * 7])
            capture.refresh()
            followed += following.more()
        with path.open("ab") as out:
            out.write(data[path.stat().st_size :])
        capture.refresh()
        followed += [*following.more(), *following.finish()]
        assert {exchange.number: capture.data(exchange) for exchange in capture.exchanges()} == wanted
        found = {item.number: capture.data(item) for item in followed if isinstance(item, Exchange)}
        assert found == wanted
        for exchange, before in kept:
            assert capture.data(exchange) == before
            assert wanted[exchange.number].startswith(before)


def test_an_exchange_of_an_earlier_opening(path: Path) -> None:
    """Its places are the same: the file is."""
    wanted = told(path)
    with sticktrace.open(path) as capture:
        found = list(capture.exchanges())
    with sticktrace.open(path) as capture:
        assert {exchange.number: capture.data(exchange) for exchange in found} == wanted


def test_a_piece_of_another_capture_is_refused(path: Path, tmp_path: Path) -> None:
    with sticktrace.open(path) as capture, pytest.raises(sticktrace.CaptureError, match="place"):
        capture.read(Piece(1 << 30, 512, 512))


@pytest.mark.parametrize("form", ["usbmon", "hex"])
def test_a_text_that_is_changed_meanwhile_is_noticed(form: str, tmp_path: Path) -> None:
    """Bytes that were given once are never others under the same place."""
    path = tmp_path / "changed"
    data = FORMS[form]()
    path.write_bytes(data)
    with sticktrace.open(path) as capture:
        first = list(capture.exchanges())
        at = data.rindex(b"30303338") if form == "usbmon" else data.rindex(b"30 30 33 38")
        with path.open("r+b") as out:
            out.seek(at)
            out.write(b"4")
        before = [capture.data(exchange) for exchange in first]
        with pytest.raises(sticktrace.CaptureError, match="changed"):
            list(capture.exchanges())
        assert [capture.data(exchange) for exchange in first] == before


def test_after_the_end_of_a_capture(path: Path) -> None:
    capture = sticktrace.open(path)
    exchange = next(iter(capture.exchanges()))
    under_way, reading, table = capture.items(), capture.reading(), capture.exchanges()
    next(under_way)
    rows = capture.exchanges()[:2]
    capture.close()
    capture.close()
    uses: list[Callable[[], Any]] = [
        lambda: capture.data(exchange), lambda: capture.data(rows[0]), lambda: list(capture.exchanges()),
        capture.refresh,
        capture.skim, capture.reading, lambda: list(capture.requests()), lambda: list(under_way), lambda: list(reading),
        lambda: list(reading.finish()), lambda: table[0], lambda: len(table), lambda: next(capture.items()),
        lambda: capture.source.data,
    ]  # fmt: skip
    for number, use in enumerate(uses):
        try:
            use()
        except sticktrace.SticktraceError as error:
            assert "closed" in str(error)
        else:
            raise AssertionError(f"use {number} gave something")


@pytest.mark.parametrize("name", ["", "\0", "a\0b", "\ud800", "x" * 5000, "/dev/null/x", "nothing", "."])
def test_odd_names(name: str, tmp_path: Path) -> None:
    for given in (name, Path(name)):
        with pytest.raises(sticktrace.CaptureError) as refused:
            sticktrace.open(given)
        assert "\n" not in str(refused.value)


def test_columns_that_are_not_there() -> None:
    from sticktrace.storage.table import ExchangeTable

    with pytest.raises(sticktrace.SticktraceError, match="colum"):
        ExchangeTable().column("colour")
