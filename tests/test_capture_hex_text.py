"""Hex text: every accepted form gives the same bytes, chatter gives none, and nothing is made up.

The wrappers follow BOT 1.0 Tables 5.1 and 5.2. How firmware consoles print them is common practice, not a standard.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sticktrace.capture import reader_of
from sticktrace.capture.hex_lines import read_line
from sticktrace.capture.hex_text import CHATTER, INCOMPLETE, HexTextReader, looks_like
from sticktrace.capture.hex_wire import NO_DIRECTION
from sticktrace.capture.transfer import BULK, CONTROL, STALL, Transfer

CBW = bytes.fromhex(
    "55 53 42 43"  # dCBWSignature
    "01 00 00 00"  # dCBWTag
    "24 00 00 00"  # dCBWDataTransferLength: 36
    "80 00 06"  # bmCBWFlags: IN, bCBWLUN, bCBWCBLength
    "12 00 00 00 24 00 00 00 00 00 00 00 00 00 00 00"  # CBWCB: INQUIRY, 36 bytes
)
INQUIRY = b"\x00\x80\x04\x02\x1f\x00\x00\x00SKERRY  TIDE LOGGER     2.31"
CSW = bytes.fromhex("55 53 42 53  01 00 00 00  00 00 00 00  00")
EXCHANGE = [(0x01, CBW), (0x81, INQUIRY), (0x81, CSW)]


def read(text: str | bytes) -> tuple[list[Transfer], HexTextReader]:
    reader = HexTextReader(text.encode() if isinstance(text, str) else text)
    transfers = [*reader.transfers(), *reader.finish()]
    assert sum(len(t.records) for t in transfers) + sum(reader.skipped.values()) == reader.records
    return transfers, reader


def payload(reader: HexTextReader, transfer: Transfer) -> bytes:
    return bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])


def shown(text: str | bytes) -> list[tuple[int, bytes]]:
    transfers, reader = read(text)
    return [(transfer.endpoint, payload(reader, transfer)) for transfer in transfers]


def rows(data: bytes, width: int = 16) -> list[bytes]:
    return [data[at : at + width] for at in range(0, len(data), width)]


def column(row: bytes) -> str:
    return "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)


def spaced(data: bytes) -> str:
    return data.hex(" ")


def one_word(data: bytes) -> str:
    return data.hex().upper()


def array(data: bytes) -> str:
    return "{ " + ", ".join(f"0x{byte:02X}" for byte in data) + " };"


def split_array(data: bytes) -> str:
    return "{\n" + "".join("  " + "".join(f"0x{byte:02x}," for byte in row) + "\n" for row in rows(data, 8)) + "};"


def escaped(data: bytes) -> str:
    return '"' + "".join(f"\\x{byte:02x}" for byte in data) + '"'


def dump(data: bytes) -> str:
    lines = [f"{16 * n:08x}: {row.hex(' ', -2):<39}  {column(row)}" for n, row in enumerate(rows(data))]
    return "\n" + "\n".join(lines)


def wide_dump(data: bytes) -> str:
    halves = [(row[:8].hex(" "), row[8:].hex(" "), column(row)) for row in rows(data)]
    lines = [f"{16 * n:08x}  {left:<23}  {right:<23}  |{text}|" for n, (left, right, text) in enumerate(halves)]
    return "\n" + "\n".join(lines) + f"\n{len(data):08x}"


def bare_dump(data: bytes) -> str:
    return "\n" + "\n".join(f"  {16 * n:04X}: {row.hex(' ')}" for n, row in enumerate(rows(data)))


def lines_of_32(data: bytes) -> str:
    return "\n" + "\n".join("  " + row.hex(" ") for row in rows(data, 32))


def address_dump(data: bytes) -> str:
    """Common practice of firmware loggers: a memory address in front, two groups of eight, text between bars."""
    lines = []
    for n, row in enumerate(rows(data)):
        hexed = f"{row[:8].hex(' ')}  {row[8:].hex(' ')}".rstrip()
        lines.append(f"0x{0x3FFB4280 + 16 * n:08x}   {hexed:<48}  |{column(row)}|")
    return "\n" + "\n".join(lines)


def open_column_dump(data: bytes) -> str:
    """Common practice of firmware loggers: deeply indented, one bar, a blank between the groups of the text column, the
    column filled up with blanks."""
    lines = []
    for row in rows(data):
        hexed = f"{row[:8].hex(' ')}  {row[8:].hex(' ')}".rstrip()
        lines.append(" " * 30 + f"{hexed:<48} |{column(row[:8]):<8} {column(row[8:]):<8}")
    return "\n" + "\n".join(lines)


SHAPES = [
    spaced, one_word, array, split_array, escaped, dump, wide_dump, bare_dump, lines_of_32, address_dump,
    open_column_dump,
]  # fmt: skip
WAYS = [
    ("OUT {n}: {b}", "IN {n}: {b}"),
    ("OUT ep 02 {n}: {b}", "IN ep 81 {n}: {b}"),
    ("TX ({n} bytes): {b}", "RX ({n} bytes): {b}"),
    ("host to device, {n} bytes: {b}", "device to host, {n} bytes: {b}"),
    ("H->D len={n}: {b}", "D->H len={n}: {b}"),
    ("usbh_bulk_out[{n}] = {b}", "usbh_bulk_in[{n}] = {b}"),
    ("W {n}: {b}", "R {n}: {b}"),
    ("<7>Bulk OUT {n}: {b}", "<7>Bulk IN {n}: {b}"),
]
SHORT_WAYS = [("-> {b}", "<- {b}"), ("> {b}", "< {b}"), ("OUT {b}", "IN {b}"), ("[D/msc] TX: {b}", "[D/msc] RX: {b}")]
CLOCKS = ["", "[   12.345678] ", "12:34:56.789 ", "1234567 us ", "[1500 ms] ", "I (1500) msc: ", "2031-04-01 12:34:56 "]


@pytest.mark.parametrize("clock", CLOCKS)
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("shape", SHAPES)
def test_lines_with_direction_and_length(shape, way, clock) -> None:  # type: ignore[no-untyped-def]
    noise = "\nstore: level 1874 mm"
    text = "\n".join(clock + way[ep >> 7].format(n=len(data), b=shape(data)) + noise for ep, data in EXCHANGE)
    transfers, reader = read(text)
    assert [payload(reader, t) for t in transfers] == [data for _, data in EXCHANGE]
    assert [t.incoming for t in transfers] == [False, True, True]
    assert all(t.kind == BULK and t.status == 0 and t.actual == t.captured for t in transfers)
    assert reader.timed is bool(clock)
    assert reader.skipped[CHATTER] >= 3
    assert looks_like(text.encode())


@pytest.mark.parametrize("way", SHORT_WAYS)
@pytest.mark.parametrize("shape", [spaced, one_word, array])
def test_lines_with_direction_alone(shape, way) -> None:  # type: ignore[no-untyped-def]
    text = "\n".join(way[endpoint >> 7].format(b=shape(data)) for endpoint, data in EXCHANGE)
    assert shown(text) == EXCHANGE
    assert looks_like(text.encode())


@pytest.mark.parametrize("shape", SHAPES)
def test_without_direction_the_wrappers_tell(shape) -> None:  # type: ignore[no-untyped-def]
    blocks = "\n\n".join(shape(data) for _, data in EXCHANGE)
    assert shown(blocks) == EXCHANGE
    assert looks_like(blocks.encode())


@pytest.mark.parametrize("shape", SHAPES)
def test_a_glued_dump_is_split(shape) -> None:  # type: ignore[no-untyped-def]
    assert shown(shape(CBW + INQUIRY + CSW)) == EXCHANGE
    assert shown(shape(CBW + INQUIRY[:20] + CSW)) == [(1, CBW), (0x81, INQUIRY[:20]), (0x81, CSW)]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SHAPES), st.sampled_from(WAYS), st.sampled_from(CLOCKS), st.binary(min_size=1, max_size=120))
def test_any_bytes_come_back(shape, way, clock, data) -> None:  # type: ignore[no-untyped-def]
    assert shown(clock + way[1].format(n=len(data), b=shape(data))) == [(0x81, data)]


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(SHAPES), st.binary(min_size=4, max_size=36))
def test_any_data_between_wrappers_comes_back(shape, data) -> None:  # type: ignore[no-untyped-def]
    assume(b"USB" not in data)
    expected = [(1, CBW), (0x81, data), (0x81, CSW)]
    assert shown("\n\n".join(shape(part) for _, part in expected)) == expected


def test_repeated_lines_of_a_dump_are_filled_in() -> None:
    text = "IN 512:\n00000000: " + "00 " * 16 + "\n*\n000001f0: " + "00 " * 14 + "55 aa\n00000200\n"
    assert shown(text) == [(0x81, bytes(510) + b"\x55\xaa")]
    transfers, reader = read("0000: " + "00 " * 16 + "\n*\nfffffff0: 01 02 03 04\n" * 3)
    assert not transfers and not reader.payload[0:1]


@pytest.mark.parametrize("tag", ["I (1500) msc: ", "[00:00:01.000,000] <dbg> usbh_msc: ", "D/usb: "])
@pytest.mark.parametrize("heading", ["{way} {n}\n", "bulk {way}, {n} bytes\n", "{way}\n", "done\n"])
def test_dump_with_memory_addresses_behind_a_log_tag(tag: str, heading: str) -> None:
    """Every line has a tag; the next buffer is another place in memory, or the same one again."""
    text = ""
    for endpoint, data in EXCHANGE:
        text += tag + heading.format(way="in" if endpoint & 0x80 else "out", n=len(data))
        text += "".join(f"{tag}{line}\n" for line in address_dump(data).strip().split("\n"))
    assert shown(text) == EXCHANGE
    assert looks_like(text.encode())


def test_memory_addresses_without_a_text_column() -> None:
    lines = []
    for _, data in EXCHANGE:
        lines += [f"msc: 0x{0x20001000 + 16 * n:x} {row.hex(' ')}" for n, row in enumerate(rows(data))]
    assert shown("\n".join(lines)) == EXCHANGE
    assert shown("\n".join(f"usb_rx: {line[5:]}" for line in lines[2:5])) == [(0x81, INQUIRY)]


@pytest.mark.parametrize(
    ("hexed", "text"),
    [
        ("54 49 44 45 20 4c 4f 47  47 45 52 20", "|TIDE LOG GER     "), ("54 49 44 45 20", "|TIDE.|"),
        ("31 2e 30 30", "|1.00"), ("20 20 20 20", "|    |"), ("41 7c", "|A||"), ("7c 7c", "|||"),
        ("be ad be ad", "|....|"), ("62 65 61 64", "|be ad"), ("01 02 03 04", "| 4 bytes of something"),
    ],
)  # fmt: skip
def test_a_bar_ends_the_bytes(hexed: str, text: str) -> None:
    data = bytes.fromhex(hexed)
    assert shown(f"IN {len(data)}:\n  {hexed:<48} {text}\n") == [(0x81, data)]


def test_a_number_in_front_of_the_bytes() -> None:
    # Common practice: 0x marks hex, few digits are a length, many an address.
    for front, length in (("0x1f", 31), ("31", 31), ("0x0000", None), ("0x20001000", None)):
        (line,) = [read_line(f"OUT {front}: {spaced(CBW)}")]
        assert (line.direction, line.length, line.data) == ("out", length, CBW)


def test_setup_packets_are_control_requests() -> None:
    # BOT 1.0 3.2: Get Max LUN; USB 2.0 9.4.7: SET_CONFIGURATION 1; 9.4.5: CLEAR_FEATURE(ENDPOINT_HALT).
    transfers, reader = read(
        "10 us SETUP: a1 fe 00 00 00 00 01 00\n20 us IN ep 80 1: 03\n"
        "30 us SETUP: 00 09 01 00 00 00 00 00\n"
        "40 us SETUP: 02 01 00 00 81 00 00 00\n50 us IN ep 80 0: STALL\n"
        "60 us SETUP: 80 06 00 01 00 00 12 00\n"
    )
    assert [(t.kind, t.setup[1], t.status, t.actual) for t in transfers] == [
        (CONTROL, 0xFE, 0, 1), (CONTROL, 9, 0, 0), (CONTROL, 1, STALL, 0), (CONTROL, 6, None, 0),
    ]  # fmt: skip
    assert payload(reader, transfers[0]) == b"\x03"
    assert transfers[0].records == (1, 2)
    assert transfers[3].completed_ns == -1, "its end was not seen"


def test_failures_in_words_and_numbers() -> None:
    text = "OUT ep 02 31: {}\nIN 13: STALL\nIN 0: status -71\nusbh_bulk_in: timeout\nIN ep 81 512: error -110\n"
    transfers, _ = read(text.format(spaced(CBW)))
    assert [t.status for t in transfers] == [0, -32, -71, -110, -110]
    assert [t.actual for t in transfers] == [31, 0, 0, 0, 0]
    assert [t.requested for t in transfers] == [31, 13, 0, 0, 512]


def test_a_failed_out_transfer_keeps_the_bytes_that_were_submitted() -> None:
    forms = ["OUT ep 02 31: status -110\n  {}", "OUT ep 02 31: {} status -110", "TX 31: {} timeout"]
    forms.append("OUT 31: timeout\n{}\n")
    for form in forms:
        (transfer,), reader = read(form.format(spaced(CBW)))
        assert (transfer.status, transfer.requested, transfer.actual) == (-110, 31, 0), form
        assert payload(reader, transfer) == CBW
        assert not reader.data_printed


def test_a_failed_out_transfer_without_bytes_takes_none_from_the_next() -> None:
    text = f"OUT 31: timeout\nOUT 31: {spaced(CBW)}\nOUT 512: STALL\nstore: x\nIN 13: {spaced(CSW)}\nOUT 31: STALL\n"
    transfers, reader = read(text)
    assert [(t.status, t.requested, t.actual) for t in transfers] == [
        (-110, 31, 0), (0, 31, 31), (-32, 512, 0), (0, 13, 13), (-32, 31, 0),
    ]  # fmt: skip
    assert [payload(reader, t) for t in transfers] == [b"", CBW, b"", CSW, b""]


def test_stated_length_beyond_the_bytes_printed_marks_them_as_cut() -> None:
    (transfer,), _ = read("IN ep 81 512: " + spaced(bytes(64)) + "\nstore: ok\n")
    assert (transfer.actual, transfer.captured) == (512, 64)


def test_fields_one_a_line() -> None:
    text = f"""
        [D/usb] setup packet: bmRequestType 0xa1, bRequest 0xfe, wValue 0x0000, wIndex 0x0000, wLength 0x0001
        dCBWSignature = 0x43425355
        dCBWTag = 0x00000001
        dCBWDataTransferLength = 36
        bmCBWFlags = 0x80
        bCBWLUN = 0
        bCBWCBLength = 6
        CBWCB: 12 00 00 00 24 00
        RX 36: {spaced(INQUIRY)}
        CSW
          Signature: 0x53425355
          Tag: 00000001
          DataResidue: 0
          Status: 0
    """
    transfers, reader = read(text)
    assert transfers[0].setup == bytes.fromhex("a1 fe 00 00 00 00 01 00") and transfers[0].status is None
    assert [(t.endpoint, payload(reader, t)) for t in transfers[1:]] == EXCHANGE
    assert reader.data_printed
    # Bytes of CBWCB beyond bCBWCBLength mean nothing (BOT 1.0 5.1): nothing of this wrapper is unknown.
    assert not any(t.not_printed for t in transfers)


STRUCTURES = [
    "cbw = {{ sig=0x43425355, tag=0x00000001, len=36, flags=0x80, lun=0, cblen=6, cb=[12 00 00 00 24 00] }}\n"
    "IN 36: {data}\ncsw = {{ sig=0x53425355, tag=0x00000001, residue=0, status=0 }}\n",
    "CBW: tag=1 length=36 flags=0x80 lun=0 cdb: 12 00 00 00 24 00\nRX: {data}\nCSW: tag=1 residue=0 status=0\n",
    "out: hdr{{.dCBWSignature = 0x43425355, .dCBWTag = 0x1, .dCBWDataTransferLength = 36, .bmCBWFlags = 0x80, "
    ".bCBWLUN = 0, .bCBWCBLength = 6, .CBWCB = {{0x12, 0x00, 0x00, 0x00, 0x24, 0x00}}}}\nin: {data}\n"
    "csw {{.dCSWSignature = 0x53425355, .dCSWTag = 00000001, .dCSWDataResidue = 00000000, .bCSWStatus = 0}}\n",
]


@pytest.mark.parametrize("text", STRUCTURES)
def test_a_structure_on_one_line(text: str) -> None:
    whole = text.format(data=spaced(INQUIRY))
    assert shown(whole) == EXCHANGE
    assert looks_like(whole.encode())
    timed, _ = read("".join(f"{100 * n} us {line}\n" for n, line in enumerate(whole.strip().split("\n"), 1)))
    assert [t.submitted_ns for t in timed] == [0, 100_000, 200_000]


def test_unprinted_data_phases_are_said_to_be() -> None:
    text = "OUT ep 02 31: {}\n{}IN ep 81 13: {}\n"
    said = "data phases are not printed"
    no_data = CBW[:8] + bytes(4) + CBW[12:]
    short = CSW[:8] + b"\x24" + CSW[9:]  # dCSWDataResidue: all 36 bytes
    for middle, cbw, csw, expected in (
        ("", CBW, CSW, True), ("", no_data, CSW, False), ("", CBW, short, False),
        ("IN ep 81 0: STALL\n", CBW, CSW, False), (f"IN ep 81 36: {spaced(INQUIRY)}\n", CBW, CSW, False),
    ):  # fmt: skip
        _, reader = read(text.format(spaced(cbw), middle, spaced(csw)))
        assert any(said in sentence for sentence in reader.assumed) is expected


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-8"])
@pytest.mark.parametrize("end", ["\r\n", "\n"])
def test_encodings_with_a_byte_order_mark(encoding: str, end: str) -> None:
    # Unicode Standard 2.13: the mark is U+FEFF. U+0A0D has both bytes of a line end, but is none.
    lines = [f"µs \u0a0d {end}{'IN' if ep & 0x80 else 'OUT'} {spaced(data)}" for ep, data in EXCHANGE]
    data = ("\ufeff" + end.join(lines)).encode(encoding)
    assert shown(data) == EXCHANGE
    reader = reader_of("log", data)
    assert isinstance(reader, HexTextReader)
    reader.data = b""
    found = []
    for size in range(2, len(data) + 1, 3):
        reader.data = data[:size]
        found += [payload(reader, t) for t in reader.transfers()]
    reader.data = data
    found += [payload(reader, t) for t in [*reader.transfers(), *reader.finish()]]
    assert found == [part for _, part in EXCHANGE] and reader.position == len(data)


def test_headings_and_a_command_block_over_several_lines() -> None:
    text = (
        "CBW:\n sig: 0x43425355\n tag: 0x01\n datlen: 0x24\n flags: 0x80\n lun: 0x00\n cblen: 0x06\n"
        "CB:\n 0x12 0x00 0x00 0x00 0x24 0x00 0x00 0x00\n 0x00 0x00\n"
        "CSW:\n sig: 0x53425355\n tag: 0x01\n residue: 0x24\n status: 0x01\n"
    )
    transfers, reader = read(text)
    assert [payload(reader, t) for t in transfers] == [CBW, CSW[:8] + b"\x24\0\0\0\x01"]
    assert not reader.data_printed, "no data phase is shown, so nothing can be said of it"
    assert not reader.skipped


def test_half_printed_fields_make_no_wrapper() -> None:
    transfers, reader = read("CBW:\n tag: 0x01\n flags: 0x80\nCSW:\n tag: 0x01\n" + "idle\n" * 9)
    assert not transfers
    assert reader.skipped[INCOMPLETE] == 2


def test_chatter_is_not_data() -> None:
    text = """
        U-Boot style banner 2031.01 (Apr 01 2031 - 12:00:00)
        MAC address: 00 11 22 33 44 55
        Heap: 20001000 20004000
        Error in block 00001234
        In all there were 20 00 30 40 of them
        dead beef face
        Length: 36
        msh />usb start
        0x20001000 is not mapped
    """
    transfers, reader = read(text)
    assert not transfers
    assert sum(reader.skipped.values()) == reader.records == 9
    assert not looks_like(text.encode())


def test_bytes_that_nothing_explains_are_counted() -> None:
    transfers, reader = read(spaced(INQUIRY) + "\n")
    assert not transfers and reader.skipped[NO_DIRECTION] == 1


@pytest.mark.parametrize(
    ("first", "second", "expected_us"),
    [
        ("[  1.000000]", "[  1.500250]", 500_250), ("12:00:00.5", "12:00:00.75", 250_000),
        ("23:59:59", "00:00:01", 2_000_000), ("2031-04-01 12:00:00", "2031-04-01 12:00:01", 1_000_000),
        ("100 us", "350 us", 250), ("7 ms", "9 ms", 2_000), ("I (10) msc:", "I (12) msc:", 2_000),
        ("4294967000 us", "704 us", 1_000), ("1.5 s", "2.25 s", 750_000), ("50.000 s", "1.000 s", 0),
    ],
)  # fmt: skip
def test_times(first: str, second: str, expected_us: int) -> None:
    transfers, reader = read(f"{first} OUT {spaced(CBW)}\n{second} IN {spaced(CSW)}\n")
    assert [t.submitted_ns for t in transfers] == [0, expected_us * 1_000]
    assert reader.timed and reader.origin_ns == 0


def test_what_is_taken_for_granted_is_said() -> None:
    _, reader = read("\n".join(spaced(data) for _, data in EXCHANGE))
    assert any("endpoint" in sentence for sentence in reader.assumed)
    assert any("times" in sentence for sentence in reader.assumed)
    assert not read(f"5 us OUT ep 02 31: {spaced(CBW)}")[1].assumed


def test_lines_may_arrive_in_pieces() -> None:
    whole = "\n".join(f"{'IN' if ep & 0x80 else 'OUT'}: {spaced(data)}" for ep, data in EXCHANGE).encode()
    reader = HexTextReader(b"")
    found: list[bytes] = []
    for size in range(0, len(whole), 13):
        reader.data = whole[:size]
        found += [payload(reader, t) for t in reader.transfers()]
    reader.data = whole
    found += [payload(reader, t) for t in [*reader.transfers(), *reader.finish()]]
    assert found == [data for _, data in EXCHANGE]


def test_documented_examples_are_read_as_the_page_says() -> None:
    page = (Path(__file__).parent.parent / "docs" / "hex-text.md").read_text()
    examples = re.findall(r"```text\n(.*?)```", page, re.DOTALL)
    assert len(examples) >= 5
    for example in examples:
        transfers, reader = read(example)
        wrappers = [payload(reader, t)[:4] for t in transfers]
        assert b"USBC" in wrappers and (wrappers[-1] == b"USBS" or transfers[-1].status), example
        assert looks_like(example.encode())


def test_binary_is_refused() -> None:
    wide = "OUT 55 53 42 43".encode("utf-16-le")
    for junk in (b"", bytes(range(256)) * 9, b"\x7fELF" + bytes(400), b"\xff\xfe" + wide):
        assert not looks_like(junk)


def test_long_and_hostile_lines_end_quickly() -> None:
    size = 1 << 18
    lines = ["OUT 31:" + " " * size + "zz", "ep" + " " * size, "55  " * (size // 4), "55:" * (size // 3), "[" * size]
    lines += ["0x" * (size // 2), "1." * size, "in " * (size // 3), "a " * size + "[", "55534243" * (size // 8)]
    # Work that grows with the square of a line's length would take minutes here.
    assert read("\n".join(lines))[1].records >= len(lines) - 2


ALPHABET = st.sampled_from(
    [*"0123456789abcdef :,->x[].\n", "OUT ", "IN ", "55 53 42 43 ", "CBW:", "tag: 0x1\n", "*\n", "0010: "]
)


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.lists(ALPHABET, max_size=300).map("".join), st.text(max_size=200), st.binary(max_size=300)))
def test_any_text_is_accounted_for(text: str | bytes) -> None:
    raw = text if isinstance(text, bytes) else text.encode("utf-8", "replace")
    transfers, reader = read(raw)
    for transfer in transfers:
        # Of a failed OUT transfer more may be printed than went out.
        assert transfer.captured <= transfer.actual or (transfer.status and not transfer.incoming)
        assert transfer.data_at + transfer.captured <= len(reader.payload)
    looks_like(raw)


def test_opened_by_content() -> None:
    assert isinstance(reader_of("paste", f"OUT 31: {spaced(CBW)}\n".encode()), HexTextReader)
