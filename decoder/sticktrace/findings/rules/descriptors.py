"""Descriptors, configuration and what the device claims to be (USB 2.0 chapter 9, BOT 1.0 chapter 4, UAS)."""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.bus.interfaces import Configuration
from sticktrace.bus.requests import Request
from sticktrace.codes import msc
from sticktrace.findings.finding import FAULT, NOTE, RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import PerStick, Rule
from sticktrace.sticks.learning import ask_kind
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of

LAYER = "descriptors"

PACKET_SIZE_0 = by_slug("packet-size-0-mismatch")
PACKET_SIZE_0_ODD = by_slug("packet-size-0-not-allowed")
BULK_SIZE_WRONG = by_slug("bulk-packet-size-wrong")
BELOW_ITS_SPEED = by_slug("runs-below-its-speed")
CONFIGURATION_CUT = by_slug("configuration-short")
HOST_BUFFER_SMALL = by_slug("configuration-not-read-whole")
DESCRIPTORS_LIE = by_slug("descriptors-disagree")
STRING_FAILS = by_slug("string-not-answered")
SERIAL_NOT_BY_THE_BOOK = by_slug("serial-number-unusable")
ODD_CODES = by_slug("storage-codes-unusual")
NOT_INTERFACE_0 = by_slug("storage-not-interface-0")
WRONG_INTERFACE = by_slug("class-request-wrong-interface")
UAS_ONLY = by_slug("uas-only")


class Descriptors(Rule):
    """Judges what was read of each device when the capture is over."""

    layer = LAYER
    patterns = (
        PACKET_SIZE_0_ODD, BULK_SIZE_WRONG, BELOW_ITS_SPEED, CONFIGURATION_CUT, HOST_BUFFER_SMALL, DESCRIPTORS_LIE,
        SERIAL_NOT_BY_THE_BOOK, ODD_CODES, NOT_INTERFACE_0, UAS_ONLY,
    )  # fmt: skip

    def end(self) -> None:
        for stick in self.scene.sticks:
            device = stick.device
            if stick.is_hub:
                continue
            self._sizes(stick, device)
            self._wholeness(stick, device)
            current = device.current()
            if current is not None and stick.is_storage:
                self._interfaces(stick, device, current)
                self._serial(stick, device)

    def _sizes(self, stick: Stick, device: Device) -> None:
        size = device.descriptor[7] if len(device.descriptor) >= 8 else -1
        allowed = {"low": {8}, "full": {8, 16, 32, 64}, "high": {64}}.get(device.speed)
        at = stick.ask("device descriptor").done
        if allowed and size >= 0 and size not in allowed:
            self.report(PACKET_SIZE_0_ODD, f"bMaxPacketSize0 is {size} at {device.speed} speed", stick, at)
        bulk = {role.max_packet for role in device.roles().values() if role.kind == "bulk" and role.storage}
        if (device.speed == "high" and bulk - {512}) or (device.speed == "full" and any(b > 64 for b in bulk)):
            words = ", ".join(map(str, sorted(bulk)))
            text = f"wMaxPacketSize of bulk endpoints is {words} at {device.speed} speed"
            self.report(BULK_SIZE_WRONG, text, stick, stick.ask("configuration descriptor").done)
        if device.speed == "full" and 6 in device.other_descriptors:
            text = "it answered the device qualifier request, and its port says full speed"
            self.report(BELOW_ITS_SPEED, text, stick, stick.ask("device qualifier").done)

    def _wholeness(self, stick: Stick, device: Device) -> None:
        asks = stick.ask("configuration descriptor")
        if device.lies:
            text = device.lies[0] + (f", and {len(device.lies) - 1} more" if len(device.lies) > 1 else "")
            self.report(DESCRIPTORS_LIE, text, stick, stick.ask("configuration descriptor").done)
        cut = [c for c in device.configurations.values() if not c.complete and len(c.data) < c.total_length]
        if not cut or stick.ask("configuration").done:
            return
        have, total = len(cut[0].data), cut[0].total_length
        if any("it sent" in lie for lie in device.lies):
            text = f"wTotalLength is {total}, {have} bytes came although {asks.largest} were asked for"
            self.report(CONFIGURATION_CUT, text, stick, asks.done)
        elif asks.largest < total and self.scene.quiet_ns(stick) >= 2_000_000_000:
            text = f"wTotalLength is {total}, the host asked for {asks.largest} bytes at most and went no further"
            self.report(HOST_BUFFER_SMALL, text, stick, asks.done)

    def _interfaces(self, stick: Stick, device: Device, current: Configuration) -> None:
        storage = [i for i in current.interfaces if i.class_code == msc.CLASS]
        at = stick.ask("configuration descriptor").done
        usual = [i for i in storage if i.subclass == msc.SCSI_TRANSPARENT and i.protocol in (msc.BULK_ONLY, msc.UAS)]
        if storage and not usual:
            one = storage[0]
            text = f"subclass {one.subclass:02X}h ({msc.subclass(one.subclass)}), "
            text += f"protocol {one.protocol:02X}h ({msc.protocol(one.protocol)})"
            cbi = one.protocol in (msc.CBI, msc.CBI_NO_INTERRUPT)
            remedy = "These take no CBW: the host needs a driver for Control/Bulk/Interrupt transport." if cbi else ""
            self.report(ODD_CODES, text, stick, at, severity="" if not stick.exchanges else NOTE, remedy=remedy)
        if storage and all(i.number for i in storage):
            self.report(NOT_INTERFACE_0, f"storage is interface {storage[0].number}", stick, at)
        if storage and all(i.protocol == msc.UAS for i in storage):
            severity = FAULT if not stick.exchanges and self.scene.quiet_ns(stick) >= 2_000_000_000 else ""
            text = "every storage alternate setting has protocol 62h"
            self.report(UAS_ONLY, text, stick, at, severity=severity if not stick.exchanges else NOTE)

    def _serial(self, stick: Stick, device: Device) -> None:
        index = device.facts.get("iSerialNumber", 0)
        texts = [s for (at, _), s in device.strings.items() if at == index and s.whole] if index else []
        if len(device.descriptor) < 18 or (index and not texts):
            return
        serial = texts[0].text if texts else ""
        if len(serial) < 12:
            size = count_of(len(serial), "character")
            text = f"the serial number has {size}" if index else "there is no serial number"
            asked = stick.ask("string" if index else "device descriptor")
            self.report(SERIAL_NOT_BY_THE_BOOK, text, stick, asked.done)
        elif set(serial) - set("0123456789ABCDEF"):
            text = "the serial number has characters other than 0-9 and A-F"
            self.report(SERIAL_NOT_BY_THE_BOOK, text, stick, stick.ask("string").done)


class Requests(PerStick):
    """Judges control requests as they pass."""

    layer = LAYER
    patterns = (PACKET_SIZE_0, STRING_FAILS, WRONG_INTERFACE)

    def request(self, request: Request, stick: Stick) -> None:
        kind = ask_kind(request)
        if request.status == -75:
            self._count(PACKET_SIZE_0, request, stick)
        elif kind == "device descriptor" and request.done and request.requested >= 18 and request.actual == 8:
            size = stick.device.descriptor[7:8]
            if request.data.captured >= 8 and size and size[0] != 8:
                self._count(PACKET_SIZE_0, request, stick)
        elif kind == "string" and request.result not in ("done", "not seen"):
            self._count(STRING_FAILS, request, stick)
        elif kind in ("max lun", "class reset") and request.index >= 0:
            device = stick.device
            current = device.current()
            numbers = {i.number for i in current.interfaces if i.class_code == msc.CLASS} if current else set()
            if numbers and request.index & 0xFF not in numbers:
                self._count(WRONG_INTERFACE, request, stick)

    def _count(self, pattern: Pattern, request: Request, stick: Stick) -> None:
        self.tally(pattern, stick).add(request.time_ns, records=request.records)

    def words(self, pattern: Pattern, stick: Stick, tally: Tally) -> str:
        many = count_of(tally.count, "request")
        if pattern is PACKET_SIZE_0:
            size = stick.device.descriptor[7:8]
            told = f"; bMaxPacketSize0 is {size[0]}" if size else "; bMaxPacketSize0 was not read"
            return f"{many} ended in babble or after one packet{told}"
        if pattern is STRING_FAILS:
            return f"{many} for a string without an answer"
        return f"{many} with the number of an interface that is not storage"

    def conclude(self, pattern: Pattern, stick: Stick, tally: Tally) -> None:
        severity = RISK if pattern in (PACKET_SIZE_0, WRONG_INTERFACE) and stick.exchanges > stick.failures else ""
        self.report(pattern, self.words(pattern, stick, tally), stick, tally, severity=severity)


RULES = (Descriptors, Requests)
