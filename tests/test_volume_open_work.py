"""What was under way when a medium vanished or its device was pulled out; and a medium that is gone is not many."""

from __future__ import annotations

import struct
from typing import Any

import pytest

from sticktrace.transport.items import FAILED, MISSING, Sense
from sticktrace.volume.medium import Medium
from sticktrace.volume.open_work import OpenWork, Part, open_work
from test_volume_accounts import in_boot_sector, in_table
from test_volume_files import read_whole
from volume_lab import Lab, sample

NOT_PRESENT, MAY_BE_ANOTHER = (2, 0x3A, 0), (6, 0x28, 0)


def only(lab: Lab) -> Medium:
    """The only medium."""
    (medium,) = lab.tracker.media
    return medium


def work(lab: Lab, as_of: int | None = None) -> OpenWork:
    """What is under way on the only medium."""
    return open_work(only(lab), as_of)


def flush(lab: Lab) -> None:
    """SYNCHRONIZE CACHE(10), SBC-2 5.18."""
    lab.exchange(b"\x35" + bytes(9), b"", "none")


def place(lab: Lab, path: str) -> tuple[int, int]:
    """The first block and the number of blocks of a file that lies in one piece."""
    files = only(lab).volumes[0].files
    assert files is not None
    node = next(node for node in files.root.walk() if node.path == path)
    return files.lba_of(node.entry.first), -(-node.entry.size // 512)


def in_vain(lab: Lab, cdb: bytes, sense: Any) -> None:
    """A command that fails with sense data."""
    tracker, lab.tracker = lab.tracker, Lab().tracker
    made = lab.exchange(cdb, b"", "in" if cdb[0] == 0x28 else "none", status=FAILED, expected=512, residue=512)
    made.sense = Sense(*sense, made.number + 1, made.status_at)
    lab.tracker = tracker
    tracker.feed(made)


@pytest.mark.parametrize("kind", ["fat12", "fat16", "fat32", "exfat"])
def test_a_volume_read_and_let_go_leaves_nothing_open(kind: str) -> None:
    """The near miss of all that follows: everything was read, every file to its end."""
    lab = read_whole(kind)
    assert work(lab).nothing and work(lab).in_use == () and work(lab).flushes == 0


@pytest.mark.parametrize(("kind", "mark"), [("fat12", in_boot_sector), ("exfat", in_boot_sector), ("fat32", in_table)])
def test_a_mark_that_was_not_taken_away(kind: str, mark: Any) -> None:
    lab = read_whole(kind)
    mark(lab, kind, True)
    flush(lab)
    set_at = lab.number - 1
    (found,) = work(lab).in_use
    assert found[0] == "volume" and (found[1].exchange, found[1].written) == (set_at, True)
    mark(lab, kind, False)
    flush(lab)
    assert work(lab).nothing and work(lab, as_of=set_at).in_use == (found,)


def test_writes_that_no_flush_followed_by_what_they_were_for() -> None:
    lab = read_whole("fat16")
    files = only(lab).volumes[0].files
    assert files is not None
    shape = files.shape
    flush(lab)
    lba, _ = place(lab, "/LEVELS/2031-04.CSV")
    root = shape.heap - shape.root_blocks
    folder, _ = place(lab, "/LEVELS")

    def again(block: int, count: int = 1) -> None:
        lab.write(block, bytes(lab.image[block * 512 : (block + count) * 512]))

    again(lba, 2)
    again(lba + 2)
    again(shape.fat)
    again(shape.fat + shape.fat_blocks)
    again(root)
    again(folder)
    at = lab.number
    found = work(lab)
    assert {part: tuple(writes) for part, writes in found.unflushed.items()} == {
        Part.DATA: (2, at - 5, at - 4), Part.FAT: (2, at - 3, at - 2), Part.DIRECTORY: (2, at - 1, at),
    }  # fmt: skip
    assert found.structure_unflushed and found.flushes == 1 and not found.nothing
    assert work(lab, as_of=at - 4).unflushed.keys() == {Part.DATA} and not work(lab, as_of=at - 4).structure_unflushed
    flush(lab)
    assert work(lab).unflushed == {} and work(lab).nothing


def test_a_host_that_never_flushes_says_so() -> None:
    """Many small hosts send no SYNCHRONIZE CACHE at all; whoever weighs this is told."""
    lab = read_whole("fat16")
    lab.write(0, bytes(lab.image[:512]))
    assert work(lab).flushes == 0 and work(lab).unflushed[Part.BOOT].commands == 1


def test_a_command_over_several_parts_counts_in_each() -> None:
    lab = read_whole("fat16")
    files = only(lab).volumes[0].files
    assert files is not None
    first = files.shape.fat + files.shape.fats * files.shape.fat_blocks - 1
    lab.write(first, bytes(lab.image[first * 512 : (first + 2) * 512]))
    assert {part: writes.commands for part, writes in work(lab).unflushed.items()} == {Part.FAT: 1, Part.DIRECTORY: 1}


def test_partition_tables_and_what_is_known_of_no_block() -> None:
    lab = Lab(sample("gpt"))
    lab.capacity()
    lab.read_all()
    lab.write(1, bytes(lab.image[512:1024]))
    lab.write(36000, bytes(512))
    assert work(lab).unflushed.keys() == {Part.DIVISION, Part.OTHER}


def test_a_write_that_broke_off() -> None:
    lab = read_whole("fat16")
    lba, _ = place(lab, "/LEVELS/2031-04.CSV")
    lab.write(lba, bytes(1024), status=MISSING)
    assert work(lab).lost == ((lba, 2, lab.number),) and work(lab, as_of=lab.number - 1).lost == ()
    lab.write(lba, bytes(1024))
    assert work(lab).lost == ()


def test_a_file_half_read() -> None:
    """The first 8 of its blocks, one command after the other; the FAT is looked at in between, as small hosts do."""
    lab = read_whole("fat16")
    path = "/LEVELS/2031-04.CSV"
    lba, blocks = place(lab, path)
    for at in range(4):
        lab.read(lba + 2 * at, 2)
        lab.read(only(lab).volumes[0].files.shape.fat)  # type: ignore[union-attr]
    found = work(lab).reading
    assert found is not None and work(lab).half_read
    assert (found.path, found.begin, found.reach, found.commands) == (path, 0, 4096, 4)
    assert (found.first, found.last) == (lab.number - 7, lab.number - 1)
    lab.read(lba + 8, blocks - 8)
    assert not work(lab).half_read and work(lab).nothing
    lab.read(lba + 4, 2)
    assert not work(lab).half_read, "a look into the middle is not a file being read"


def test_a_file_in_pieces_is_followed_from_piece_to_piece() -> None:
    """The samples' exFAT file has a gap after its first cluster."""
    lab = read_whole("exfat")
    files = only(lab).volumes[0].files
    assert files is not None
    node = next(n for n in files.root.walk() if n.path == "/LEVELS/2031-04.CSV")
    assert len(node.runs) > 1
    for run in node.runs:
        lab.read(files.lba_of(run.cluster), run.count * files.shape.cluster_blocks)
    found = work(lab).reading
    assert found is not None and (found.path, found.begin, found.whole) == (node.path, 0, True)


def test_blocks_read_in_order_are_known_without_a_file_system() -> None:
    """Of a medium whose payload the recorder did not keep, as in the kernel's text form."""
    lab = Lab(bytes(64 * 512))
    lab.capacity()
    for lba in range(8, 40, 8):
        lab.read(lba, 8, captured=32)
    sweep = work(lab).sweep
    assert sweep is not None and (sweep.lba, sweep.reach, sweep.commands) == (8, 40, 4)
    assert (sweep.first, sweep.last) == (2, 5)
    lab.read(0, captured=32)
    assert (work(lab).sweep or (0,))[:3] == (0, 1, 1)


def test_a_file_being_written() -> None:
    lab = read_whole("fat16")
    lba, _ = place(lab, "/LEVELS/2031-04.CSV")
    lab.write(lba, bytes(1024))
    found = work(lab).writing
    assert found is not None and (found.path, found.reach, found.whole) == ("/LEVELS/2031-04.CSV", 1024, False)


# a medium that is gone


READ = struct.pack(">BBIBHB", 0x28, 0, 4, 0, 1, 0)


@pytest.mark.parametrize("first", [bytes(6), READ], ids=["TEST UNIT READY", "READ"])
@pytest.mark.parametrize("sense", [NOT_PRESENT, MAY_BE_ANOTHER])
def test_commands_to_a_medium_that_is_gone_make_no_new_ones(first: bytes, sense: Any) -> None:
    lab = read_whole("fat12")
    in_vain(lab, first, sense)
    at = lab.number
    for _ in range(5):
        in_vain(lab, READ, sense)
    medium = only(lab)
    assert medium.gone_at == at and medium.store.content(4) is not None
    assert [volume.kind for volume in medium.volumes] == ["FAT12"]
    lab.image = sample("fat16")
    lab.read(0)
    assert [(m.number, m.gone_at, m.volumes[0].kind) for m in lab.tracker.media] == [
        (1, at, "FAT12"), (2, 0, "FAT16"),
    ]  # fmt: skip


def test_what_was_open_on_a_medium_that_vanished_stays_known() -> None:
    """The medium is taken out while it is written, and another is put in and read."""
    lab = read_whole("fat16")
    in_boot_sector(lab, "fat16", True)
    set_at = lab.number
    in_vain(lab, bytes(6), NOT_PRESENT)
    lab.image = sample("fat12")
    lab.read_all()
    before, after = lab.tracker.media
    assert [mark.exchange for _, mark in open_work(before).in_use] == [set_at]
    assert open_work(before).unflushed[Part.BOOT] == (1, set_at, set_at) and open_work(after).nothing


def test_a_unit_without_a_medium_has_none() -> None:
    lab = Lab()
    for _ in range(3):
        in_vain(lab, READ, NOT_PRESENT)
    assert lab.tracker.media == []
