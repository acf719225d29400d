"""The volume: what this host may not read, contradictions, unfinished writes, damage (facts of the volume room)."""

from __future__ import annotations

from sticktrace.findings.finding import DEVICE, FAULT, HOST, NEEDS_DATA, NOTE, QUIET_NS, RISK, UNKNOWN, Pattern
from sticktrace.findings.media import contradictions, reads_only_tables
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.subject import Subject, Unit
from sticktrace.sticks.tally import Tally
from sticktrace.text import count_of, time_in_words
from sticktrace.volume.findings import Fact
from sticktrace.volume.medium import Medium

LAYER = "volume"
_ERASES = "Formatting or partitioning anew erases everything on the stick: copy what you need first."

NOT_READABLE = Pattern(
    "file-system-not-read", FAULT, "The host stops at a file system or partition scheme",
    "UEFI 5, exFAT specification, "
    "common practice", "All commands work. The host reads the partition table and the start of the volume, and "
    "nothing after "
    "that. What stands there is not plain FAT in an MBR partition, which is all that many small builds read.",
    ("the file layer lacks exFAT, NTFS or GPT", "the volume has no partition table, or the other way round"),
    "Switch on the file system in the build, or format the stick with an MBR and FAT32.", HOST, ("F78",), NEEDS_DATA,
    caution=_ERASES,
)  # fmt: skip

NO_VOLUME = Pattern(
    "no-volume-found", RISK, "There is no file system that could be recognised", "UEFI 5.2, FAT specification",
    "Block 0 was read and holds neither a partition table nor a known file system.",
    ("a blank or damaged stick", "a file system that this tool does not know"),
    "Read the stick on another host; if it is blank there too, format it.", UNKNOWN, ("F78",), NEEDS_DATA,
    caution=_ERASES,
)  # fmt: skip

CONTRADICTS = Pattern(
    "reads-contradict-writes", FAULT, "Blocks come back with other data than was written", "common practice",
    "Data was written and reported as passed, and a later read of the same block gave something else. When that is the "
    "data of another block, addresses wrap around: the stick is smaller than it says.",
    ("a counterfeit with less memory than it reports", "flash memory that fails", "another host wrote in between"),
    "Do not use the stick. Save what you can from the low addresses. Sampling can miss such a fault: only writing and "
    "reading back everything proves a capacity.", DEVICE, ("F77", "F71"), NEEDS_DATA,
)  # fmt: skip

CHANGED_UNWRITTEN = Pattern(
    "blocks-change-unwritten", RISK, "Blocks change although nobody wrote them", "common practice",
    "Two reads of the same block gave different data and no write to it was recorded between them.",
    ("records lost from the capture", "a counterfeit whose addresses wrap around", "the device itself changes data"),
    "Check whether the capture lost records; compare with a test that writes and reads back.", UNKNOWN, ("F77", "F37"),
    NEEDS_DATA,
)  # fmt: skip

UNPLUGGED_UNFLUSHED = Pattern(
    "unplugged-with-unflushed-writes", RISK, "The device went away with writes not flushed", "SBC-2 5.18",
    "After the last WRITE no SYNCHRONIZE CACHE came before the device was gone. What it held in a cache is lost.",
    ("pulled out without unmounting", "a drop-out"),
    "Check the file system; unmount before pulling it out.", UNKNOWN, (),
)  # fmt: skip

TABLE_UNSOUND = Pattern(
    "partition-table-unsound", RISK, "The partition table is not sound", "UEFI 5.2, 5.3",
    "Entries, checksums or places in the MBR or GPT contradict each other or the capacity.",
    ("made for a medium of another size", "a careless tool", "damage"),
    "Copy the files off, then let a partition tool check it.", UNKNOWN, ("F78",), NEEDS_DATA, caution=_ERASES,
)  # fmt: skip

DAMAGED = Pattern(
    "file-system-damaged", RISK, "The file system is damaged", "FAT specification, exFAT specification",
    "Structures of the volume contradict each other: cluster chains, copies of the FAT, sizes.",
    ("pulled out while it was being written", "a failing stick", "a bug in a file layer"),
    "Copy the files, then let a file system check repair it.", UNKNOWN, (), NEEDS_DATA,
)  # fmt: skip

UNCLEAN = Pattern(
    "file-system-unclean", NOTE, "The file system was not cleanly unmounted", "FAT specification, exFAT specification",
    "The mark that says \"in use\" is set: when first read, or when the capture ends.",
    ("pulled out without unmounting earlier", "still mounted when the capture ends"),
    "Check the file system; some hosts mount such a volume read-only.", UNKNOWN, (), NEEDS_DATA,
)  # fmt: skip

UNFINISHED = Pattern(
    "writes-unfinished", NOTE, "Writes are not complete when the capture ends", "FAT specification, SBC-2 5.18",
    "Data without a directory entry, an entry without its data, or writes without SYNCHRONIZE CACHE after them.",
    ("the capture ends before the host was done", "the host was stopped in the middle"),
    "Look whether the host unmounted properly.", HOST, (), NEEDS_DATA,
)  # fmt: skip

ODDITIES = Pattern(
    "file-system-oddities", NOTE, "Small things in the file system are not as they should be",
    "FAT specification, exFAT specification", "Counts or entries are off in a way that does no harm.",
    ("another file layer's habits",), "Nothing, or a file system check.", UNKNOWN, (), NEEDS_DATA,
)  # fmt: skip

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
        for subject in self.account.subjects:
            for unit in subject.units.values():
                for medium in self.account.volumes.media(unit)[-1:]:
                    if reads_only_tables(medium) and unit.device_type == 0:
                        self._judge(subject, unit, medium)

    def _judge(self, subject: Subject, unit: Unit, medium: Medium) -> None:
        numbers = [number for _, _, number, _ in medium.store.extents()][:8]
        kinds = sorted({volume.kind for volume in medium.volumes if volume.kind})
        strange = [kind for kind in kinds if kind not in _KNOWN_TO_MOST]
        scheme = medium.table.scheme
        if scheme == "none" and not kinds and medium.store.content(0) is not None:
            self.report(NO_VOLUME, f"LUN {unit.lun}: block 0 is neither a partition table nor a boot sector", subject,
                        exchanges=numbers, severity=NOTE if subject.detached is None else "")  # fmt: skip
        if not (strange or scheme == "GPT" or (scheme == "none" and kinds)):
            return
        what = " and ".join(strange) or (kinds and kinds[0]) or "a volume"
        where = {"GPT": "in a GPT", "MBR": "in an MBR partition", "none": "without a partition table"}.get(scheme, "")
        text = f"LUN {unit.lun}: {what} {where}; the host read {count_of(len(numbers), 'time')} at its start"
        quiet = self.account.quiet_ns(subject)
        if quiet >= QUIET_NS:
            self.report(NOT_READABLE, f"{text} and then nothing for {time_in_words(quiet)}", subject, exchanges=numbers)
        elif subject.detached is None:
            text += ", and the capture ends there; if the host ended there too, this is why"
            self.report(NOT_READABLE, text, subject, exchanges=numbers, severity=RISK)


class Content(Rule):
    """Content that does not stay what it was."""

    layer = LAYER
    patterns = (CONTRADICTS, CHANGED_UNWRITTEN)

    def end(self) -> None:
        for subject in self.account.subjects:
            for unit in subject.units.values():
                if not unit.unsure:
                    for medium in self.account.volumes.media(unit):
                        self._compare(subject, unit, medium)

    def _compare(self, subject: Subject, unit: Unit, medium: Medium) -> None:
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
            self.report(pattern, text, subject, exchanges=dict.fromkeys(numbers))


class Facts(Rule):
    """What the volume room found, in groups."""

    layer = LAYER
    patterns = (TABLE_UNSOUND, DAMAGED, UNCLEAN, UNFINISHED, ODDITIES, UNPLUGGED_UNFLUSHED)

    def end(self) -> None:
        groups: dict[tuple[int, str], tuple[Unit, Pattern, list[Fact]]] = {}
        for unit, fact in self.account.volumes.facts():
            pattern = _GROUPS.get(fact.slug) or (TABLE_UNSOUND if fact.volume_start < 0 else DAMAGED)
            groups.setdefault((id(unit), pattern.slug), (unit, pattern, []))[2].append(fact)
        for unit, pattern, facts in groups.values():
            more = f" (and {len(facts) - 1} more: see `sticktrace volume`)" if len(facts) > 1 else ""
            numbers = [n for fact in facts for n in fact.evidence]
            # In the middle of writing, structures disagree for a while; then it is no more than worth knowing.
            severity = NOTE if pattern is DAMAGED and unit.writes else ""
            self.report(pattern, f"LUN {unit.lun}: {facts[0].text}{more}", unit.subject,
                        exchanges=dict.fromkeys(numbers), severity=severity)  # fmt: skip
        self._unflushed()

    def _unflushed(self) -> None:
        for subject in self.account.subjects:
            for unit in subject.units.values() if subject.detached else ():
                if unit.written and subject.detached:
                    tally = Tally()
                    tally.add(unit.written_ns, unit.written, subject.detached.records)
                    gap = time_in_words(max(0, subject.detached.time_ns - unit.written_ns))
                    text = f"LUN {unit.lun}: the last write (exchange {unit.written}) was {gap} before it went"
                    self.report(UNPLUGGED_UNFLUSHED, text, subject, tally)


RULES = (Stops, Content, Facts)
