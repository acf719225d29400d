"""From the text in the gaps of a pattern to values of one kind, whoever printed them.

Kernels print a sense key as a word or a number, a code in T10's words, in hex or in decimal, a host status by name or
number. Here they become ``key``, ``asc``, ``ascq`` and ``hostbyte``, one spelling each.
"""

from __future__ import annotations

from typing import Any

from sticktrace.capture.logs.fat_results import RESULTS, name_of
from sticktrace.capture.logs.statement import Kind
from sticktrace.codes import asc, host_status, sense_keys
from sticktrace.text import safe

_SIZES = {"KB": 1_000, "MB": 1_000_000, "GB": 1_000_000_000, "KIB": 1 << 10, "MIB": 1 << 20, "GIB": 1 << 30}


def settle(kind: Kind, values: dict[str, Any]) -> None:
    """Bring the values of a statement into one spelling, in place."""
    for name in [name for name in values if name[-1].isdigit()]:
        values.setdefault(name.rstrip("0123456789"), values.pop(name))
    if kind in (Kind.SENSE_KEY, Kind.SENSE_CODE):
        _sense(values)
    elif kind == Kind.RESULT:
        _result(values)
    elif kind == Kind.CAPACITY:
        _capacity(values)
    elif kind == Kind.INQUIRY:
        _inquiry(values)
    elif kind == Kind.FILE_RESULT:
        _fat(values)
    elif kind == Kind.IDS:
        _ids(values)
    for name, value in values.items():
        if isinstance(value, str):
            values[name] = safe(value.strip())


def _sense(values: dict[str, Any]) -> None:
    key = values.get("hex_key", values.get("key"))
    if isinstance(key, str):
        number = sense_keys.from_words(key) if len(key.removeprefix("0x")) > 2 else int(key.removeprefix("0x"), 16)
        if number is None:
            values.pop("key", None)
        else:
            values["key"] = number & 0xF
    values.pop("hex_key", None)
    for name in ("asc", "ascq"):
        text = values.pop(f"hex_{name}", None)
        if text is not None:
            values[f"{name}_text"] = text
            values[name] = int(text, 16)
    if "asc" not in values and "words" in values:
        code = asc.from_words(values["words"])
        if code is not None:
            values["asc"], values["ascq"] = code


def _result(values: dict[str, Any]) -> None:
    host = values.get("hostbyte")
    if isinstance(host, str):
        number = host.lower().startswith("0x")
        values["hostbyte"] = host_status.name_of(int(host, 16)) if number else host.upper().removeprefix("DID_")
    if "code" in values:
        # The four bytes of a result: driver, host, message, status (kernel header scsi.h).
        values["hostbyte"] = host_status.name_of(values["code"] >> 16 & 0xFF)
        values["status"] = values.pop("code") & 0xFF
    message = values.get("message")
    if message is not None:
        values["message"] = message.strip().rstrip(":").strip()


def _capacity(values: dict[str, Any]) -> None:
    for name in ("blocks", "block_length", "last_lba", "bytes_in_all", "megabytes"):
        if isinstance(values.get(name), str):
            values[name] = int(values[name])
    if "last_lba" in values:
        values["blocks"] = values.pop("last_lba") + 1
    unit = values.pop("unit_of_size", None)
    if unit is not None:
        values["about_bytes"] = values.pop("megabytes") * _SIZES.get(unit.upper(), 1)


def _inquiry(values: dict[str, Any]) -> None:
    for name in ("vendor", "product", "revision"):
        if name in values:
            values[name] = values[name].strip()


def _fat(values: dict[str, Any]) -> None:
    if "number" in values:
        values["code"] = name_of(int(values.pop("number")))
    code = values.get("code", "").upper()
    values["code"] = code
    if code in RESULTS:
        values["says"] = RESULTS[code].says


def _ids(values: dict[str, Any]) -> None:
    for name in ("vid", "pid"):
        if isinstance(values.get(name), str):
            values[name] = int(values[name], 16)
