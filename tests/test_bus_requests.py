"""Control requests read into words and results: USB 2.0 chapters 9 and 11, BOT 1.0, link type 249's functions."""

from __future__ import annotations

import pytest

from sticktrace.bus.requests import is_request, read_request
from sticktrace.capture.transfer import BULK, CONTROL, Transfer


def control(setup: str, status: int | None = 0, **values: int) -> Transfer:
    return Transfer(1, 5, 0x80, CONTROL, setup=bytes.fromhex(setup), status=status, submitted_ns=10, completed_ns=30,
                    records=(1, 2), **values)  # fmt: skip


@pytest.mark.parametrize(
    ("setup", "name", "words", "clause"),
    [
        ("8006000100004000", "GET_DESCRIPTOR", "device", "USB 2.0 9.4.3"),
        ("8006000200000900", "GET_DESCRIPTOR", "configuration", "USB 2.0 9.4.3"),
        ("800600030000ff00", "GET_DESCRIPTOR", "list of string languages", "USB 2.0 9.4.3"),
        ("8006030309040200", "GET_DESCRIPTOR", "string 3, language 0409h", "USB 2.0 9.4.3"),
        ("8006000f00000500", "GET_DESCRIPTOR", "BOS", "USB 2.0 9.4.3"),
        ("8006000600000a00", "GET_DESCRIPTOR", "device qualifier", "USB 2.0 9.4.3"),
        ("0005020000000000", "SET_ADDRESS", "address 2", "USB 2.0 9.4.6"),
        ("0003020000040000", "SET_FEATURE", "TEST_MODE, Test_Packet", "USB 2.0 9.4.9"),  # Table 9-7
        ("2303150002040000", "SET_FEATURE (port)", "PORT_TEST, port 2, Test_Packet", "USB 2.0 11.24.2.13"),
        ("0031280000000000", "SET_ISOCH_DELAY", "40 ns from the host to the device", "USB 3.2 9.4.11"),
        ("0009010000000000", "SET_CONFIGURATION", "configuration 1", "USB 2.0 9.4.7"),
        ("8008000000000100", "GET_CONFIGURATION", "", "USB 2.0 9.4.2"),
        ("010b010002000000", "SET_INTERFACE", "alternate setting 1, interface 2", "USB 2.0 9.4.10"),
        ("810a000002000100", "GET_INTERFACE", "interface 2", "USB 2.0 9.4.4"),
        ("8000000000000200", "GET_STATUS", "", "USB 2.0 9.4.5"),
        ("8200000081000200", "GET_STATUS", "endpoint 81h", "USB 2.0 9.4.5"),
        ("0201000002000000", "CLEAR_FEATURE", "ENDPOINT_HALT, endpoint 02h", "USB 2.0 9.4.1"),
        ("0003010000000000", "SET_FEATURE", "DEVICE_REMOTE_WAKEUP", "USB 2.0 9.4.9"),
        ("21ff000000000000", "Bulk-Only Mass Storage Reset", "interface 0", "BOT 1.0 3.1"),
        ("a1fe000003000100", "Get Max LUN", "interface 3", "BOT 1.0 3.2"),
        ("2100000000000c00", "Accept Device-Specific Command", "interface 0", "CBI 1.1 2.2"),
        ("a300000003000400", "GET_STATUS (port)", "port 3", "USB 2.0 11.24.2.7"),
        ("2303080001000000", "SET_FEATURE (port)", "PORT_POWER, port 1", "USB 2.0 11.24.2.13"),
        ("2301130001000000", "CLEAR_FEATURE (port)", "C_PORT_OVER_CURRENT, port 1", "USB 2.0 11.24.2.2"),
        ("a000000000000400", "GET_STATUS (hub)", "", "USB 2.0 11.24.2.6"),
        ("2001010000000000", "CLEAR_FEATURE (hub)", "C_HUB_OVER_CURRENT", "USB 2.0 11.24.2.1"),
        ("40a0000000000000", "vendor request A0h", "", ""),
    ],
)
def test_names_arguments_and_clauses(setup: str, name: str, words: str, clause: str) -> None:
    request = read_request(control(setup))
    assert (request.name, request.words, request.clause) == (name, words, clause)
    assert request.requested == int.from_bytes(bytes.fromhex(setup)[6:], "little")
    assert (request.time_ns, request.end_ns, request.records) == (10, 30, (1, 2))


@pytest.mark.parametrize(
    ("status", "result"),
    [(0, "done"), (-32, "stall"), (-71, "error -71"), (-110, "no answer"), (-2, "no answer"), (None, "not seen")],
)  # errno numbers: kernel documentation, USB error codes
def test_results(status: int | None, result: str) -> None:
    request = read_request(control("a1fe000000000100", status))
    assert request.result == result
    assert request.done is (result == "done")


@pytest.mark.parametrize(
    ("function", "data", "name", "words"),
    [  # numbers of the public usb.h, from memory
        (0x000B, "1201000200000040", "GET_DESCRIPTOR", "device, recorded without its setup packet"),
        (0x000B, "0902200001", "GET_DESCRIPTOR", "configuration, recorded without its setup packet"),
        (0x0000, "", "SET_CONFIGURATION", "recorded without its setup packet"),
        (0x0001, "", "SET_INTERFACE", "recorded without its setup packet"),
        (0x0002, "", "cancel all transfers of a pipe", "done by the host driver; no setup packet recorded"),
        (0x7777, "", "host function 7777h", "done by the host driver; no setup packet recorded"),
    ],
)
def test_functions_in_place_of_setup_packets(function: int, data: str, name: str, words: str) -> None:
    request = read_request(Transfer(1, 5, 0x80, CONTROL, status=0, function=function), bytes.fromhex(data))
    assert (request.name, request.words) == (name, words)


def test_a_cleared_stall_names_its_endpoint() -> None:
    """001Eh on the stick's bulk-IN endpoint, recorded as a bulk transfer without data."""
    transfer = Transfer(1, 5, 0x81, BULK, status=0, function=0x001E)
    assert is_request(transfer)
    request = read_request(transfer)
    assert (request.name, request.index, request.value) == ("CLEAR_FEATURE", 0x81, 0)
    assert request.words.startswith("ENDPOINT_HALT, endpoint 81h")


def test_pipe_traffic_is_no_request() -> None:
    assert not is_request(Transfer(1, 5, 0x81, BULK, status=0, function=0x0009))
    assert not is_request(Transfer(1, 5, 0x81, BULK, status=0))


def test_lost_setup_packet_is_said() -> None:
    """A completion without its submission has no setup bytes (kernel documentation: setup is on S events only)."""
    request = read_request(Transfer(1, 5, 0x80, CONTROL, status=0, actual=18))
    assert request.words == "setup packet not in this capture"
    assert request.request == -1
