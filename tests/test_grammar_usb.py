"""Setup packets and descriptors against USB 2.0 chapter 9, BOT 1.0, UAS, and a general-purpose USB library."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import bits_of, check_everything
from sticktrace.grammar import usb, usb3
from sticktrace.grammar.usb_answers import explain_control
from sticktrace.grammar.usb_chain import descriptors, explain_descriptors
from sticktrace.grammar.usb_platform import PLATFORMS as PLATFORM_LAYOUTS

# USB 2.0 Table 9-8, one field a line; the numbers are of a recorded stick whose host logged them (l01 kernel log:
# "idVendor=46f4, idProduct=0001, bcdDevice= 0.00", "Mfr=1, Product=2, SerialNumber=3").
DEVICE = bytes.fromhex(
    "12"  # bLength 18
    "01"  # bDescriptorType DEVICE
    "0002"  # bcdUSB 2.00
    "00"  # bDeviceClass: told by each interface
    "00"  # bDeviceSubClass
    "00"  # bDeviceProtocol
    "40"  # bMaxPacketSize0 64
    "f446"  # idVendor 46f4h
    "0100"  # idProduct 0001h
    "0000"  # bcdDevice 0.00
    "01"  # iManufacturer
    "02"  # iProduct
    "03"  # iSerialNumber
    "01"  # bNumConfigurations
)

# USB 2.0 Tables 9-10, 9-12, 9-13; class codes of BOT 1.0 Table 4.5 (08h, 06h, 50h).
CONFIGURATION = bytes.fromhex(
    "09 02 2000"  # bLength, CONFIGURATION, wTotalLength 32
    "01 01 05"  # bNumInterfaces, bConfigurationValue, iConfiguration
    "c0"  # bmAttributes: D7, self-powered
    "32"  # bMaxPower 50 units of 2 mA
    "09 04 00 00 02 08 06 50 00"  # INTERFACE 0 alternate 0, 2 endpoints, mass storage, SCSI, Bulk-Only
    "07 05 81 02 0002 00"  # ENDPOINT 1 IN, bulk, 512 bytes
    "07 05 02 02 0002 00"  # ENDPOINT 2 OUT, bulk, 512 bytes
)

# UAS: pipe usage descriptor 04 24 <id> 00 after each endpoint (command OUT, status IN, data-in, data-out).
UAS = bytes.fromhex(
    "09 02 3e00 01 01 04 c0 00"
    "09 04 00 00 04 08 06 62 00"
    "07 05 01 02 0002 00  04 24 01 00"
    "07 05 82 02 0002 00  04 24 02 00"
    "07 05 83 02 0002 00  04 24 03 00"
    "07 05 04 02 0002 00  04 24 04 00"
)

# USB 3.2 9.6.2 (from memory) as a recorded SuperSpeed stick sent it: BOS, USB 2.0 extension, SuperSpeed.
BOS = bytes.fromhex("05 0f 1600 02  07 10 02 02000000  0a 10 03 00 0e00 01 0a 2000")


def meanings(explained: object) -> dict[str, str]:
    return {row.name: row.meaning for row in explained.rows}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("setup", "request_name", "value", "index"),
    [
        ("8006000100001200", "GET_DESCRIPTOR", "device", ""),  # USB 2.0 9.4.3
        ("800603030904ff00", "GET_DESCRIPTOR", "string 3", "language 0409h"),  # 9.4.3, 9.6.7
        ("0005020000000000", "SET_ADDRESS", "address 2", ""),  # 9.4.6
        ("0009010000000000", "SET_CONFIGURATION", "configuration 1", ""),  # 9.4.7
        ("010b010000000000", "SET_INTERFACE", "alternate setting 1", "interface 0"),  # 9.4.10
        ("0201000081000000", "CLEAR_FEATURE", "ENDPOINT_HALT", "endpoint 81h"),  # 9.4.1, Table 9-6
        ("a1fe000000000100", "Get Max LUN", "", "interface 0"),  # BOT 1.0 3.2
        ("21ff000003000000", "Bulk-Only Mass Storage Reset", "", "interface 3"),  # BOT 1.0 3.1
        ("2303040002000000", "SET_FEATURE (port)", "PORT_RESET", "port 2"),  # 11.24.2.13, Table 11-17
        ("2301140001000000", "CLEAR_FEATURE (port)", "C_PORT_RESET", "port 1"),  # 11.24.2.2
        ("a006002900000f00", "GET_DESCRIPTOR (hub)", "hub", ""),  # 11.24.2.5
        ("c051000000000400", "vendor request 51h", "", ""),
    ],
)
def test_setup_packets_in_words(setup: str, request_name: str, value: str, index: str) -> None:
    found = meanings(usb.SETUP.explain(bytes.fromhex(setup)))
    assert (found["bRequest"], found["wValue"], found["wIndex"]) == (request_name, value, index)


def test_device_descriptor_fields() -> None:
    values = usb.DEVICE.parse(DEVICE)
    assert (values.idVendor, values.idProduct, values.bMaxPacketSize0) == (0x46F4, 1, 64)
    found = meanings(usb.DEVICE.explain(DEVICE))
    assert found["bcdUSB"] == "2.00"
    assert found["bDeviceClass"] == "told by each interface"


def test_superspeed_packet_size_is_an_exponent() -> None:
    """USB 3.2 9.6.1: 09h stands for 512 bytes, and only from bcdUSB 3.00 on."""
    superspeed = bytes.fromhex("1201000300000009f4460100000001020301")
    assert meanings(usb.DEVICE.explain(superspeed))["bMaxPacketSize0"] == "512 bytes"
    assert meanings(usb.DEVICE.explain(DEVICE))["bMaxPacketSize0"] == "64 bytes"


def test_configuration_chain_of_a_stick() -> None:
    chain = descriptors(CONFIGURATION)
    assert [item.layout for item in chain.items] == [usb.CONFIGURATION, usb.INTERFACE, usb.ENDPOINT, usb.ENDPOINT]
    assert [item.offset for item in chain.items] == [0, 9, 18, 25]
    assert (chain.lies, chain.cut) == ([], "")


def test_uas_pipe_usage_is_read_only_below_a_uas_interface() -> None:
    assert [i.data[2] for i in descriptors(UAS).items if i.layout is usb.PIPE_USAGE] == [1, 2, 3, 4]
    bulk_only = UAS.replace(bytes.fromhex("080662"), bytes.fromhex("080650"))
    assert not [i for i in descriptors(bulk_only).items if i.layout is usb.PIPE_USAGE]


def test_bos_and_capabilities() -> None:
    layouts = [item.layout for item in descriptors(BOS).items]
    assert layouts == [usb3.BOS, usb3.USB2_EXTENSION, usb3.SUPERSPEED]
    found = meanings(usb3.SUPERSPEED.explain(BOS[12:]))
    assert {name: found[name] for name in ("5 Gb/s", "High speed", "Full speed", "Low speed")} == {
        "5 Gb/s": "yes", "High speed": "yes", "Full speed": "yes", "Low speed": "no",
    }  # fmt: skip


PLATFORMS = [
    # Windows OS descriptors 2.0 and WebUSB: UUIDs as their documents print them (from memory)
    ("df60ddd88945c74c9cd2659d9e648a9f" "00000306 0a00 21 00", "D8DD60DF-4589-4CC7-9CD2-659D9E648A9F",
     {"dwWindowsVersion": 0x06030000, "wMSOSDescriptorSetTotalLength": 10, "bMS_VendorCode": 0x21, "bAltEnumCode": 0}),
    ("38b60834a909a0478bfda0768815b665" "0001 22 01", "3408B638-09A9-47A0-8BFD-A0768815B665",
     {"bcdVersion": 0x100, "bVendorCode": 0x22, "iLandingPage": 1}),
    ("00112233445566778899aabbccddeeff" "010203", "33221100-5544-7766-8899-AABBCCDDEEFF",
     {"CapabilityData": b"\1\2\3"}),
]  # fmt: skip


@pytest.mark.parametrize(("data", "uuid", "fields"), PLATFORMS, ids=["windows", "web", "unknown"])
def test_platform_capability(data: str, uuid: str, fields: dict[str, object]) -> None:
    """USB 3.2 9.6.2.4: the UUID, its first three parts with the low byte first, tells what the data is."""
    body = bytes.fromhex(data)
    raw = bytes((len(body) + 4, 16, 5, 0)) + body
    assert usb3.capability(5) is usb3.PLATFORM
    told = usb3.PLATFORM.explain(raw)
    values = {row.name: row.value for row in told.rows}
    assert (told.fault, told.used) == ("", len(raw))
    assert {name: values[name] for name in fields} == fields
    assert meanings(told)["PlatformCapabilityUUID"].startswith(uuid)
    assert usb3.PLATFORM.build(usb3.PLATFORM.parse(raw)) == raw


def test_more_capabilities() -> None:
    """Types 0Bh, 0Ch and 0Eh in a chain: three bytes without fields; kept as bytes; authentication (from memory)."""
    caps = bytes.fromhex("03100b06100c aabbcc06100e 03 10 11")
    bos = bytes.fromhex("050f") + (5 + len(caps)).to_bytes(2, "little") + b"\x03" + caps
    chain = descriptors(bos)
    assert [item.layout for item in chain.items[1:]] == [
        usb3.PRECISION_TIME, usb3.OTHER_CAPABILITY, usb3.AUTHENTICATION,
    ]  # fmt: skip
    assert (chain.lies, chain.cut) == ([], "")
    told = explain_descriptors(bos)
    named = [row.meaning for row in told.rows if row.name == "bDevCapabilityType"]
    assert named == ["precision time measurement", "wireless USB extension", "authentication"]
    assert meanings(told)["bcdCapability"] == "1.1"


def test_os_string() -> None:
    """String EEh (Microsoft OS 1.0 Descriptors, from memory): told by its signature, and named in the request."""
    raw = bytes.fromhex("1203" + "MSFT100".encode("utf-16-le").hex() + "2100")
    told = explain_descriptors(raw)
    assert (told.title, meanings(told)["qwSignature"]) == ("OS string descriptor", '"MSFT100"')
    assert explain_descriptors(raw[:17]).fault and explain_descriptors(raw[:2]).fault
    near = explain_descriptors(bytes.fromhex("1203" + "MSFT200".encode("utf-16-le").hex() + "2100"))
    assert near.title == "String descriptor"
    setup = explain_control(bytes.fromhex("8006ee0300001200"))[0]
    assert meanings(setup)["wValue"] == "string EEh, the OS string"
    assert meanings(explain_control(bytes.fromhex("8006ed0300001200"))[0])["wValue"] == "string 237"


def test_strings_and_languages() -> None:
    """USB 2.0 Tables 9-15 and 9-16; 0409h is English (United States) in the USB list of LANGIDs."""
    languages = explain_descriptors(bytes.fromhex("04030904"), languages=True)
    assert languages.rows[-1].meaning == "0409h English (United States)"
    text = explain_descriptors(bytes.fromhex("140353004b00540047002d003000340031003700"))
    assert text.rows[-1].meaning == "SKTG-0417"


@pytest.mark.parametrize(
    ("data", "lie"),
    [
        (CONFIGURATION[:18] + b"\0" + CONFIGURATION[19:], "bLength 0 at byte 18"),
        (CONFIGURATION[:25] + b"\x40" + CONFIGURATION[26:], "runs past the announced total of 32"),
        (CONFIGURATION[:18] + b"\x03" + CONFIGURATION[19:], "too short for a descriptor of endpoint"),
        (CONFIGURATION[:4] + b"\2" + CONFIGURATION[5:], "bNumInterfaces is 2, found 1"),
        (CONFIGURATION[:13] + b"\3" + CONFIGURATION[14:], "bNumEndpoints is 3, found 2"),
        (CONFIGURATION[:27] + b"\x81" + CONFIGURATION[28:], "an endpoint address stands twice"),
        (CONFIGURATION[:2] + b"\4\0" + CONFIGURATION[4:], "wTotalLength 4 is less than the first descriptor"),
        (CONFIGURATION + b"\0\0", "2 bytes beyond the 32 bytes"),
        (BOS[:4] + b"\1" + BOS[5:], "bNumDeviceCaps is 1, found 2"),
        (DEVICE + b"\0", "1 byte beyond the 18 bytes"),
    ],
)
def test_lies_are_reported_once_and_in_words(data: bytes, lie: str) -> None:
    chain = descriptors(data)
    assert len([found for found in chain.lies if lie in found]) == 1, chain.lies
    assert chain.items


@pytest.mark.parametrize("length", [2, 4, 9, 17, 20, 31])
def test_a_short_read_is_no_lie(length: int) -> None:
    """Hosts ask for 9 bytes first (USB 2.0 9.4.3: a device sends no more than was asked)."""
    chain = descriptors(CONFIGURATION[:length])
    assert chain.lies == []
    assert chain.cut


def test_setup_and_data_are_explained_together() -> None:
    """Kernel documentation, usbmon example 1: GET_STATUS(port 3) answered 01 05 00 00."""
    setup, data = explain_control(bytes.fromhex("a300000003000400"), bytes.fromhex("01050000"))
    assert meanings(setup)["wIndex"] == "port 3"
    assert {row.name for row in data.rows if row.meaning == "yes"} == {
        "PORT_CONNECTION", "PORT_POWER", "PORT_HIGH_SPEED",
    }  # fmt: skip


LAYOUTS = {id(layout): layout for layout in [
    *usb.LAYOUTS.values(), usb.SETUP, usb.PIPE_USAGE, usb.OTHER, usb.LANGUAGES, usb3.USB2_EXTENSION, usb3.SUPERSPEED,
    usb.OS_STRING, *usb3.CAPABILITY_LAYOUTS.values(), usb3.OTHER_CAPABILITY, *PLATFORM_LAYOUTS.values(),
]}  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(data=st.binary(min_size=2, max_size=48))
@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=lambda layout: layout.title)
def test_every_layout_accounts_for_every_bit(layout: usb.Layout, data: bytes) -> None:
    check_everything(layout, data)


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=80),
        st.tuples(st.integers(0, 31), st.integers(0, 255)).map(
            lambda change: CONFIGURATION[: change[0]] + bytes([change[1]]) + CONFIGURATION[change[0] + 1 :]
        ),
    )
)
def test_any_chain_is_walked_and_every_byte_shown(data: bytes) -> None:
    chain = descriptors(data)
    assert sum(len(item.data) for item in chain.items) <= len(data)
    covered = 0
    for row in explain_descriptors(data).rows:
        assert row.heading or not covered & bits_of(row)
        covered |= 0 if row.heading else bits_of(row)
    assert covered == (1 << 8 * len(data)) - 1


def test_descriptors_agree_with_an_independent_library() -> None:
    """Every field of the standard descriptors, against the usb-protocol library (general purpose)."""
    standard = pytest.importorskip("usb_protocol.types.descriptors.standard")
    # Left out: its device qualifier is 9 bytes long, without bReserved; USB 2.0 Table 9-9 has 10.
    pairs = [
        (usb.DEVICE, standard.DeviceDescriptor, DEVICE),
        (usb.CONFIGURATION, standard.ConfigurationDescriptor, CONFIGURATION[:9]),
        (usb.INTERFACE, standard.InterfaceDescriptor, CONFIGURATION[9:18]),
        (usb.ENDPOINT, standard.EndpointDescriptor, CONFIGURATION[18:25]),
        (usb.ASSOCIATION, standard.InterfaceAssociationDescriptor, bytes.fromhex("080b000208065000")),
        (usb3.ENDPOINT_COMPANION, standard.SuperSpeedEndpointCompanionDescriptor, bytes.fromhex("06300f040000")),
        (usb3.BOS, standard.BinaryObjectStoreDescriptor, BOS[:5]),
    ]
    for ours, theirs, data in pairs:
        mine, other = ours.explain(data), {key.lower(): value for key, value in theirs.parse(data).items()}
        compared = 0
        for row in (row for row in mine.rows if row.depth == 0):
            theirs_value = other.get(row.name.lower())
            if theirs_value is None:
                continue
            if isinstance(theirs_value, float):  # their form of a binary-coded release
                assert row.meaning == f"{theirs_value:.2f}"
            else:
                assert row.value == theirs_value, (ours.title, row.name)
            compared += 1
        assert compared >= 4, ours.title
