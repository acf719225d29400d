"""A medium: logical blocks held sparsely, honest or counterfeit."""

from __future__ import annotations

from collections.abc import Mapping


class Medium:
    """``blocks`` blocks of ``block_length`` bytes; those never written read as zeros.

    ``real_blocks`` makes it counterfeit: it claims ``blocks``, but an address beyond the real size lands on
    address modulo real size.
    """

    def __init__(
        self,
        blocks: int,
        block_length: int = 512,
        sectors: Mapping[int, bytes] | None = None,
        real_blocks: int | None = None,
    ) -> None:
        self.blocks, self.block_length, self.real_blocks = blocks, block_length, real_blocks or blocks
        self.sectors: dict[int, bytes] = {}
        for lba, data in (sectors or {}).items():
            self.write(lba, data)

    def read(self, lba: int, count: int = 1) -> bytes:
        """The bytes of ``count`` blocks. The caller has checked the range."""
        empty = bytes(self.block_length)
        return b"".join(self.sectors.get((lba + n) % self.real_blocks, empty) for n in range(count))

    def write(self, lba: int, data: bytes) -> None:
        """Stores whole blocks; a last part block is filled with zeros."""
        size = self.block_length
        for n, at in enumerate(range(0, len(data), size)):
            self.sectors[(lba + n) % self.real_blocks] = data[at : at + size].ljust(size, b"\0")
