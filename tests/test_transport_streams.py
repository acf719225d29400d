"""UAS at SuperSpeed (INCITS 471): streams tell whose data it is, which host captures do not record. The request for
data may be submitted before its command, and be seen to end before that, or after the sense unit."""

from __future__ import annotations

import random
import sys
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from sticktrace.capture.transfer import Transfer
from sticktrace.storage.words import Capacity
from sticktrace.transport.items import Exchange
from sticktrace.transport.remarks import Said
from test_transport_uas import DATA_IN, Units, run
from workshop import wire

sys.path.insert(0, str(Path(__file__).parent / "fuzz"))

from breaking import check_account, opened

COMMANDS = {
    "INQUIRY": (bytes((0x12, 0, 0, 0, 36, 0)), b"I" * 36, 36),
    "VPD of 4": (bytes((0x12, 1, 0, 0, 4, 0)), b"V004", 4),
    "VPD of 10": (bytes((0x12, 1, 0x83, 0, 10, 0)), b"V" * 10, 10),
    "MODE SENSE(6)": (bytes((0x1A, 0, 0x3F, 0, 192, 0)), b"M" * 60, 192),
    "READ CAPACITY(16)": (b"\x9e\x10" + bytes(8) + bytes((0, 0, 0, 32, 0, 0)),
                          bytes.fromhex("00000000003fffff00000200") + bytes(20), 32),
    "READ CAPACITY(10)": (b"\x25" + bytes(9), bytes.fromhex("003fffff00000200"), 8),
    "READ(10)": (wire.read10(0), b"R" * 512, 512),
}  # fmt: skip
"""Command block, data, and what the host asks for; layouts of SPC-3 6.4, 7.6, 6.9, SBC-2 5.10, 5.11, 5.6."""

SUBMITTED = [order for order in permutations("cds") if order[-1] == "c" or order[0] == "c"]
ENDED = ("cds", "csd")


class Host:
    """Queues commands whose three transfers are submitted and end in a given order."""

    def __init__(self) -> None:
        self.bench, self.now = Units(), 0
        self.transfers: list[Transfer] = []
        self.want: list[tuple[Any, ...]] = []

    def send(self, name: str, tag: int, submitted: Any, ended: Any, *, fails: bool = False, gap: int = 300) -> None:
        """One command; ``gap`` is the time until the next may be submitted, from the submission of this one."""
        cdb, data, asked = COMMANDS[name]
        data = b"" if fails else data
        sense = wire.fixed_sense(5, 0x20) if fails else b""
        made = {
            "c": self.bench.command(tag, cdb), "d": self.bench.bulk(DATA_IN, data, asked=asked, status=-104 * fails),
            "s": self.bench.sense(tag, 2 * fails, sense),
        }  # fmt: skip
        for count, letter in enumerate(submitted):
            made[letter].submitted_ns = self.now + count * 100
        for count, letter in enumerate(ended):
            made[letter].completed_ns = self.now + 300 + count * 100
        self.now += 200 + gap
        self.transfers += made.values()
        self.want.append((tag, cdb, data, asked, "failed" if fails else "passed"))

    def got(self) -> list[Exchange]:
        """What comes of it; every record has its place, and none is a stray."""
        items = run(self.bench, sorted(self.transfers, key=lambda t: t.completed_ns))
        assert all(isinstance(item, Exchange) for item in items), items
        return items

    def check(self) -> None:
        """Every command has its own data and outcome, and no doubt is raised."""
        found = self.got()
        assert sorted(map(self.facts, found)) == sorted(self.want)
        for exchange in found:
            assert all(remark.kind is not Said.OWNER_UNSURE for remark in exchange.remarks)

    def facts(self, exchange: Exchange) -> tuple[Any, ...]:
        data = b"".join(self.bench.read(piece.at, piece.captured) for piece in exchange.pieces)
        return exchange.tag, exchange.cdb, data, exchange.expected, str(exchange.status)


@pytest.mark.parametrize("ended", ENDED)
@pytest.mark.parametrize("submitted", SUBMITTED, ids="".join)
@pytest.mark.parametrize("gap", [1, 250, 1000], ids=["queued", "overlapping", "one by one"])
def test_every_order_of_halves(submitted: tuple[str, ...], ended: str, gap: int) -> None:
    for order in (list(COMMANDS), list(COMMANDS)[::-1]):
        host = Host()
        for tag, name in enumerate(order, 1):
            host.send(name, tag, submitted, ended, gap=gap)
        host.check()


@pytest.mark.parametrize("seed", range(40))
def test_commands_at_random_some_of_which_fail(seed: int) -> None:
    """The request for data of a command that fails ends empty, before or after its sense unit. Tags are used again."""
    rng, host = random.Random(seed), Host()
    one_by_one = rng.random() < 0.5
    for count in range(12):
        host.send(
            rng.choice(list(COMMANDS)), count % 3 + 1 if one_by_one else count + 1, rng.choice(SUBMITTED),
            rng.choice(ENDED), fails=rng.random() < 0.3, gap=1000 if one_by_one else rng.choice((50, 250, 450)),
        )  # fmt: skip
    host.check()


@pytest.mark.parametrize("ended", ENDED)
def test_a_refused_long_form_leaves_the_capacity_to_the_short_one(ended: str) -> None:
    host = Host()
    host.send("READ CAPACITY(16)", 1, "dsc", ended, fails=True)
    host.send("READ CAPACITY(10)", 2, "dsc", ended)
    host.check()


def test_two_that_fit_alike_raise_a_doubt() -> None:
    """Two queued at the same moment for the same length: one is taken as the owner, and that is said."""
    bench = Units()
    commands = [bench.command(1, COMMANDS["INQUIRY"][0]), bench.command(2, COMMANDS["INQUIRY"][0], 1)]
    data = bench.bulk(DATA_IN, b"I" * 36, asked=36)
    for transfer in (*commands, data):
        transfer.submitted_ns = 5
    found = run(bench, [*commands, data, bench.sense(1), bench.sense(2)])
    assert any(remark.kind is Said.OWNER_UNSURE for exchange in found for remark in exchange.remarks)


def test_data_that_fits_none_of_several_raises_a_doubt() -> None:
    bench = Units()
    first, second = (bench.command(tag, COMMANDS[name][0]) for tag, name in ((1, "READ(10)"), (2, "READ CAPACITY(10)")))
    data = bench.bulk(DATA_IN, b"V004", asked=4)
    found = run(bench, [first, second, data, bench.sense(1), bench.sense(2)])
    assert any(remark.kind is Said.OWNER_UNSURE for exchange in found for remark in exchange.remarks)


def test_near_miss_a_capacity_is_what_its_own_answer_says() -> None:
    """SBC-2 5.10.2: the last block and the block length; from another command's data they would be nonsense."""
    host = Host()
    for tag, name in enumerate(("INQUIRY", "READ CAPACITY(16)", "READ CAPACITY(10)", "VPD of 4"), 1):
        host.send(name, tag, "dsc", "csd", gap=50)
    for exchange in host.got():
        if exchange.opcode == 0x25:
            found = Capacity.from_data(host.facts(exchange)[2], False)
            assert found is not None and (found.last_lba, found.block_length) == (0x3FFFFF, 512)


# -- the halves themselves, as a host records them -----------------------------------------------------------

ENDS = {1: 0x01, 2: 0x82, 3: 0x83, 4: 0x04}
"""Pipe id -> endpoint (INCITS 471, Pipe Usage descriptor: command, status, data-in, data-out)."""

_CONFIGURATION = bytes.fromhex("09023e000101008032 090400000408066200") + b"".join(
    bytes((7, 5, end, 2, 0, 4, 0, 4, 0x24, pipe, 0)) for pipe, end in ENDS.items()
)
_BEGINNING = f"""\
ffff888000000009 100 S Ci:2:002:0 s 80 06 0200 0000 003e 62 <
ffff888000000009 200 C Ci:2:002:0 0 62 = {_CONFIGURATION.hex()}
ffff888000000009 300 S Co:2:002:0 s 00 09 0001 0000 0000 0
ffff888000000009 400 C Co:2:002:0 0 0
"""

PIPES = {"c": "Bo:2:002:1", "s": "Bi:2:002:2", "d": "Bi:2:002:3"}


def halves(names: list[str], ended: str, *, fails: str = "") -> str:
    """Kernel text of commands one by one: status, data and command submitted in this order, ended in the given one."""
    lines, now = [], 1000

    def say(letter: str, event: str, rest: str) -> None:
        nonlocal now
        now += 10
        lines.append(f"ffff88800000000{'csd'.index(letter)} {now} {event} {PIPES[letter]} {rest}")

    for name in names:
        cdb, data, asked = COMMANDS[name]
        bad = name == fails
        unit = wire.uas_command(1, 0, cdb)
        sense = wire.uas_sense(1, 2 * bad, wire.fixed_sense(5, 0x20) if bad else b"")
        data = b"" if bad else data
        say("s", "S", "-115 112 <")
        say("d", "S", f"-115 {asked} <")
        say("c", "S", f"-115 {len(unit)} = {unit.hex()}")
        for letter in ended:
            rest = {"c": f"0 {len(unit)} >", "s": f"0 {len(sense)} = {sense.hex()}",
                    "d": f"0 {len(data)}" + (f" = {data.hex()}" if data else "")}[letter]  # fmt: skip
            say(letter, "C", rest)
    return _BEGINNING + "\n".join(lines) + "\n"


@pytest.mark.parametrize("ended", list(map("".join, permutations("cds"))))
@pytest.mark.parametrize("fails", ["", "READ CAPACITY(16)", "MODE SENSE(6)"])
def test_halves_that_end_in_any_order(ended: str, fails: str) -> None:
    """Seen: the data ends before its command does. Each command still has its own, and nothing is left over."""
    names = [*COMMANDS, *reversed(COMMANDS)]
    with opened(halves(names, ended, fails=fails).encode()) as capture:
        reading = capture.reading()
        items = list(reading)
        check_account(reading, items)
        exchanges = [item for item in items if isinstance(item, Exchange)]
        found = [(e.cdb, b"".join(map(reading.read, e.pieces)), str(e.status)) for e in exchanges]
        assert found == [
            (COMMANDS[name][0], b"" if name == fails else COMMANDS[name][1], "failed" if name == fails else "passed")
            for name in names
        ]
        assert not any(exchange.remarks for exchange in exchanges)
        assert not reading.not_understood()
