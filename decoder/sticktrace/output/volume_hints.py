"""What helps when recovering files does not give all that the capture holds."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from sticktrace.text import count_of
from sticktrace.volume.deleted import deleted_here, remains
from sticktrace.volume.division import Volume
from sticktrace.volume.medium import Medium

MOST = 8
"""Files that are told one by one."""


def hint_lines(media: list[Medium]) -> Iterator[str]:
    """For each medium: why there are no files, or not all of them, and what else can be had of it."""
    if not media:
        yield "no storage command in this capture named a block: there is nothing to recover from"
    for medium in media:
        lines = [*_image(medium), *_earlier(medium), *_deleted(medium)]
        if not any(volume.files for volume in medium.volumes):
            yield f"{medium.title}: no FAT or exFAT volume to recover files from: {_why(medium)}"
        elif lines:
            yield f"{medium.title}: besides these files there is more to be had"
        yield from (f"  {line}" for line in lines)


def _why(medium: Medium) -> str:
    """Why no file system could be followed."""
    table = medium.table
    if not len(medium.store):
        return "no block of it was read or written"
    if not table.scheme and not medium.volumes:
        return "neither block 0 nor a boot sector that names its place is in the capture"
    told = [volume.problem or volume.kind for volume in medium.volumes]
    known = [text for text in told if text]
    if known:
        return f"what stands there is {known[0]}" if known[0] == medium.volumes[told.index(known[0])].kind else known[0]
    if not medium.volumes:
        return "the partition table has no partition that could hold one"
    first = medium.volumes[0]
    if medium.store.content(first.start) is None:
        return f"the first block of {_the(first)} (LBA {first.start}) is not in the capture"
    return f"the first block of {_the(first)} (LBA {first.start}) is no boot sector"


def _the(volume: Volume) -> str:
    return volume.title if volume.partition else f"the {volume.title}"


def _image(medium: Medium) -> Iterator[str]:
    """The image has what belongs to no file, or to files whose chains are not known."""
    there = sum(count for first, after in medium.store.spans()
                for _, count, known in medium.store.known(first, after - first) if known)  # fmt: skip
    cut = sum(node.stop == "not captured" for volume in medium.volumes if volume.files
              for node in volume.files.root.walk())  # fmt: skip
    if not there or (not cut and any(volume.files for volume in medium.volumes)):
        return
    if cut:
        yield f"the FAT is not in the capture, or only in part: of {count_of(cut, 'file')} no more than the beginning"
    held = "the block" if there == 1 else f"the {there:,} blocks"
    yield f"--image FILE writes {held} that the capture holds, each at its place, whatever they belong to"


def _earlier(medium: Medium) -> Iterator[str]:
    """Volumes that were replaced on the way."""
    for volume in medium.former[:MOST]:
        if volume.gone_at > 1:
            what = f"the {volume.kind} volume at LBA {volume.start} was there until exchange {volume.gone_at}"
            yield f"--as-of {volume.gone_at - 1} shows it as it was: {what}"


def _deleted(medium: Medium) -> Iterator[str]:
    """Files that were deleted in the capture, and entries deleted before it."""
    gone = deleted_here(medium)
    for path, number in gone[:MOST]:
        yield f"--as-of {number - 1} still has {path}, deleted in exchange {number}"
    if len(gone) > MOST:
        yield f"and {count_of(len(gone) - MOST, 'more file')} deleted in this capture: see --changes"
    if gone:
        return
    for volume in medium.volumes:
        for found in islice(remains(medium, volume), MOST):
            share = "all of it" if found.captured == found.blocks else f"{found.captured} of its {found.blocks} blocks"
            what = f"{found.path}, {found.size:,} bytes, was deleted earlier"
            where = f"LBA {found.lba}..{found.lba + found.blocks - 1}"
            yield f"{what}; if it lay in one piece, {share} can be had from --image FILE, at {where}"
