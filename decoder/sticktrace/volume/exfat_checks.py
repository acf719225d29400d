"""What an exFAT volume says twice: the boot region and its checksum, files and the allocation bitmap.

Follows the exFAT specification, clauses 3.4 (boot checksum) and 7.1 (allocation bitmap).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial

from sticktrace.grammar import exfat
from sticktrace.text import count_of
from sticktrace.volume.evidence import all_shown, entry_shown, first_shown
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.store import SectorStore
from sticktrace.volume.tree import Run

_REGION = 12
"""Sectors of a boot region; the last holds the checksum of the others, repeated."""


def exfat_claims(store: SectorStore, files: FileSystem) -> Iterator[tuple[str, str, Callable[[], Iterable[int]]]]:
    """(slug, sentence, what gives the exchanges that first showed it) for each contradiction that the capture holds
    both sides of."""
    ratio = files.shape.ratio
    for first, name in ((0, "boot region"), (_REGION * ratio, "backup boot region")):
        places = range(files.start + first, files.start + first + _REGION * ratio)
        blocks = [data for data in map(store.content, places) if data is not None]
        if len(blocks) < len(places):
            continue
        whole = b"".join(blocks)
        body = len(whole) * (_REGION - 1) // _REGION
        if exfat.boot_checksum(whole[:body]).to_bytes(4, "little") != whole[body : body + 4]:
            shown = [all_shown(store, files.start + first, len(places))]
            yield "exfat-boot-checksum", f"the checksum of its {name} is wrong", partial(list, shown)
    runs = [(run, _marked_free(files, run)) for node in files.root.walk() for run in node.runs]
    lost = [(run, count) for run, count in runs if count]
    if lost:
        total = sum(count for _, count in lost)
        text = f"{count_of(total, 'cluster')} of files and directories marked free in the allocation bitmap"
        yield "bitmap-differs", text, lambda: _bitmap_shown(store, files, lost[0][0])


def _bitmap_shown(store: SectorStore, files: FileSystem, run: Run) -> list[int]:
    """The exchanges that first showed a run of clusters taken by a file, and the bits for it in the bitmap."""
    bitmap = next((node for node in files.root.children.values() if node.entry.kind == "bitmap"), None)
    block, byte = divmod((run.cluster - 2) // 8, files.block_length)
    lba = files.block_of(bitmap, block) if bitmap is not None else None
    bits = first_shown(store, lba, (byte, byte + 1 + run.count // 8)) if lba is not None else 0
    return [bits, entry_shown(store, files, run.node)]


def _marked_free(files: FileSystem, run: Run) -> int:
    """How many clusters of a run the captured part of the bitmap marks free."""
    per = 8 * files.block_length
    low, after = run.cluster - 2, run.cluster - 2 + run.count
    lost = 0
    while low < after:
        index, bit = divmod(low, per)
        count = min(after - low, per - bit)
        data = files.bitmap.get(index)
        if data is not None:
            bits = int.from_bytes(data, "little") >> bit & (1 << count) - 1
            lost += count - bits.bit_count()
        low += count
    return lost
