"""What an exFAT volume says twice: the boot region and its checksum, files and the allocation bitmap.

Follows the exFAT specification, clauses 3.4 (boot checksum) and 7.1 (allocation bitmap).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sticktrace.grammar import exfat
from sticktrace.text import count_of
from sticktrace.volume.filesystem import FileSystem
from sticktrace.volume.tree import Run

_REGION = 12
"""Sectors of a boot region; the last holds the checksum of the others, repeated."""


def exfat_facts(block: Callable[[int], bytes | None], files: FileSystem) -> Iterator[tuple[str, str, int]]:
    """(slug, sentence, block of the volume that shows it) for each contradiction that the capture holds both sides of.
    ``block`` gives a block of the medium."""
    ratio = files.shape.ratio
    for first, name in ((0, "boot region"), (_REGION * ratio, "backup boot region")):
        places = range(files.start + first, files.start + first + _REGION * ratio)
        blocks = [data for data in map(block, places) if data is not None]
        if len(blocks) < len(places):
            continue
        whole = b"".join(blocks)
        body = len(whole) * (_REGION - 1) // _REGION
        if exfat.boot_checksum(whole[:body]).to_bytes(4, "little") != whole[body : body + 4]:
            yield "exfat-boot-checksum", f"the checksum of its {name} is wrong", first
    lost = sum(_marked_free(files, run) for node in files.root.walk() for run in node.runs)
    if lost:
        text = f"{count_of(lost, 'cluster')} of files and directories marked free in the allocation bitmap"
        yield "bitmap-differs", text, 0


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
