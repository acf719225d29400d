"""Integrity facts of a medium, as plain records for the diagnosis to word and weigh."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from sticktrace.grammar.fat import FAT16_LIMIT, fat_type
from sticktrace.text import count_of, safe
from sticktrace.volume.evidence import BOOT, first_shown
from sticktrace.volume.exfat_checks import exfat_claims
from sticktrace.volume.extent_log import CHANGES
from sticktrace.volume.file_checks import file_claims

if TYPE_CHECKING:
    from sticktrace.sticks.unit import Unit
    from sticktrace.volume.division import Volume
    from sticktrace.volume.filesystem import FileSystem
    from sticktrace.volume.medium import Medium

FAULT, WARNING, NOTE = "fault", "warning", "note"

MOST_ALIKE = 8
"""Facts of one kind that are told one by one; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact. ``slug`` names its kind; ``severity`` is "fault", "warning" or "note"; ``evidence`` are exchange
    numbers, those that first showed it, the most telling ones first; ``volume_start`` is the volume it concerns, -1 for
    the medium."""

    slug: str
    severity: str
    text: str
    evidence: tuple[int, ...]
    unit: Unit
    volume_start: int = -1


class Claim(NamedTuple):
    """A fact before its evidence is looked up, which is done only for the few that are told."""

    slug: str
    severity: str
    text: str
    shown: Callable[[], Iterable[int]]
    volume_start: int = -1


_TABLE_SEVERITY = {
    "gpt-backup-place": WARNING, "mbr-boot-indicator": NOTE, "gpt-my-lba": WARNING, "gpt-entries-many": WARNING,
}  # fmt: skip


def facts(medium: Medium) -> list[Fact]:
    """Every fact about one medium, as of now: at most a few of each kind and volume, and how many more there are."""
    counts: Counter[tuple[str, int]] = Counter()
    found: list[Fact] = []
    last: dict[tuple[str, int], int] = {}
    for claim in _claims(medium):
        key = claim.slug, claim.volume_start
        counts[key] += 1
        if counts[key] <= MOST_ALIKE:
            evidence = tuple(dict.fromkeys(number for number in claim.shown() if number))
            last[key] = len(found)
            found.append(Fact(claim.slug, claim.severity, claim.text, evidence, medium.unit, claim.volume_start))
    for key, at in sorted(last.items(), key=lambda item: -item[1]):
        if counts[key] > MOST_ALIKE:
            text = f"{count_of(counts[key] - MOST_ALIKE, 'more fact')} like the last one"
            found.insert(at + 1, Fact(key[0], found[at].severity, text, (), medium.unit, key[1]))
    return found


def _claims(medium: Medium) -> Iterator[Claim]:
    since = medium.division.since
    for slug, text in medium.table.problems:
        yield Claim(slug, _TABLE_SEVERITY.get(slug, FAULT), text, partial(list, [since[text]]))
    for volume in medium.volumes:
        yield from _about_volume(medium, volume)
    yield from _unflushed(medium)


def _about_volume(medium: Medium, volume: Volume) -> Iterator[Claim]:
    start, last, files = volume.start, medium.store.last_lba, volume.files

    def boot() -> list[int]:
        return [first_shown(medium.store, start, *BOOT)]

    if volume.problem:
        yield Claim("volume-undecodable", FAULT, f"{volume.title}: {volume.problem}", boot, start)
    if _misaligned(medium, volume):
        text = f"{volume.title}: its data begins at LBA {_data_begins(volume)}, off the physical blocks of "
        text += f"{medium.physical[0] if medium.physical else 0} logical blocks"
        yield Claim("volume-misaligned", NOTE, text, boot, start)
    if files is None:
        return
    end = start + files.blocks
    if last is not None and end - 1 > last:
        text = f"{volume.title}: the file system ends at LBA {end - 1}, the last block of the device is {last}"
        yield Claim("volume-past-end", FAULT, text, boot, start)
    elif volume.partition is not None and files.blocks > volume.partition.blocks:
        text = f"{volume.title}: the file system has {files.blocks} blocks, its partition {volume.partition.blocks}"
        yield Claim("volume-past-partition", FAULT, text, boot, start)
    for slug, severity, text in _laid_out(files):
        yield Claim(slug, severity, f"{volume.title}{text}", boot, start)
    for claim in (*_marks(volume, files), *_contents(medium, volume, files)):
        yield claim._replace(volume_start=start)


def _data_begins(volume: Volume) -> int:
    return volume.start + (volume.files.shape.heap if volume.files is not None else 0)


def _misaligned(medium: Medium, volume: Volume) -> bool:
    """Whether a volume, or its clusters, lie across physical blocks larger than the logical ones (SBC-3 4.6)."""
    if medium.physical is None or medium.physical[0] == 1:
        return False
    size, first = medium.physical
    return (_data_begins(volume) - first) % size != 0


def _laid_out(files: FileSystem) -> Iterator[tuple[str, str, str]]:
    """What the boot sector says that does not go together."""
    shape = files.shape
    if shape.kind == 32 and shape.clusters < FAT16_LIMIT:
        count = shape.clusters
        said = f"laid out as FAT32, but its {count:,} clusters make it FAT{fat_type(count)} by the specification"
        yield "fat-type-disputed", WARNING, f": {said}: hosts disagree about such a volume"
    if shape.fat_blocks * files.block_length * 8 < (shape.clusters + 2) * min(shape.kind, 32):
        yield "fat-too-short", FAULT, f": its FAT is too short for its {shape.clusters:,} clusters"


def _marks(volume: Volume, files: FileSystem) -> Iterator[Claim]:
    before, left = files.in_use.at_start, files.in_use.left
    if before is not None:
        text = f"{volume.title} was already marked as not cleanly unmounted when first read"
        yield Claim("volume-dirty-at-start", WARNING, text, lambda: [before.exchange])
    if left is not None:
        text = f"{volume.title} was marked as in use and the capture does not show the mark taken away"
        yield Claim("volume-left-dirty", WARNING, text, lambda: [left.exchange])


def _contents(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Claim]:
    """What tables and directories say that does not go together."""
    if files.exhausted:
        text = f"{volume.title}: its cluster chains change so much that they were not followed to the end"
        yield Claim("volume-restless", WARNING, text, lambda: ())
    if files.shape.kind == 64:
        for slug, text, shown in exfat_claims(medium.store, files):
            yield Claim(slug, FAULT, f"{volume.title}: {text}", shown)
    else:
        yield from _copies(medium, volume, files)
    for slug, severity, text, shown in file_claims(medium, files):
        yield Claim(slug, severity, text, shown)
    yield from _free_count(volume, files)
    lost = sorted({number for cluster, number in files.unowned.items() if files.use(cluster) in ("free", "in use")})
    if lost:
        count = sum(files.use(cluster) in ("free", "in use") for cluster in files.unowned)
        text = f"{volume.title}: {count_of(count, 'cluster')} written that no directory entry known here leads to"
        yield Claim("data-without-entry", WARNING, text, lambda: lost[:4])


def _copies(medium: Medium, volume: Volume, files: FileSystem) -> Iterator[Claim]:
    """Compares the copies of the FAT where the capture holds a block of both."""
    shape, store = files.shape, medium.store
    if shape.fats < 2 or shape.active:
        return
    different: list[tuple[int, int, int]] = []
    for index in files.table.known():
        lba = files.start + shape.fat + index
        one, two = store.content(lba), store.content(lba + shape.fat_blocks)
        if one is not None and two is not None and one != two:
            unlike = [at for at, (a, b) in enumerate(zip(one, two, strict=True)) if a != b]
            different.append((lba, unlike[0], unlike[-1] + 1))
    if different:
        text = f"{volume.title}: the two copies of the FAT differ in {count_of(len(different), 'block')}"
        lba, low, high = different[0]
        pair = (lba, lba + shape.fat_blocks)
        yield Claim(
            "fat-copies-differ", FAULT, text,
            lambda: sorted((first_shown(store, place, (low, high)) for place in pair), reverse=True),
        )  # fmt: skip


def _free_count(volume: Volume, files: FileSystem) -> Iterator[Claim]:
    """Compares FSInfo with the FAT when all of it is in the capture. FSInfo is a hint, so this is a note."""
    told = files.info
    if told is None or told[0] == 0xFFFFFFFF or files.shape.kind == 64:
        return
    if len(files.table.known()) * files.block_length * 8 // 32 < files.shape.clusters:
        return
    free, whole = files.table.free_clusters()
    if whole and free != told[0]:
        text = f"{volume.title}: FSInfo counts {told[0]:,} free clusters, the FAT {free:,}"
        yield Claim("free-count-differs", NOTE, text, lambda: [told[1]])


def _unflushed(medium: Medium) -> Iterator[Claim]:
    """A host that uses SYNCHRONIZE CACHE and wrote again after the last one."""
    if not medium.flushes:
        return
    last = medium.flushes[-1]
    late = [n for _, _, n, kind in medium.store.extents() if kind in CHANGES and n > last]
    if late:
        count = len(dict.fromkeys(late))
        text = f"{count_of(count, 'WRITE')} after the last SYNCHRONIZE CACHE: a write cache may still hold the data"
        yield Claim("write-not-flushed", NOTE, safe(text), lambda: [late[-1], last])
