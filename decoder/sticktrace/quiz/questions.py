"""What can be asked of an exchange, and what is right. Bulk-Only only, and only of what the capture shows whole.

Each question has fields; each field its right value, the clause where it stands, and why it is so.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from sticktrace.codes import asc, sense_keys
from sticktrace.storage.sense import advice, in_words
from sticktrace.transport.cases import CASES
from sticktrace.transport.items import FAILED, PASSED, PHASE_ERROR, Exchange, Sense, Transport

STATUSES = {PASSED: 0, FAILED: 1, PHASE_ERROR: 2}
"""bCSWStatus, BOT 1.0 Table 5.3."""

SIGNATURE = 0x53425355
"""dCSWSignature, BOT 1.0 5.2."""


class Kind(StrEnum):
    """What is asked for."""

    STATUS = "the CSW"
    NEXT = "the next step of the host"
    SENSE = "the sense"


class Field(NamedTuple):
    """One value that an answer may give. ``right`` None: any value will do."""

    name: str
    right: int | None
    shown: str
    clause: str
    why: str


class Question(NamedTuple):
    """One thing asked of an exchange."""

    kind: Kind
    fields: tuple[Field, ...]


REQUEST_SENSE, RESET_RECOVERY, GO_ON, CLEAR = range(4)
"""Steps that a host may take next."""


def questions(exchange: Exchange) -> Iterator[Question]:
    """The questions of an exchange in the order of the bus; none where the capture does not hold the answer."""
    if exchange.transport is not Transport.BOT or exchange.status not in STATUSES:
        return
    whole = exchange.command_at.captured == 31 and exchange.status_at.captured == 13
    if not whole or exchange.not_printed or exchange.residue is None:
        return
    yield Question(Kind.STATUS, _status(exchange))
    if exchange.status is PHASE_ERROR:
        why = "after a phase error both sides have lost their place: class reset, then clear both bulk endpoints"
        yield Question(Kind.NEXT, (Field("next step", RESET_RECOVERY, "reset recovery", "BOT 1.0 5.3.3.1", why),))
    elif exchange.status is FAILED:
        why = "status 01 says that it failed; why, the stick keeps until the host fetches it"
        yield Question(Kind.NEXT, (Field("next step", REQUEST_SENSE, "REQUEST SENSE", "SPC-3 6.27", why),))
        if exchange.sense is not None:
            yield Question(Kind.SENSE, _sense(exchange.sense))


def _status(exchange: Exchange) -> tuple[Field, ...]:
    code, residue = STATUSES[exchange.status], exchange.residue or 0
    case = f"case {exchange.case}, {CASES[exchange.case]}" if exchange.case else "as this capture shows it"
    why = "it was not carried out, or not to its end; the sense says why" if exchange.status is FAILED else case
    counted = f"{exchange.expected:,} bytes expected, {max(0, exchange.expected - residue):,} count"
    ignored = exchange.status is PHASE_ERROR
    return (
        Field("dCSWSignature", SIGNATURE, "55 53 42 53", "BOT 1.0 5.2", '"USBS", by which a CSW is known'),
        Field("dCSWTag", exchange.tag, f"{exchange.tag:08X}h", "BOT 1.0 5.2", "the tag of the CBW comes back"),
        Field("dCSWDataResidue", None if ignored else residue, f"{residue} ({residue:X}h)", "BOT 1.0 5.2",
              "to be ignored after a phase error" if ignored else counted),
        Field("bCSWStatus", code, f"{code:02X}h, {exchange.status}", "BOT 1.0 5.2 Table 5.3", why),
    )  # fmt: skip


def _sense(sense: Sense) -> tuple[Field, ...]:
    key, code, qualifier = sense.key, sense.asc, sense.ascq
    words, why = in_words(key, code, qualifier), advice(key, code, qualifier)
    told = asc.meaning(code, qualifier)
    return (
        Field("SENSE KEY", key, f"{key:X}h, {sense_keys.name(key)}", "SPC-3 4.5.6 Table 27", why or words),
        Field("ADDITIONAL SENSE CODE", code, f"{code:02X}h", "SPC-3 4.5.6 Table 28", told),
        Field("ADDITIONAL SENSE CODE QUALIFIER", qualifier, f"{qualifier:02X}h", "SPC-3 4.5.6 Table 28", told),
    )
