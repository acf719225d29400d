"""The sector store gives back what the capture proves, and nothing else."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.transport.items import FAILED, MISSING
from sticktrace.volume import extents
from sticktrace.volume.recover import write_image
from sticktrace.volume.store import SectorStore
from volume_lab import Lab


def store_of(lab: Lab) -> SectorStore:
    """The store of the only medium."""
    (medium,) = lab.tracker.media
    return medium.store


def block(fill: int) -> bytes:
    """512 bytes of one value."""
    return bytes([fill]) * 512


def test_history_gives_the_content_as_of_any_exchange() -> None:
    lab = Lab(bytes(4096))
    lab.write(3, block(1))
    lab.write(3, block(2))
    lab.read(3)
    store = store_of(lab)
    assert store.content(3, as_of=1) == block(1)
    assert store.content(3, as_of=2) == store.content(3) == block(2)
    assert store.content(3, as_of=0) is None and store.content(2) is None


def test_block_length_is_reported_or_deduced_and_said_so() -> None:
    lab = Lab(bytes(1 << 16), length=4096)
    lab.read(1, 2)
    assert store_of(lab).block_length == 4096
    assert "deduced from the data of exchange 1" in store_of(lab).block_length_from
    lab = Lab(bytes(1 << 16), length=2048)
    lab.capacity()
    assert store_of(lab).block_length == 2048 and store_of(lab).last_lba == 31
    assert store_of(lab).block_length_from == "READ CAPACITY in exchange 1"


def test_residue_takes_bytes_back() -> None:
    """BOT 1.0 5.2: the residue is what was expected less what counts. Here the host announced twice what the command
    asks for, and the device filled it all."""
    lab = Lab(bytes(range(256)) * 16)
    lab.capacity()
    lab.exchange(b"\x28" + bytes(7) + b"\x04\0", bytes(lab.image), "in", residue=3072)
    assert [store_of(lab).content(n) is not None for n in range(4)] == [True, True, False, False]
    lab.read(4, 2, status=FAILED, residue=1024)
    assert store_of(lab).content(4) is None


@pytest.mark.parametrize("how", [{"status": FAILED}, {"status": MISSING}, {"residue": 1024, "expected": 1024}])
def test_a_write_in_doubt_makes_the_block_unknown(how: dict[str, object]) -> None:
    lab = Lab(bytes(4096))
    lab.write(1, block(7))
    lab.write(1, block(8), **how)
    assert store_of(lab).content(1) is None
    lab.read(1)
    assert store_of(lab).content(1) is not None


def test_a_truncated_record_marks_only_its_missing_blocks() -> None:
    lab = Lab(bytes(range(256)) * 16)
    lab.read(0, 4, captured=1300)
    store = store_of(lab)
    assert [store.content(n) is not None for n in range(4)] == [True, True, False, False]
    lab.write(0, block(9) * 4, captured=600)
    assert [store.content(n) is not None for n in range(4)] == [True, False, False, False]
    assert store.content(1, as_of=1) == lab.payload[512:1024]


def test_data_in_many_transfers_is_joined() -> None:
    """Trap: firmware hosts split a data phase, UHCI ones into 64-byte pieces."""
    image = bytes(n * 7 % 256 for n in range(2048))
    lab = Lab(image)
    lab.read(0, 4, cuts=tuple(range(64, 2048, 64)))
    assert b"".join(store_of(lab).content(n) or b"" for n in range(4)) == image
    lab.read(0, 4, cuts=tuple(range(100, 2048, 100)), captured=90)
    assert store_of(lab).content(2) == image[1024:1536], "a read that was cut leaves what is known"


def test_unmap_makes_blocks_unknown() -> None:
    """SBC-3 5.28: descriptors of 16 bytes follow a header of 8."""
    lab = Lab(bytes(8192))
    lab.write(4, block(1) * 4)
    ranges = (5).to_bytes(8, "big") + (2).to_bytes(4, "big") + bytes(4)
    lab.exchange(b"\x42" + bytes(6) + b"\0\x18\0", bytes(8) + ranges, "out")
    assert [store_of(lab).content(n) is not None for n in range(4, 8)] == [True, False, False, True]


def test_far_addresses_cost_nothing() -> None:
    lab = Lab(bytes(512))
    lab.capacity(1 << 32)
    lab.read(0xFFFFFFFE)
    store = store_of(lab)
    stretches = list(store.read_range(0, 1 << 32))
    assert [(s.lba, s.blocks, s.data is None) for s in stretches] == [
        (0, 0xFFFFFFFE, True), (0xFFFFFFFE, 1, False), (0xFFFFFFFF, 1, True),
    ]  # fmt: skip
    assert store.content(1 << 64) is None and store.content(-1) is None


commands = st.lists(
    st.tuples(st.booleans(), st.integers(0, 20), st.integers(1, 8), st.integers(0, 3), st.integers(0, 255)), max_size=40
)


@settings(max_examples=60, deadline=None)
@given(commands, st.integers(1, 6))
def test_store_agrees_with_a_plain_model(steps: list[tuple[bool, int, int, int, int]], tail: int) -> None:
    """Against the plainest thing that could work: a dictionary of blocks, replayed; with segments of any size."""
    lab, model = Lab(bytes(32 * 512)), dict[int, bytes]()
    before, extents.TAIL = extents.TAIL, tail
    try:
        for write, lba, count, state, fill in steps:
            data = b"".join(block((fill + n) % 256) for n in range(count))
            status = FAILED if state == 1 else "passed"
            captured = 512 * (count // 2) if state == 2 else None
            if write:
                lab.write(lba, data, status=status, captured=captured)
            else:
                lab.read(lba, count, status=status, captured=captured)
            for n in range(count):
                kept = status == "passed" and (captured is None or n < count // 2)
                if kept:
                    model[lba + n] = bytes(lab.image[(lba + n) * 512 : (lba + n + 1) * 512])
                elif write:
                    model.pop(lba + n, None)
            if lab.tracker.media:
                store = store_of(lab)
                assert store.content(lba) == model.get(lba)
        if steps:
            got = {}
            for stretch in store_of(lab).read_range(0, 40):
                for n in range(stretch.blocks if stretch.data is not None else 0):
                    got[stretch.lba + n] = (stretch.data or b"")[n * 512 : (n + 1) * 512]
            assert got == model
            told = store_of(lab).known(0, 40)
            assert {lba + n for lba, blocks, there in told if there for n in range(blocks)} == set(model)
    finally:
        extents.TAIL = before


def test_image_is_sparse_and_says_what_it_holds() -> None:
    lab = Lab(bytes(range(256)) * 64)
    lab.capacity()
    lab.read(2, 2)
    lab.write(10, block(5), status=FAILED)
    (medium,) = lab.tracker.media
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stick.img"
        ranges = write_image(medium, path)
        assert [(r.first, r.last, r.state) for r in ranges] == [(2, 3, "captured"), (10, 10, "unknown")]
        assert path.read_bytes() == bytes(1024) + bytes(lab.image[1024:2048])
        assert (Path(folder) / "stick.img.map").read_text().splitlines()[2:] == ["2\t3\tcaptured", "10\t10\tunknown"]
