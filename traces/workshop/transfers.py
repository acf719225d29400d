"""Transfers as a host makes them: one submission, one completion, and the time in between."""

from __future__ import annotations

from workshop.identity import FULL, HIGH, Stick
from workshop.recorder import BULK, CONTROL, IN_PROGRESS, INTERRUPT, SHORT, Half, Recorder

BYTE_NS = {"low": 8_000, FULL: 900, HIGH: 28, "super": 3}
"""Nanoseconds per payload byte of bulk data: a little under the ceilings of USB 2.0 Tables 5-9 and 5-10."""

NO_DMA_MAP, SHORT_NOT_OK, DIRECTION_IN = 0x004, 0x001, 0x200
"""Transfer flags of the kernel's binary record."""


class Transfers:
    """The host's side of one stick. ``short_status`` is what a data transfer that ends early completes with: -121 where
    the host driver forbids short reads in a chain (Linux), 0 elsewhere."""

    def __init__(self, recorder: Recorder, stick: Stick, *, bus: int = 1, short_status: int = SHORT) -> None:
        self.recorder, self.stick, self.bus, self.short_status = recorder, stick, bus, short_status
        self.control_id, self.command_id, self.data_id = (recorder.new_id() for _ in range(3))
        self.overhead_ns = 110_000 if stick.identity.speed in (HIGH, "super") else 950_000

    def wait_ms(self, milliseconds: float) -> None:
        """Lets time pass."""
        self.recorder.wait(int(milliseconds * 1_000_000))

    def half(
        self,
        event: str,
        kind: int,
        endpoint: int,
        length: int,
        *,
        data: bytes = b"",
        setup: bytes = b"",
        status: int = IN_PROGRESS,
        id: int = 0,
        address: int | None = None,
        interval: int = 0,
        flags: int = 0,
    ) -> None:
        """One record at the present time; ``address`` None is the stick's."""
        where = self.stick.address if address is None else address
        self.recorder.add(
            Half(
                self.recorder.now_ns, event, id, kind, endpoint, where, self.bus, status, length,
                data, setup, interval, flags,
            )
        )  # fmt: skip

    def control(
        self,
        setup: bytes,
        reply: bytes = b"",
        *,
        out: bytes = b"",
        status: int = 0,
        address: int | None = None,
        took_ns: int | None = None,
        completes: bool = True,
    ) -> bytes:
        """A control transfer with a scripted answer. Returns the reply, cut to wLength."""
        length = int.from_bytes(setup[6:8], "little")
        incoming = bool(setup[0] & 0x80)
        endpoint = 0x80 if incoming else 0
        flags = DIRECTION_IN if incoming else 0
        sent = out if not incoming else b""
        reply = reply[:length] if incoming else b""
        self.half(
            "S", CONTROL, endpoint, length, data=sent, setup=setup, id=self.control_id, address=address, flags=flags
        )
        if not completes:
            return b""
        self.recorder.wait(self.recorder.about(took_ns or self.overhead_ns * 2))
        moved = len(reply) if incoming else len(sent) if status == 0 else 0
        self.half(
            "C", CONTROL, endpoint, moved, data=reply, setup=setup, status=status, id=self.control_id, address=address,
            flags=flags,
        )  # fmt: skip
        self.recorder.wait(self.recorder.about(150_000))
        return reply

    def ask(self, setup: bytes, address: int | None = None) -> tuple[int, bytes]:
        """A control transfer that the stick answers by itself. Returns status and data."""
        status, reply = self.stick.control(setup)
        return status, self.control(setup, reply, status=status, address=address)

    def bulk(
        self,
        endpoint: int,
        length: int,
        data: bytes = b"",
        *,
        status: int = 0,
        took_ns: int | None = None,
        id: int | None = None,
        completes: bool = True,
        moved: int | None = None,
        flags: int | None = None,
        kind: int = BULK,
    ) -> None:
        """A bulk transfer of ``length`` bytes. For IN, ``data`` is what came; for OUT, what was offered and, without
        ``moved``, what went over (nothing when it failed)."""
        incoming = bool(endpoint & 0x80)
        id = self.data_id if id is None else id
        if flags is None:
            flags = DIRECTION_IN | SHORT_NOT_OK if incoming else SHORT_NOT_OK
        self.half("S", kind, endpoint, length, data=b"" if incoming else data, id=id, flags=flags)
        if not completes:
            return
        time_ns = self.overhead_ns + len(data) * BYTE_NS[self.stick.identity.speed] if took_ns is None else took_ns
        self.recorder.wait(self.recorder.about(time_ns))
        if moved is None:
            moved = len(data) if incoming or status == 0 else 0
        back = data[:moved] if incoming else b""
        self.half("C", kind, endpoint, moved, data=back, status=status, id=id, flags=flags)
        self.recorder.wait(self.recorder.about(20_000))

    def interrupt(self, event: str, address: int, id: int, length: int, data: bytes = b"", status: int = 0) -> None:
        """One half of a hub's status change transfer; ``length`` is what was asked or moved."""
        submitted = event == "S"
        self.half(
            event, INTERRUPT, 0x81, length, data=data, address=address, id=id, interval=2048,
            status=IN_PROGRESS if submitted else status, flags=DIRECTION_IN,
        )  # fmt: skip
