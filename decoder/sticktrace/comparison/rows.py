"""The facts of two stories side by side, as rows: identity, choices of the host, sums."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from sticktrace.comparison.side import Story
from sticktrace.text import bytes_in_words, time_in_words

_BREAKS, _DIFFERS, _SMALL = 3, 2, 1


@dataclass(frozen=True, slots=True)
class Row:
    """One row: ``weight`` is how much a difference weighs, 0 for none. "" stands for what a capture does not show."""

    label: str
    good: str
    bad: str
    weight: int = 0
    stage: str = "identity"

    @property
    def differs(self) -> bool:
        """Whether both captures show it, and not the same. A text that one of them cut counts as far as it goes."""
        if not self.good or not self.bad:
            return False
        for cut, whole in ((self.good, self.bad), (self.bad, self.good)):
            if cut.endswith("…") and whole.startswith(cut[:-1]):
                return False
        return self.good != self.bad

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        return {"what": self.label, "good": self.good or None, "bad": self.bad or None, "differs": self.differs}


def rows(good: Story, bad: Story) -> list[Row]:
    """All rows, those that neither capture can fill left out."""
    found = [Row(label, value(good), value(bad), weight, stage) for label, weight, stage, value in (*_IDENTITY, *_SUMS)]
    for lun in sorted(good.stick.units.keys() | bad.stick.units.keys()):
        found += _unit(good, bad, lun)
    found += _counts("command", good.sums.commands, bad.sums.commands)
    found += _counts("sense", good.sums.senses, bad.sums.senses)
    if good.sums.requests and bad.sums.requests:
        found += [_hidden_address(row) for row in _counts("request", good.sums.requests, bad.sums.requests)]
    return [row for row in found if row.good or row.bad]


def _named(field: str) -> Callable[[Story], str]:
    return lambda story: story.stick.device.named(field)


def _power(story: Story) -> str:
    device = story.stick.device
    current = device.current()
    if current is None:
        return ""
    own = ", self-powered" if current.self_powered else ""
    return f"{current.max_power_ma(device.superspeed)} mA{own}"


def _configuration(story: Story) -> str:
    device = story.stick.device
    return str(device.configuration) if device.configuration else ""


def _alternates(story: Story) -> str:
    device = story.stick.device
    if not device.configuration or device.current() is None:
        return ""
    chosen = [s for s in device.storage_interfaces() if s.active]
    return ", ".join(f"interface {s.number}: {s.alternate}" for s in chosen)


def _max_lun(story: Story) -> str:
    device = story.stick.device
    if device.max_lun_result == "not seen":
        return ""
    return str(device.max_lun) if device.max_lun is not None else device.max_lun_result


def _count(number: int) -> str:
    return f"{number:,}"


def _rate(moved: int, busy_ns: int) -> str:
    """Bytes in a second of the time inside commands."""
    return f"{bytes_in_words(moved * 1_000_000_000 // busy_ns)}/s" if moved and busy_ns else ""


def _to_first_block(story: Story) -> str:
    first = next((step for step in story.steps if step.medium), None)
    return time_in_words(first.start_ns - story.steps[0].start_ns) if first else ""


_Value = Callable[[Story], str]
_IDENTITY: tuple[tuple[str, int, str, _Value], ...] = (
    ("form of the capture", 0, "", lambda s: s.form),
    ("device at", 0, "", lambda s: s.stick.place),
    ("VID:PID", _SMALL, "descriptors", lambda s: s.stick.ids),
    ("manufacturer string", _SMALL, "descriptors", _named("iManufacturer")),
    ("product string", _SMALL, "descriptors", _named("iProduct")),
    ("serial number string", _SMALL, "descriptors", _named("iSerialNumber")),
    ("speed", _DIFFERS, "attach", lambda s: s.stick.speed),
    ("bMaxPower", _DIFFERS, "descriptors", _power),
    ("configuration chosen", _DIFFERS, "configuration", _configuration),
    ("alternate setting chosen", _DIFFERS, "configuration", _alternates),
    ("transport", _DIFFERS, "transport", lambda s: ", ".join(sorted(s.stick.transports))),
    ("Get Max LUN", _DIFFERS, "transport", _max_lun),
)
_SUMS: tuple[tuple[str, int, str, _Value], ...] = (
    ("commands", 0, "", lambda s: _count(s.sums.commands.total())),
    ("did not pass", 0, "", lambda s: _count(s.sums.failed)),
    ("stalls in commands", 0, "", lambda s: _count(s.sums.stalls)),
    ("port resets", 0, "", lambda s: _count(s.sums.events["reset"]) if s.shows_ports else ""),
    ("class resets", 0, "", lambda s: _count(s.sums.events["class reset"]) if s.sums.requests else ""),
    ("read", 0, "", lambda s: bytes_in_words(s.sums.read)),
    ("written", 0, "", lambda s: bytes_in_words(s.sums.written)),
    ("reading speed", 0, "", lambda s: _rate(s.sums.read, s.sums.read_ns)),
    ("writing speed", 0, "", lambda s: _rate(s.sums.written, s.sums.write_ns)),
    ("slowest READ or WRITE", 0, "", lambda s: time_in_words(s.sums.slowest_ns) if s.sums.slowest else ""),
    ("longest pause", 0, "", lambda s: time_in_words(s.sums.pause_ns) if s.sums.pause else ""),
    ("largest read", 0, "", lambda s: bytes_in_words(s.sums.largest_read)),
    ("largest write", 0, "", lambda s: bytes_in_words(s.sums.largest_write)),
    ("same command again", 0, "", lambda s: _count(sum(step.again for step in s.steps))),
    ("longest wait", 0, "", lambda s: time_in_words(max((step.wait_ns for step in s.steps), default=0))),
    ("first step to first block", 0, "", _to_first_block),
    ("time inside commands", 0, "", lambda s: time_in_words(s.sums.busy_ns)),
)


def _unit(good: Story, bad: Story, lun: int) -> list[Row]:
    def of(story: Story, what: str) -> str:
        unit = story.stick.units.get(lun)
        if unit is None:
            return ""
        if what == "identity":
            return unit.names
        capacity = unit.capacity
        if capacity is None:
            return ""
        return f"{capacity.block_length} bytes" if what == "block" else f"{capacity.blocks:,} blocks"

    head = f"LUN {lun} "
    rows = (("INQUIRY", "identity", _SMALL, "identity"), ("capacity", "blocks", _DIFFERS, "capacity"),
            ("block length", "block", _BREAKS, "capacity"))  # fmt: skip
    return [Row(head + label, of(good, what), of(bad, what), weight, stage) for label, what, weight, stage in rows]


def _hidden_address(row: Row) -> Row:
    """A host controller may give addresses by itself: no SET_ADDRESS is then "not seen", not none (xHCI 1.2 4.6.5)."""
    if row.label != "request SET_ADDRESS":
        return row
    return replace(row, good="" if row.good == "0" else row.good, bad="" if row.bad == "0" else row.bad)


def _counts(what: str, good: dict[str, int], bad: dict[str, int]) -> list[Row]:
    """One row for each name whose counts differ."""
    names = sorted(good.keys() | bad.keys(), key=lambda name: (-max(good.get(name, 0), bad.get(name, 0)), name))
    return [
        Row(f"{what} {name}", _count(good.get(name, 0)), _count(bad.get(name, 0)))
        for name in names
        if good.get(name, 0) != bad.get(name, 0)
    ]
