"""What a platform capability of a BOS descriptor holds, by its UUID. The documents are not USB's own (from memory)."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from construct import Construct, Container, Int8ul, Int16ul, Int32ul

from sticktrace.grammar.choice import RAW
from sticktrace.grammar.layout import Layout, Series, field

_WINDOWS, _WEB = "Microsoft OS 2.0 Descriptors, set information", "WebUSB, platform descriptor"


def _bcd(value: int, _seen: Any) -> str:
    return f"{value >> 8:x}.{value & 0xFF:02x}"


WINDOWS = Layout(
    "Windows OS descriptors 2.0", _WINDOWS,
    field("sets", Series(Layout(
        "descriptor set information", _WINDOWS,
        field("dwWindowsVersion", Int32ul, "from which release on the set counts", _WINDOWS,
              meaning={0x06030000: "8.1", 0x0A000000: "10"}),
        field("wMSOSDescriptorSetTotalLength", Int16ul, "bytes of the set", _WINDOWS),
        field("bMS_VendorCode", Int8ul, "vendor request that fetches it", _WINDOWS),
        field("bAltEnumCode", Int8ul, "not 0: the device may come back with other descriptors", _WINDOWS),
    )), "one for each release", _WINDOWS),
)  # fmt: skip

WEB = Layout(
    "WebUSB", _WEB,
    field("bcdVersion", Int16ul, "release of the document", _WEB, meaning=_bcd),
    field("bVendorCode", Int8ul, "vendor request that fetches the address", _WEB),
    field("iLandingPage", Int8ul, "which address, 0 for none", _WEB),
)  # fmt: skip

PLATFORMS: dict[UUID, Layout] = {
    UUID("D8DD60DF-4589-4CC7-9CD2-659D9E648A9F"): WINDOWS,
    UUID("3408B638-09A9-47A0-8BFD-A0768815B665"): WEB,
}
"""CapabilityData by PlatformCapabilityUUID."""


def platform_name(value: bytes, _seen: Any) -> str:
    """The UUID as it is written, and the platform where it is known. Its first three parts have the low byte first."""
    uuid = UUID(bytes_le=bytes(value))
    known = PLATFORMS.get(uuid)
    return f"{str(uuid).upper()}, {known.title}" if known else str(uuid).upper()


def platform_data(values: Container, _coming: Any) -> Construct:
    """The layout of CapabilityData by the UUID before it."""
    return PLATFORMS.get(UUID(bytes_le=bytes(values["PlatformCapabilityUUID"])), RAW)
