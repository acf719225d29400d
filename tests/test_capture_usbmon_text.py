"""The Linux kernel's text form: the documentation's own lines, whole recordings, and broken lines."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import capture_bytes, capture_names, truth_of
from sticktrace.capture import reader_of
from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS, Transfer
from sticktrace.capture.usbmon_text import UsbmonTextReader, looks_like

TEXTS = [name for name in capture_names() if name.endswith(".txt")]

# Kernel documentation, usbmon: the two examples.
PORT_STATUS = (
    "d5ea89a0 3575914555 S Ci:1:001:0 s a3 00 0000 0003 0004 4 <\nd5ea89a0 3575914560 C Ci:1:001:0 0 4 = 01050000\n"
)
WRAPPER = (
    "dd65f0e8 4128379752 S Bo:1:005:2 -115 31 = 55534243 ad000000 00800000 80010a28 20000000 20000040 00000000 000000\n"
    "dd65f0e8 4128379808 C Bo:1:005:2 0 31 >\n"
)


def read(text: str | bytes) -> tuple[list[Transfer], UsbmonTextReader]:
    reader = UsbmonTextReader(text.encode() if isinstance(text, str) else text)
    transfers = [*reader.transfers(), *reader.finish()]
    assert sum(len(t.records) for t in transfers) + sum(reader.skipped.values()) == reader.records
    return transfers, reader


def payload(reader: UsbmonTextReader, transfer: Transfer) -> bytes:
    return bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])


def test_first_example_of_the_documentation() -> None:
    (transfer,), reader = read(PORT_STATUS)
    assert (transfer.bus, transfer.address, transfer.endpoint, transfer.kind) == (1, 1, 0x80, CONTROL)
    # GET_STATUS of port 3, 4 bytes: the words are printed as values and travel low byte first.
    assert transfer.setup == bytes.fromhex("a3 00 00 00 03 00 04 00")
    assert payload(reader, transfer) == bytes.fromhex("01 05 00 00")
    assert (transfer.status, transfer.requested, transfer.actual) == (0, 4, 4)
    assert (transfer.submitted_ns, transfer.completed_ns) == (0, 5_000)


def test_second_example_of_the_documentation() -> None:
    (transfer,), reader = read(WRAPPER)
    assert (transfer.bus, transfer.address, transfer.endpoint, transfer.kind) == (1, 5, 0x02, BULK)
    assert payload(reader, transfer) == bytes.fromhex(
        "55534243 ad000000 00800000 80010a28 20000000 20000040 00000000 000000"
    )
    assert transfer.completed_ns - transfer.submitted_ns == 56_000


@pytest.mark.parametrize("name", TEXTS)
def test_recordings_agree_with_an_independent_count(name: str) -> None:
    count = truth_of(name)["independent_scan"]
    transfers, reader = read(capture_bytes(name))
    assert isinstance(reader_of(name, capture_bytes(name)), UsbmonTextReader)
    assert not reader.damage and not reader.skipped
    assert reader.records == count["records"]
    statuses: dict[str, int] = {}
    for transfer in transfers:
        if transfer.status is not None:
            statuses[str(transfer.status)] = statuses.get(str(transfer.status), 0) + 1
    assert statuses == count["urb_status"]
    assert sum(t.status is None for t in transfers) == count["submits_without_completion"]
    devices: dict[str, int] = {}
    for transfer in transfers:
        key = f"{transfer.bus}.{transfer.address}"
        devices[key] = devices.get(key, 0) + len(transfer.records)
    assert devices == count["devices"]
    bulk = [t for t in transfers if t.kind == BULK]
    assert sum(payload(reader, t)[:4] == b"USBC" and t.actual == 31 for t in bulk) == sum(count["cbw"].values())


def test_older_form_has_no_bus() -> None:
    (transfer,), _ = read(
        "ffff8bac 5025716 S Ci:001:00 s a3 00 0000 0001 0004 4 <\nffff8bac 5027261 C Ci:001:00 0 4 = 01050100\n"
    )
    assert (transfer.bus, transfer.address, transfer.endpoint) == (0, 1, 0x80)


def test_both_forms_of_one_session_agree() -> None:
    old, _ = read(capture_bytes("l26_hotplug_1t-usbmon-1t.txt"))
    new, _ = read(capture_bytes("l26_hotplug_1t-usbmon-1u.txt"))
    # Two recorders ran side by side: the events are the same, ids and times need not be.
    assert [(t.address, t.endpoint, t.actual, t.status) for t in old] == [
        (t.address, t.endpoint, t.actual, t.status) for t in new
    ]


def test_time_wraps_at_4096_seconds() -> None:
    lines = [f"a {stamp} C Bo:1:005:2 0 0\n" for stamp in (4_095_999_000, 500, 4_095_000_000, 100)]
    transfers, _ = read("".join(lines))
    assert [t.completed_ns // 1000 for t in transfers] == [0, 1_500, 4_095_001_000, 4_096_001_100]


def test_time_of_older_kernels_wraps_at_32_bits() -> None:
    # The documentation's second example has a time beyond 4096 s.
    transfers, _ = read(WRAPPER + "a 1000 C Bo:1:005:2 0 0\n")
    assert transfers[1].completed_ns == ((1 << 32) + 1_000 - 4_128_379_752) * 1_000


def test_interrupt_isochronous_and_error_events() -> None:
    transfers, reader = read(
        "a 1 S Ii:1:001:1 -115:2048 4 <\n"
        "a 2 C Ii:1:001:1 0:2048 1 = 02\n"
        "b 3 S Zi:1:002:3 -115:8:100 2 -18:0:192 -18:192:192 384 <\n"
        "b 4 C Zi:1:002:3 0:8:100:1 2 0:0:4 -84:192:0 384 = 00010203\n"
        "c 5 S Bo:1:003:2 -115 31 = 55534243\n"
        "c 6 E Bo:1:003:2 -19 0\n"
        "d 7 S Co:1:004:0 Z __ __ ____ ____ ____ 0\n"
        "d 8 C Co:1:004:0 -32 0\n"
    )
    assert not reader.skipped
    assert [(t.kind, t.status, t.actual) for t in transfers] == [
        (INTERRUPT, 0, 1), (ISOCHRONOUS, 0, 384), (BULK, -19, 0), (CONTROL, -32, 0),
    ]  # fmt: skip
    assert payload(reader, transfers[0]) == b"\x02"
    assert transfers[3].setup == b""


def test_malformed_lines_are_counted_and_named() -> None:
    noise = "\n".join(f"nonsense {n}" for n in range(40))
    transfers, reader = read(f"{PORT_STATUS}\n{noise}\n{WRAPPER}")
    assert len(transfers) == 2
    assert sum(reader.skipped.values()) == 40
    assert len(reader.damage) == 21
    assert reader.damage[0].where == "line 4"
    assert "20 places" in reader.damage[-1].what


def test_a_failed_out_transfer_keeps_what_was_submitted() -> None:
    # The errno -110 is ETIMEDOUT: the documentation's wrapper, never accepted by the device.
    failed = WRAPPER.replace("C Bo:1:005:2 0 31 >", "C Bo:1:005:2 -110 0")
    (transfer,), reader = read(failed)
    assert (transfer.status, transfer.requested, transfer.actual) == (-110, 31, 0)
    assert len(payload(reader, transfer)) == 31 and payload(reader, transfer).startswith(b"USBC\xad")
    (partly,), reader = read(WRAPPER.replace("C Bo:1:005:2 0 31 >", "C Bo:1:005:2 -32 16"))
    assert (partly.actual, partly.captured) == (16, 31)


PREFIXES = ["> ", "> > ", ">", "    ", "\t", "[   12.345678] ", "12:34:56.789 ", "root@tide:~# ", "| "]


@pytest.mark.parametrize("prefix", PREFIXES)
def test_events_are_found_behind_what_people_put_in_front(prefix: str) -> None:
    text = "".join(prefix + line + "\n" for line in (PORT_STATUS + WRAPPER).splitlines())
    plain, quoted = read(PORT_STATUS + WRAPPER), read(text)
    assert [payload(quoted[1], t) for t in quoted[0]] == [payload(plain[1], t) for t in plain[0]]
    assert [(t.records, t.submitted_ns, t.completed_ns) for t in quoted[0]] == [
        (t.records, t.submitted_ns, t.completed_ns) for t in plain[0]
    ]
    assert not quoted[1].skipped
    assert isinstance(reader_of("paste", text.encode()), UsbmonTextReader)


@pytest.mark.parametrize("chatter", [0, 3, 400])
def test_one_event_among_chatter_is_enough(chatter: int) -> None:
    """The data words of an event would pass for hex text; they are never read as such."""
    noise = "tide gauge: mean of 240 samples, level 1874 mm\n" * chatter
    text = noise + "".join(line + "\n" + noise for line in WRAPPER.splitlines())
    reader = reader_of("paste", text.encode())
    assert isinstance(reader, UsbmonTextReader)
    (transfer,) = [*reader.transfers(), *reader.finish()]
    assert transfer.actual == 31 and sum(reader.skipped.values()) == 3 * chatter


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be", "utf-8-sig"])
def test_other_encodings(encoding: str) -> None:
    mark = "\ufeff" if encoding == "utf-16-be" else ""
    data = (mark + PORT_STATUS + WRAPPER).replace("\n", "\r\n").encode(encoding)
    assert isinstance(reader_of("log", data), UsbmonTextReader)
    transfers, reader = read(data)
    assert [t.actual for t in transfers] == [4, 31] and not reader.skipped
    assert reader.position == len(data)


def test_lines_may_arrive_in_pieces() -> None:
    whole = (PORT_STATUS + WRAPPER).encode()
    reader = UsbmonTextReader(b"")
    transfers: list[Transfer] = []
    for size in range(0, len(whole), 11):
        reader.data = whole[:size]
        transfers += reader.transfers()
    reader.data = whole.rstrip()
    transfers += [*reader.transfers(), *reader.finish()]
    assert [t.actual for t in transfers] == [4, 31]
    assert reader.position == len(whole.rstrip())


def test_only_this_form_is_taken_for_it() -> None:
    assert looks_like(PORT_STATUS.encode()) and looks_like(WRAPPER.encode())
    assert looks_like(WRAPPER.replace("\n", "\r\n").encode())
    for other in (b"", b"\0" * 99, b"OUT 31: 55 53 42 43\n", b"plain words\n" * 9, capture_bytes("c09_sg_189.pcap")):
        assert not looks_like(other)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(TEXTS), st.integers(0, 3_000),
    st.lists(st.tuples(st.integers(0, 2_999), st.integers(0, 255)), max_size=8),
)  # fmt: skip
def test_mutation_raises_nothing(name: str, length: int, changes: list[tuple[int, int]]) -> None:
    data = bytearray(SAMPLES[name])
    for place, value in changes:
        data[place] = value
    transfers, reader = read(bytes(data[:length]))
    for transfer in transfers:
        assert transfer.captured >= 0 and transfer.data_at + transfer.captured <= len(reader.payload)


SAMPLES = {name: capture_bytes(name)[:3_000] for name in TEXTS}


def test_a_damaged_spot_does_not_change_the_form() -> None:
    """A log with a run of NULs, as a lost power supply leaves behind: the events around it are read as events."""
    lines = capture_bytes("l15_read_error-usbmon-0u.txt").splitlines(keepends=True)
    broken = b"".join([*lines[:40], bytes(range(32)) * 4 + b"\n", *lines[40:]])
    reader = reader_of("broken", broken)
    assert reader.form == "usbmon text"
    assert sum(len(t.records) for t in [*reader.transfers(), *reader.finish()]) == len(lines)
