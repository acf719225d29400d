"""The transition table of Bulk-Only Transport: each row cites the clause it rests on, each can be reached, and no
transfer whatever meets a state without a row."""

from __future__ import annotations

import inspect
import random
import re

import pytest

from lanes import BULK_OUT, Bench, Run, Step
from sticktrace.capture.transfer import STALL
from sticktrace.transport import bot, bot_table
from sticktrace.transport.bot_table import AFTER, DATA_IN, DATA_OUT, IDLE, LOST, STATUS, TABLE, UNSURE
from workshop import wire

PROTOCOL = -71
"""A transfer error other than STALL (kernel documentation, "USB error codes")."""


def opening(bench: Bench, state: str) -> list[Step]:
    """Steps that bring a fresh lane into a state."""
    return {
        IDLE: list,
        DATA_IN: lambda: [bench.cbw(1024, "in")],
        DATA_OUT: lambda: [bench.cbw(1024, "out")],
        STATUS: lambda: [bench.cbw(0)],
        LOST: lambda: [bench.out(b"NONE" + bytes(27))],
        UNSURE: lambda: [bench.cbw(1024, "in"), "GAP"],
        AFTER: lambda: ["GAP"],
    }[state]()


def signal(bench: Bench, name: str) -> Step:
    """A transfer or request that is the signal of that name, in any state in which there is a row for it."""
    return {
        "CBW IN": lambda: bench.cbw(512, "in", tag=2),
        "CBW OUT": lambda: bench.cbw(512, "out", tag=2),
        "CBW NONE": lambda: bench.cbw(0, tag=2),
        "BAD CBW": lambda: bench.out(b"ODDS" + bytes(27)),
        "IN": lambda: bench.come(bytes(512)),
        "IN LAST": lambda: bench.come(bytes(1024)),
        "OUT": lambda: bench.out(bytes(512)),
        "OUT LAST": lambda: bench.out(bytes(1024)),
        "CSW": lambda: bench.csw(tag=0 if bench.lost else 1),
        "OTHER CSW": lambda: bench.csw(tag=99),
        "BAD CSW": lambda: bench.come(bytes(12)),
        "EMPTY": lambda: bench.come(b"", asked=13),
        "STALL IN": lambda: bench.stall(),
        "STALL OUT": lambda: bench.stall(BULK_OUT),
        "WAITING": lambda: bench.waiting(),
        "ERROR IN": lambda: bench.come(asked=512, status=PROTOCOL),
        "ERROR OUT": lambda: bench.out(asked=512, status=PROTOCOL),
    }.get(name, lambda: name)()


class Named(Bench):
    """A bench that knows whether the open command is the invalid one, whose tag is 0."""

    lost = False


@pytest.mark.parametrize(("state", "name"), TABLE, ids=lambda part: part.replace(" ", "-"))
def test_every_row_can_be_reached_and_leads_where_it_says(
    state: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The row alone is given an action that tells of it, so that no other row can stand in for it."""
    action, following = TABLE[state, name]
    bench, called = Named(), []
    bench.lost = state == LOST
    kept = bot._ACTIONS[action]
    early = bot._STEPS[state, name][2]
    told = lambda lane, transfer: (called.append(name), kept(lane, transfer))  # noqa: E731
    monkeypatch.setitem(bot._STEPS, (state, name), (told, following, early))
    run = Run(bench, opening(bench, state), end=False)
    assert run.lane.state == state
    called.clear()
    run.step(signal(bench, name))
    assert run.lane.state == following
    assert called == [name]


def rows_as_written() -> list[str]:
    """The lines of the table in the source."""
    table = inspect.getsource(bot_table).partition("TABLE: ")[2].partition("\n}")[0]
    return [line for line in table.splitlines() if '"): ("' in line]


def test_every_row_cites_its_clause() -> None:
    """Errors of the bus have no clause in BOT 1.0; everything else has one, or says that it is common practice."""
    rows = rows_as_written()
    assert len(rows) > 50
    for row in rows:
        comment = row.partition("#")[2]
        assert re.search(r"\b[3-6]\.\d|common practice|error of the bus", comment), row


def test_actions_are_those_that_the_table_names() -> None:
    named = {action for action, _ in TABLE.values()}
    assert named == set(bot._ACTIONS)


def test_states_are_those_that_the_table_leads_to() -> None:
    states = {IDLE, DATA_IN, DATA_OUT, STATUS, LOST, UNSURE, AFTER}
    assert {state for state, _ in TABLE} == states
    assert {following for _, following in TABLE.values()} == states


def any_step(bench: Bench, rng: random.Random) -> Step:
    """A transfer or request of any kind."""
    name = rng.choice([name for _, name in TABLE])
    if name in ("CLEARED IN", "CLEARED OUT", "RESET", "GAP"):
        return name
    if rng.random() < 0.5:
        return signal(bench, name)
    data = rng.choice((b"", b"U", b"USBC", wire.cbw(1, 512, 0x80, 0, wire.read10(0)), wire.csw(1), bytes(13), bytes(31),
                       bytes(512), wire.csw(1)[:12], wire.cbw(1, 0, 0, 0, bytes(6)) + b"\0"))  # fmt: skip
    return bench.bulk(
        rng.choice((0x81, 0x02)), data, asked=rng.choice((-1, 13, 31, 512)),
        status=rng.choice((0, 0, 0, STALL, -121, PROTOCOL, -2, None)),
        captured=rng.choice((None, None, 0, 4, 12, 15, 30)),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(40))
def test_nothing_whatever_meets_a_state_without_a_row(seed: int) -> None:
    """Three hundred steps of any kind: no error, every record in one place, every byte moved in one piece."""
    rng, bench = random.Random(seed), Named()
    steps = [any_step(bench, rng) for _ in range(300)]
    run = Run(bench, steps)
    seen = [number for item in run.items for number in item.records]
    assert sorted(seen) == list(range(1, bench.records + 1))
    assert [exchange.number for exchange in run.exchanges] == list(range(1, len(run.exchanges) + 1))
    for exchange in run.exchanges:
        assert exchange.moved == sum(piece.actual for piece in exchange.pieces)
    assert run.lane.state in (IDLE, AFTER)
