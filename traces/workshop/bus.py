"""The wire itself: packets of a bus segment as a probe records them (USB 2.0 chapter 8), well made or not.

Packets are put together here from the standard alone: checks are computed bit by bit in the order of the wire, as 8.3.5
describes them, so that the reader under test cannot agree with itself.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from workshop.recorder import START_NS

OUT, IN, SOF, SETUP, PING, SPLIT, PRE, EXT = 0xE1, 0x69, 0xA5, 0x2D, 0xB4, 0x78, 0x3C, 0xF0
DATA0, DATA1, DATA2, MDATA = 0xC3, 0x4B, 0x87, 0x0F
ACK, NAK, STALL, NYET, ERR = 0xD2, 0x5A, 0x1E, 0x96, 0x3C
"""PIDs as bytes on the wire (Table 8-1)."""

LINK_TYPES = {"": 288, "low": 293, "full": 294, "high": 295}
BIT_NS = {"low": 667, "full": 83, "high": 2, "": 83}
AROUND = {"low": 11, "full": 11, "high": 40, "": 11}
"""Bits of SYNC and EOP around a packet (7.1.10, 7.1.13)."""
TURN = {"low": 4, "full": 4, "high": 100, "": 4}
"""Bit times between a packet and the next: 2 to 6.5 at low and full speed, 8 to 192 at high speed (7.1.18)."""
FRAME_NS = {"high": 125_000, "full": 1_000_000}
BULK_SIZE = {"high": 512, "full": 64, "low": 8, "": 64}


def check(bits: Iterable[int], polynomial: int, width: int) -> int:
    """The CRC of bits in the order of the wire, as bits in the order of the wire, first one lowest (8.3.5)."""
    top = 1 << width - 1
    register = (top << 1) - 1
    for bit in bits:
        feedback = bit ^ (1 if register & top else 0)
        register = register << 1 & (top << 1) - 1
        if feedback:
            register ^= polynomial
    inverted = register ^ (top << 1) - 1
    return int(f"{inverted:0{width}b}"[::-1], 2)


def bits_of(value: int, width: int) -> list[int]:
    """Bits of a field, least significant first, as they go over the wire (8.1)."""
    return [value >> place & 1 for place in range(width)]


def token(pid: int, address: int, endpoint: int) -> bytes:
    """IN, OUT, SETUP or PING (8.4.1); EXT has the same form."""
    value = address | endpoint << 7
    return bytes((pid,)) + (value | check(bits_of(value, 11), 0x05, 5) << 11).to_bytes(2, "little")


def frame(number: int) -> bytes:
    """SOF (8.4.3)."""
    value = number & 0x7FF
    return bytes((SOF,)) + (value | check(bits_of(value, 11), 0x05, 5) << 11).to_bytes(2, "little")


def split(hub: int, port: int, *, complete: bool, low: bool = False, kind: int = 2) -> bytes:
    """SPLIT for a device behind a high-speed hub (8.4.2); ``kind`` as bmAttributes numbers transfer types."""
    value = hub | complete << 7 | port << 8 | low << 15 | kind << 17
    return bytes((SPLIT,)) + (value | check(bits_of(value, 19), 0x05, 5) << 19).to_bytes(3, "little")


def data(pid: int, payload: bytes) -> bytes:
    """A data packet (8.4.4)."""
    bits = [bit for byte in payload for bit in bits_of(byte, 8)]
    return bytes((pid,)) + payload + check(bits, 0x8005, 16).to_bytes(2, "little")


@dataclass(slots=True)
class Pipe:
    """One endpoint's side of the traffic: which toggle comes next, and the size of a full packet."""

    toggle: int = DATA0
    size: int = 512


@dataclass(slots=True)
class Bus:
    """A bus segment under a probe. ``now_ns`` is the clock, ``packets`` what was recorded: (time, bytes).

    ``naks`` says how often a device answers NAK before it does what it is asked. ``frames`` lets start-of-frame packets
    go out as time passes. ``behind`` is (hub address, port, low speed) of the devices met by split transactions."""

    speed: str = "high"
    frames: bool = True
    naks: int = 1
    now_ns: int = START_NS
    packets: list[tuple[int, bytes]] = field(default_factory=list)
    pipes: dict[tuple[int, int], Pipe] = field(default_factory=dict)
    behind: dict[int, tuple[int, int, bool]] = field(default_factory=dict)
    low: set[int] = field(default_factory=set)
    snap_length: int = 65_535
    _next_frame_ns: int = START_NS
    _frame: int = 0

    # packets

    def send(self, packet: bytes) -> None:
        """One packet goes over the wire and is recorded."""
        self.packets.append((self.now_ns, packet))
        self.now_ns += (8 * len(packet) + AROUND[self.speed] + TURN[self.speed]) * BIT_NS[self.speed]

    def wait(self, ns: int) -> None:
        """Time passes, with frames in it."""
        end = self.now_ns + ns
        while self.frames and self._next_frame_ns < end:
            self._sof()
        self.now_ns = max(end, self.now_ns)

    def silent(self, ns: int) -> None:
        """Time passes without a packet: reset, suspend, or nobody there."""
        self.now_ns += ns
        self._next_frame_ns = self.now_ns

    def _sof(self) -> None:
        self.now_ns = max(self.now_ns, self._next_frame_ns)
        self.send(frame(self._frame >> 3 if self.speed == "high" else self._frame))
        self._frame += 1
        self._next_frame_ns += FRAME_NS[self.speed]

    def _between(self) -> None:
        """Between transactions a frame may begin."""
        self.now_ns += 4 * BIT_NS[self.speed]
        if self.frames and self.now_ns >= self._next_frame_ns:
            self._sof()

    # transactions

    def transaction(self, pid: int, address: int, endpoint: int, *rest: bytes) -> None:
        """A token and what follows it."""
        self._between()
        if address in self.low and self.speed == "full":
            self.send(bytes((PRE,)))
        self.send(token(pid, address, endpoint))
        for packet in rest:
            if address in self.low and self.speed == "full" and pid != IN and len(packet) > 1:
                self.send(bytes((PRE,)))
            self.send(packet)

    def _split(self, pid: int, address: int, endpoint: int, payload: bytes, answer: bytes) -> None:
        """The same through a hub: start, two times not finished, complete (8.4.2, 11.17)."""
        hub, port, low = self.behind[address]
        kind = 0 if endpoint == 0 else 2
        started = [payload, bytes((ACK,))] if payload else [bytes((ACK,))]
        for complete, packets in ((False, started), (True, [bytes((NYET,))]), (True, [answer])):
            self._between()
            self.send(split(hub, port, complete=complete, low=low, kind=kind))
            self.send(token(pid, address, endpoint))
            for packet in packets:
                self.send(packet)

    def go(self, pid: int, address: int, endpoint: int, payload: bytes = b"", answer: int = 0) -> None:
        """A transaction that goes as it should, split or not. ``payload`` is a whole data packet."""
        shake = bytes((answer,)) if answer else b""
        if address in self.behind:
            came = payload if pid == IN and payload else shake
            self._split(pid, address, endpoint, b"" if pid == IN else payload, came)
        else:
            self.transaction(pid, address, endpoint, *[packet for packet in (payload, shake) if packet])

    def nak(self, address: int, endpoint: int, times: int, inward: bool = True, payload: bytes = bytes(8)) -> None:
        """A device that is not ready. ``payload`` is what the host wants to send."""
        for _ in range(times):
            if inward:
                self.go(IN, address, endpoint, answer=NAK)
            elif self.speed == "high" and address not in self.behind:
                self.go(PING, address, endpoint, answer=NAK)
            else:
                pipe = self.pipe(address, endpoint, False)
                self.go(OUT, address, endpoint, data(pipe.toggle, payload[: pipe.size]), NAK)

    # transfers

    def pipe(self, address: int, endpoint: int, inward: bool) -> Pipe:
        """The state of an endpoint."""
        size = 64 if address in self.behind else BULK_SIZE[self.speed]
        return self.pipes.setdefault((address, endpoint | inward << 7), Pipe(size=size))

    def bulk_in(
        self, address: int, endpoint: int, payload: bytes, *, naks: int | None = None, zlp: bool = False
    ) -> None:
        """Data to the host in packets, each acknowledged; ``zlp`` ends full ones with a packet of no bytes."""
        self.nak(address, endpoint, self.naks if naks is None else naks)
        self._move(IN, address, endpoint, payload, zlp)

    def bulk_out(self, address: int, endpoint: int, payload: bytes, *, naks: int = 0, zlp: bool = False) -> None:
        """Data to the device."""
        self.nak(address, endpoint, naks, False, payload)
        self._move(OUT, address, endpoint, payload, zlp)

    def _move(self, pid: int, address: int, endpoint: int, payload: bytes, zlp: bool) -> None:
        pipe = self.pipe(address, endpoint, pid == IN)
        parts = [payload[at : at + pipe.size] for at in range(0, len(payload), pipe.size)]
        if zlp or not parts:
            parts.append(b"")
        for part in parts:
            self.go(pid, address, endpoint, data(pipe.toggle, part), ACK)
            pipe.toggle ^= DATA0 ^ DATA1

    def stall(self, address: int, endpoint: int, inward: bool) -> None:
        """The endpoint is halted."""
        payload = b"" if inward else data(self.pipe(address, endpoint, False).toggle, b"\0")
        self.go(IN if inward else OUT, address, endpoint, payload, STALL)

    def control(
        self, address: int, setup: bytes, payload: bytes = b"", *, size: int = 64, stalls: bool = False
    ) -> None:
        """A control transfer (8.5.3); ``payload`` goes the way that the setup packet says."""
        inward, length = bool(setup[0] & 0x80), int.from_bytes(setup[6:8], "little")
        self.go(SETUP, address, 0, data(DATA0, setup), ACK)
        self.nak(address, 0, self.naks)
        if stalls:
            self.go(IN, address, 0, answer=STALL)
            return
        way, toggle = IN if inward and length else OUT, DATA1
        payload = payload[:length]
        for at in range(0, len(payload), size):
            self.go(way, address, 0, data(toggle, payload[at : at + size]), ACK)
            toggle ^= DATA0 ^ DATA1
        self.go(OUT if inward and length else IN, address, 0, data(DATA1, b""), ACK)
        if setup[:3] == b"\x02\x01\x00":
            self.pipe(address, setup[4] & 0x0F, bool(setup[4] & 0x80)).toggle = DATA0

    # what goes wrong

    def change(self, number: int, how: Callable[[bytes], bytes]) -> None:
        """Damage a packet in the recording. ``number`` is 1-based."""
        time_ns, packet = self.packets[number - 1]
        self.packets[number - 1] = (time_ns, how(packet))

    def drop(self, number: int) -> bytes:
        """A packet is missing in the recording."""
        return self.packets.pop(number - 1)[1]

    def pcap(self, link_type: int | None = None) -> bytes:
        """The recording as a pcap file, written by scapy."""
        from scapy.utils import RawPcapWriter

        out = io.BytesIO()
        link_type = LINK_TYPES[self.speed] if link_type is None else link_type
        writer = RawPcapWriter(out, linktype=link_type, nano=True, snaplen=self.snap_length)
        writer.write_header(None)
        for time_ns, packet in self.packets:
            seconds, rest = divmod(time_ns, 1_000_000_000)
            kept = packet[: self.snap_length]
            writer.write_packet(kept, sec=seconds, usec=rest, caplen=len(kept), wirelen=len(packet))
        return out.getvalue()
