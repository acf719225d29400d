"""What was left open when a medium, or its device, was gone."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.text import count_of
from sticktrace.volume.medium import Medium
from sticktrace.volume.open_work import OpenWork, open_work

IN_ORDER = 3
"""READs in a row, one after the other on the medium, that tell of something being read."""


def open_lines(medium: Medium) -> Iterator[str]:
    """One line for a medium that went away, and one for each thing that was under way; none for one that stayed."""
    if medium.gone_at:
        when = f"the medium was gone, or another, in exchange {medium.gone_at}"
    elif medium.unit.stick.detached is not None:
        when = "the device was gone"
    else:
        return
    lines = list(_lines(open_work(medium)))
    yield f"left open when {when}:" if lines else f"nothing was left open when {when}"
    yield from (f"  {line}" for line in lines)


def _lines(work: OpenWork) -> Iterator[str]:
    for title, mark in work.in_use:
        yield f"{title}: marked as in use (exchange {mark.exchange})"
    for part, writes in work.unflushed.items():
        span = f"exchange {writes.first}" if writes.first == writes.last else f"exchanges {writes.first}..{writes.last}"
        since = "after the last SYNCHRONIZE CACHE" if work.flushes else "and no SYNCHRONIZE CACHE at all"
        yield f"{part}: {count_of(writes.commands, 'WRITE')} {since} ({span})"
    for lba, blocks, number in work.lost[:4]:
        yield f"{count_of(blocks, 'block')} from LBA {lba} written or not (exchange {number})"
    if work.half_read and work.reading is not None:
        at = work.reading
        yield f"{at.path}: read up to byte {at.reach:,} of {at.size:,} (exchange {at.last})"
    elif work.sweep is not None and work.sweep.commands >= IN_ORDER:
        sweep = work.sweep
        yield f"READs went on in order, LBA {sweep.lba}..{sweep.reach - 1} (exchanges {sweep.first}..{sweep.last})"
