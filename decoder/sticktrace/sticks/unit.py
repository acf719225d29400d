"""A logical unit: who it says it is, how large it is, whether it is ready, what was done with it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sticktrace.sticks.stages import Reached, Stage
from sticktrace.sticks.tally import Tally
from sticktrace.storage.words import Capacity, Inquiry
from sticktrace.transport.items import Exchange

if TYPE_CHECKING:
    from sticktrace.sticks.stick import Stick


class Unit:
    """One logical unit of a stick, learned once.

    Times are nanoseconds since the first record, -1 for never; numbers are exchange numbers, 0 for none. ``identity``
    and ``capacity`` are what it told, and ``identity_at``, ``capacity_at`` the exchanges that asked first and passed
    (the data may not be captured). A later answer that is shorter takes nothing away; ``told`` keeps every different
    answer with its exchange. ``beyond``: READ CAPACITY(10) said that the capacity does not fit into 32 bits. ``block``
    is the block length as reported, 0 before that. ``ready_ns`` is the end of the first command that passed and needs a
    ready medium. ``written`` is the last write that no SYNCHRONIZE CACHE followed. ``unsure``: which data belongs to
    which command could not always be told. ``empty``: the last NOT READY said that there is no medium.
    ``write_protected`` is the WP bit as last told. ``accessed`` is the last READ or
    WRITE that passed, ``busy_ns`` the
    time inside all of them. ``last`` is the exchange before the present one.
    """

    __slots__ = (
        "accessed", "accessed_ns", "attention", "beyond", "block", "busy_ns", "capacity", "capacity_at", "capacity_bad",
        "empty", "exchanges", "failed", "first", "first_ns", "identity", "identity_at", "identity_bad", "identity_data",
        "largest_in", "largest_out", "last", "last_ns", "looked", "lun", "reached", "reads", "ready_at", "ready_ns",
        "refused", "start_asked", "stick", "told", "unsure", "write_protected", "writes", "written", "written_ns",
    )  # fmt: skip

    def __init__(self, stick: Stick, lun: int) -> None:
        self.stick, self.lun = stick, lun
        self.exchanges = self.reads = self.writes = self.looked = self.busy_ns = 0
        self.first = self.ready_at = self.identity_at = self.capacity_at = self.written = 0
        self.accessed = 0
        self.accessed_ns = self.first_ns = self.last_ns = self.ready_ns = self.written_ns = -1
        self.largest_in = self.largest_out = self.block = 0
        self.identity: Inquiry | None = None
        self.identity_data = b""
        self.capacity: Capacity | None = None
        self.told: list[tuple[Inquiry | Capacity, int]] = []
        self.write_protected: bool | None = None
        self.identity_bad, self.capacity_bad = Tally(), Tally()
        self.refused, self.attention, self.failed = Tally(), Tally(), Tally()
        self.beyond = self.start_asked = self.unsure = self.empty = False
        self.reached: dict[Stage, Reached] = {}
        self.last: Exchange | None = None

    def reach(self, stage: Stage, exchange: Exchange) -> None:
        """A stage is reached with this exchange, unless it was before."""
        if stage not in self.reached:
            self.reached[stage] = Reached(exchange.end_ns, exchange.number, ())
            self.stick.reach(stage, exchange.end_ns, exchange.number)

    def tell(self, answer: Inquiry | Capacity, exchange: Exchange) -> None:
        """Keep an answer that differs from the last of its kind."""
        before = next((one for one, _ in reversed(self.told) if isinstance(one, type(answer))), None)
        if before != answer:
            self.told.append((answer, exchange.number))

    @property
    def device_type(self) -> int:
        """PERIPHERAL DEVICE TYPE, 0 (disk) until told otherwise."""
        return self.identity.device_type if self.identity else 0

    @property
    def title(self) -> str:
        """The stick, where it is, which one it is where several were there, and the LUN."""
        which = f" (stick {self.stick.number})" if self.stick.shares_place else ""
        return f"{self.stick.named_place}{which}, LUN {self.lun}"

    @property
    def names(self) -> str:
        """Vendor and product as INQUIRY gave them, "" if not told."""
        return f"{self.identity.vendor} {self.identity.product}".strip() if self.identity else ""

    def facts(self) -> dict[str, Any]:
        """``kind:"unit"``."""
        who, size = self.identity, self.capacity
        return {
            "kind": "unit",
            "lun": self.lun,
            "vendor": who.vendor or None if who else None,
            "product": who.product or None if who else None,
            "revision": who.revision or None if who else None,
            "device_type": who.device_type if who else None,
            "removable": who.removable if who else None,
            "block_length": size.block_length if size else None,
            "last_lba": size.last_lba if size else None,
            "capacity_bytes": size.bytes if size else None,
            "beyond_32_bits": self.beyond,
            "write_protected": self.write_protected,
            "ready_ns": self.ready_ns if self.ready_ns >= 0 else None,
            "exchanges": self.exchanges,
        }
