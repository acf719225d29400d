"""What only a log tells of the bus: enumeration that failed, resets, aborts, units given up, controllers that died.

A log is the host's own account. It names consequences as loudly as causes, so what hangs together is told once: for
each stick the trouble is gathered and one finding names what it came to, with the time at which it began.
"""

from __future__ import annotations

from collections import Counter

from sticktrace.bus.events import Happening
from sticktrace.capture.logs import Kind
from sticktrace.codes import error_numbers
from sticktrace.findings.finding import RISK, Pattern
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.power import BROWN_OUT, GONE_IN_USE, NOT_CONFIGURED
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.stages import Stage
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of, time_in_words
from sticktrace.transport.items import Saying

LAYER = "enumeration"

GARBLED = by_slug("enumeration-garbled")
SILENT = by_slug("enumeration-silent")
FAILED = by_slug("enumeration-failed")
LABORIOUS = by_slug("enumeration-laborious")
CONFIGURATION = by_slug("configuration-refused")
PORT_DEAD = by_slug("port-dead")
CUT_OFF = by_slug("port-cut-off")
HUB_SILENT = by_slug("hub-silent")
DIED = by_slug("controller-died")
COMPLAINS = by_slug("controller-complains")
NOT_SUPPORTED = by_slug("device-not-supported")

_ETIMEDOUT = -110
_TIMED_OUT, _ON_THE_BUS = frozenset((-110, -62, -104)), frozenset((-71, -84, -75))
_HARD = frozenset((Kind.DESCRIPTOR_ERROR, Kind.ADDRESS_REFUSED, Kind.ENUMERATION_FAILED))


class Early:
    """What went wrong with one device before it could say what it is: phrases, error numbers, evidence."""

    def __init__(self) -> None:
        self.tally, self.errors = Tally(), Counter[int]()
        self.said: Counter[str] = Counter()
        self.hard = 0

    def add(self, item: Saying, words: str) -> None:
        """One line."""
        self.tally.add(item.time_ns, records=item.records)
        if len(self.said) < 40 or words in self.said:
            self.said[words] += 1
        error = item.statement.get("errno")
        if isinstance(error, int) and error and item.statement.kind in _HARD:
            self.errors[error] += 1
        elif item.statement.kind is Kind.TRANSPORT_ERROR:
            self.errors[_ETIMEDOUT] += 1
        self.hard += item.statement.kind in _HARD

    def words(self) -> str:
        """The first few things that were said, and how often."""
        parts = [text + (f" ({count} times)" if count > 1 else "") for text, count in list(self.said.items())[:4]]
        more = f"; and {len(self.said) - 4} more" if len(self.said) > 4 else ""
        return "; ".join(parts) + more


def words_of(item: Saying) -> str:
    """What a line of trouble says, in few words and without what differs from try to try."""
    said, error = item.statement, item.statement.get("errno")
    ending = f", {error_numbers.name(error)} ({error})" if isinstance(error, int) and error else ""
    if error == -1:
        ending = ", error -1"  # what programs return that have no error numbers
    if said.kind is Kind.DESCRIPTOR_ERROR:
        return f"device descriptor not read{ending}"
    if said.kind is Kind.ADDRESS_REFUSED:
        return f"address not accepted{ending}"
    if said.kind is Kind.ENUMERATION_FAILED:
        return f"the host gave it up{ending}"
    if said.kind is Kind.PORT_TROUBLE:
        return f"port: {said.get('what')}{ending}"
    return said.line


class Enumeration(Rule):
    """Devices that did not come up, and those that hardly did."""

    layer = LAYER
    patterns = (GARBLED, SILENT, FAILED, LABORIOUS, CONFIGURATION, PORT_DEAD, NOT_SUPPORTED)

    def begin(self) -> None:
        self.early: dict[Stick, Early] = {}
        self.later: dict[Stick, Early] = {}
        self.unserved: dict[Stick, Saying] = {}
        self.starved: set[Stick] = set()

    def saying(self, item: Saying, stick: Stick) -> None:
        said = item.statement
        if said.end != "host":
            return
        known = stick.device.ids is not None or stick.is_storage or stick.is_hub
        if said.kind is Kind.CONFIGURATION_ERROR and not stick.is_storage:
            self.later.setdefault(stick, Early()).add(item, said.line)
        elif said.kind in _HARD or (said.kind is Kind.PORT_TROUBLE and not _of_the_hub(item)):
            if not known:
                self.early.setdefault(stick, Early()).add(item, words_of(item))
        elif said.kind is Kind.TRANSPORT_ERROR and said.get("what") == "timeout" and not known:
            self.early.setdefault(stick, Early()).add(item, said.line)
        elif said.kind is Kind.NOT_SUPPORTED:
            self.unserved.setdefault(stick, item)
        elif said.kind is Kind.POWER_BUDGET:
            self.starved.add(stick)  # why no configuration is chosen: told with the ports

    def end(self) -> None:
        for stick, early in self.early.items():
            self._early(stick, early)
        for stick, case in self.later.items():
            if not stick.is_storage and stick not in self.starved:
                self.report(CONFIGURATION, case.words(), stick, case.tally, ends=True)
        for stick, item in self.unserved.items():
            if not stick.exchanges and Stage.IDENTITY not in stick.reached:
                self.report(NOT_SUPPORTED, f"the log says: {item.statement.line}", stick, records=item.records,
                            time_ns=item.time_ns, ends=True)  # fmt: skip

    def _early(self, stick: Stick, early: Early) -> None:
        came_up = stick.device.ids is not None or stick.is_storage
        if came_up:
            if early.hard:
                self.report(LABORIOUS, early.words(), stick, early.tally)
            return
        if stick in self.later and not early.errors:
            return  # it was given up since its configuration could not be read: told as that
        if not early.hard and "port: power cycle" in early.said and len(early.said) == 1:
            return
        self.report(self._pattern(early), early.words(), stick, early.tally, ends=True)

    @staticmethod
    def _pattern(early: Early) -> Pattern:
        bus = sum(count for error, count in early.errors.items() if error in _ON_THE_BUS)
        late = sum(count for error, count in early.errors.items() if error in _TIMED_OUT)
        if bus or late:
            return GARBLED if bus >= late else SILENT
        return PORT_DEAD if any(text.startswith("port: cannot") for text in early.said) else FAILED


def _of_the_hub(item: Saying) -> bool:
    return item.statement.get("what") in ("disabled", "cannot disable", "hub does not answer")


class Ports(Rule):
    """Ports and hubs that trouble by themselves; devices that get too little current."""

    layer = "hub"
    patterns = (CUT_OFF, HUB_SILENT)

    def begin(self) -> None:
        self.cut: dict[Stick, Tally] = {}
        self.silent: dict[Stick, Early] = {}
        self.starved: dict[Stick, Saying] = {}

    def saying(self, item: Saying, stick: Stick) -> None:
        said = item.statement
        if said.kind is Kind.POWER_BUDGET:
            self.starved.setdefault(stick, item)
        elif said.kind is Kind.PORT_TROUBLE and said.get("what") == "disabled":
            self.cut.setdefault(stick, Tally()).add(item.time_ns, records=item.records)
        elif said.kind is Kind.PORT_TROUBLE and _of_the_hub(item):
            self.silent.setdefault(stick, Early()).add(item, words_of(item))

    def end(self) -> None:
        for stick, item in self.starved.items():
            if not stick.is_hub:
                self.report(NOT_CONFIGURED, f"the log says: {item.statement.line}", stick, records=item.records,
                            time_ns=item.time_ns, ends=True)  # fmt: skip
        for stick, tally in self.cut.items():
            self.report(CUT_OFF, f"{count_of(tally.count, 'time')}, the log says", stick, tally)
        for stick, case in self.silent.items():
            gone = stick.detached is not None and stick.detached.time_ns - case.tally.first_ns < 2_000_000_000
            self.report(HUB_SILENT, case.words(), stick, case.tally, severity=RISK if gone else "")


class Controllers(Rule):
    """Host controllers that die or complain."""

    layer = "enumeration"
    patterns = (DIED, COMPLAINS)

    def begin(self) -> None:
        self.died: dict[Stick, list[Saying]] = {}
        self.complaints: dict[Stick, Tally] = {}
        self.words: dict[Stick, str] = {}

    def saying(self, item: Saying, stick: Stick) -> None:
        if item.statement.kind is Kind.CONTROLLER_DIED:
            self.died.setdefault(stick, []).append(item)
        elif item.statement.kind is Kind.CONTROLLER_TROUBLE:
            self.complaints.setdefault(stick, Tally()).add(item.time_ns, records=item.records)
            self.words.setdefault(stick, item.statement.line)

    def end(self) -> None:
        for stick, items in self.died.items():
            records = tuple(record for item in items[:4] for record in item.records)
            lost = [s for s in self.scene.sticks if s is not stick and not s.is_hub and _goes_with(s, items[0])]
            text = f"the log says: {items[0].statement.line}"
            text += f"; {count_of(len(lost), 'device')} lost with it" if lost else ""
            self.report(DIED, text, stick, records=records, time_ns=items[0].time_ns, ends=True)
        for stick, tally in self.complaints.items():
            self.report(COMPLAINS, f"{self.words[stick]} ({count_of(tally.count, 'line')} like this)", stick, tally)


def _goes_with(stick: Stick, death: Saying) -> bool:
    """Whether a device went when its controller died."""
    return stick.detached is not None and abs(stick.detached.time_ns - death.time_ns) < 10_000_000_000


def gone(scene_sticks: list[Stick], stick: Stick) -> tuple[Pattern, str]:
    """How a device that went in use is told: for good, or back at the same place soon after."""
    assert stick.detached is not None
    since, device = stick.detached.time_ns, stick.device
    for other in scene_sticks:
        start = other.happened(Happening.ATTACHED).first_ns
        heard, mine = other.device.heard, device.heard
        same = bool(heard and mine and heard.path and heard.path == mine.path) or other.device.earlier is device
        if other is not stick and same and 0 <= start - since <= 10_000_000_000:
            return BROWN_OUT, f"; something came back in its place {time_in_words(start - since)} later"
    return GONE_IN_USE, ""


RULES = (Enumeration, Ports, Controllers)
