"""The volume: what this host may not read, contradictions, unfinished writes, damage (facts of the volume room)."""

from __future__ import annotations

from sticktrace.findings.finding import NOTE, QUIET_NS, RISK, Pattern
from sticktrace.findings.media import contradictions, reads_only_tables
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of, time_in_words
from sticktrace.volume.findings import Fact
from sticktrace.volume.medium import Medium

LAYER = "volume"

NOT_READABLE = by_slug("file-system-not-read")
NO_VOLUME = by_slug("no-volume-found")
CONTRADICTS = by_slug("reads-contradict-writes")
CHANGED_UNWRITTEN = by_slug("blocks-change-unwritten")
UNPLUGGED_UNFLUSHED = by_slug("unplugged-with-unflushed-writes")
TABLE_UNSOUND = by_slug("partition-table-unsound")
DAMAGED = by_slug("file-system-damaged")
UNCLEAN = by_slug("file-system-unclean")
UNFINISHED = by_slug("writes-unfinished")
ODDITIES = by_slug("file-system-oddities")

_GROUPS = {
    "volume-dirty-at-start": UNCLEAN, "volume-left-dirty": UNCLEAN, "data-without-entry": UNFINISHED,
    "entry-without-data": UNFINISHED, "write-not-flushed": UNFINISHED, "entry-unsound": ODDITIES,
    "chain-longer-than-size": ODDITIES, "free-count-differs": ODDITIES, "mbr-boot-indicator": ODDITIES,
    "volume-misaligned": ODDITIES, "volume-restless": ODDITIES, "fat-type-disputed": ODDITIES,
    "bitmap-differs": UNFINISHED,
}  # fmt: skip
_KNOWN_TO_MOST = frozenset(("FAT12", "FAT16", "FAT32"))


class Stops(Rule):
    """Hosts that read the start of a volume and no more."""

    layer = LAYER
    patterns = (NOT_READABLE, NO_VOLUME)

    def end(self) -> None:
        for stick in self.scene.sticks:
            for unit in stick.units.values():
                for medium in self.scene.media(unit)[-1:]:
                    if reads_only_tables(medium) and unit.device_type == 0:
                        self._judge(stick, unit, medium)

    def _judge(self, stick: Stick, unit: Unit, medium: Medium) -> None:
        numbers = [number for _, _, number, _ in medium.store.extents()][:8]
        kinds = sorted({volume.kind for volume in medium.volumes if volume.kind})
        strange = [kind for kind in kinds if kind not in _KNOWN_TO_MOST]
        scheme = medium.table.scheme
        if scheme == "none" and not kinds and medium.store.content(0) is not None:
            self.report(NO_VOLUME, f"LUN {unit.lun}: block 0 is neither a partition table nor a boot sector", stick,
                        exchanges=numbers, severity=NOTE if stick.detached is None else "")  # fmt: skip
        if not (strange or scheme == "GPT" or (scheme == "none" and kinds)):
            return
        what = " and ".join(strange) or (kinds and kinds[0]) or "a volume"
        where = {"GPT": "in a GPT", "MBR": "in an MBR partition", "none": "without a partition table"}.get(scheme, "")
        text = f"LUN {unit.lun}: {what} {where}; the host read {count_of(len(numbers), 'time')} at its start"
        quiet = self.scene.quiet_ns(stick)
        if quiet >= QUIET_NS:
            self.report(NOT_READABLE, f"{text} and then nothing for {time_in_words(quiet)}", stick, exchanges=numbers)
        elif stick.detached is None:
            text += ", and the capture ends there; if the host ended there too, this is why"
            self.report(NOT_READABLE, text, stick, exchanges=numbers, severity=RISK, ends=True)


class Content(Rule):
    """Content that does not stay what it was."""

    layer = LAYER
    patterns = (CONTRADICTS, CHANGED_UNWRITTEN)

    def end(self) -> None:
        for stick in self.scene.sticks:
            for unit in stick.units.values():
                if not unit.unsure:
                    for medium in self.scene.media(unit):
                        self._compare(stick, unit, medium)

    def _compare(self, stick: Stick, unit: Unit, medium: Medium) -> None:
        found = contradictions(medium)
        # A block that was blank at first and then read is told by another rule.
        certain = [c for c in found if c.was_written or c.alias >= 0]
        for pattern, cases in ((CONTRADICTS, certain), (CHANGED_UNWRITTEN, [c for c in found if c not in certain])):
            if not cases:
                continue
            first = min(cases, key=lambda c: c.lba)
            text = f"LUN {unit.lun}: {count_of(len(cases), 'block')}, lowest LBA {first.lba}, seen in exchange "
            text += f"{first.before} and then otherwise in exchange {first.after}"
            aliases = [c for c in cases if c.alias >= 0 and c.alias != c.lba]
            if aliases:
                pair = min(aliases, key=lambda c: c.lba)
                text += f"; LBA {pair.lba} holds what was written to LBA {pair.alias}"
                text += f", {abs(pair.alias - pair.lba)} blocks away"
            numbers = [n for c in cases[:12] for n in (c.before, c.after)]
            self.report(pattern, text, stick, exchanges=dict.fromkeys(numbers))


class Facts(Rule):
    """What the volume room found, in groups."""

    layer = LAYER
    patterns = (TABLE_UNSOUND, DAMAGED, UNCLEAN, UNFINISHED, ODDITIES, UNPLUGGED_UNFLUSHED)

    def end(self) -> None:
        groups: dict[tuple[int, str], tuple[Unit, Pattern, list[Fact]]] = {}
        for unit, fact in self.scene.volume_facts():
            pattern = _GROUPS.get(fact.slug) or (TABLE_UNSOUND if fact.volume_start < 0 else DAMAGED)
            groups.setdefault((id(unit), pattern.slug), (unit, pattern, []))[2].append(fact)
        for unit, pattern, facts in groups.values():
            more = f" (and {len(facts) - 1} more: see `sticktrace volume`)" if len(facts) > 1 else ""
            numbers = [n for fact in facts for n in fact.evidence]
            # In the middle of writing, structures disagree for a while; then it is no more than worth knowing.
            severity = NOTE if pattern is DAMAGED and unit.writes else ""
            self.report(pattern, f"LUN {unit.lun}: {facts[0].text}{more}", unit.stick,
                        exchanges=dict.fromkeys(numbers), severity=severity)  # fmt: skip
        self._unflushed()

    def _unflushed(self) -> None:
        for stick in self.scene.sticks:
            for unit in stick.units.values() if stick.detached else ():
                if unit.written and stick.detached:
                    tally = Tally()
                    tally.add(unit.written_ns, unit.written, stick.detached.records)
                    gap = time_in_words(max(0, stick.detached.time_ns - unit.written_ns))
                    text = f"LUN {unit.lun}: the last write (exchange {unit.written}) was {gap} before it went"
                    self.report(UNPLUGGED_UNFLUSHED, text, stick, tally)


RULES = (Stops, Content, Facts)
