"""Where the entries come from: every table that sticktrace itself goes by, and the terms in ``terms.toml``."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sticktrace.words.entry import Entry, Kind

if TYPE_CHECKING:
    from sticktrace.grammar.layout import Layout

_SENSE = re.compile(r"(?:([0-9A-Fa-f])h?/)?([0-9A-Fa-f]{1,2})h?/([0-9A-Fa-f]{1,2})h?")


def _terms() -> Iterator[Entry]:
    rows = tomllib.loads(Path(__file__).with_name("terms.toml").read_text(encoding="utf-8"))
    for name, row in rows.items():
        text = " ".join(row.get("text", "").split())
        also = tuple(row.get("also", ()))
        yield Entry(Kind.TERM, name, row["says"], row.get("clause", ""), also, partial(_text, text) if text else _none)


def _none() -> tuple[str, ...]:
    return ()


def _text(*paragraphs: str) -> tuple[str, ...]:
    return tuple(paragraph for paragraph in paragraphs if paragraph)


def _stages() -> Iterator[Entry]:
    from sticktrace.findings.catalogue import patterns
    from sticktrace.sticks.stages import WHAT, Stage

    def more(stage: Stage) -> tuple[str, ...]:
        found = [pattern.slug for pattern, layer in patterns().values() if layer == stage.value]
        before = list(Stage).index(stage)
        order = f"It comes after {list(Stage)[before - 1].value}." if before else "It is the first of the stages."
        return _text(order, f"What can go wrong here: {', '.join(found)}." if found else "")

    for stage in Stage:
        yield Entry(Kind.STAGE, stage.value, f"a stage of bring-up, reached with: {WHAT[stage]}",
                    more=partial(more, stage))  # fmt: skip


def _findings() -> Iterator[Entry]:
    from sticktrace.findings.catalogue import patterns
    from sticktrace.output.diagnosis_text import pattern_lines
    from sticktrace.output.listing import plain

    def more(slug: str) -> tuple[str, ...]:
        return tuple(pattern_lines(*patterns()[slug], plain))[1:]

    for pattern, _ in patterns().values():
        says = f"{pattern.severity}: {pattern.title}"
        yield Entry(Kind.FINDING, pattern.slug, says, pattern.clause, (pattern.title,), partial(more, pattern.slug))


def _outcomes() -> Iterator[Entry]:
    from sticktrace.output.listing import MARKS

    rows = tomllib.loads(Path(__file__).with_name("outcomes.toml").read_text(encoding="utf-8"))
    for status, shown in MARKS.items():
        row = rows[status.value]
        yield Entry(Kind.OUTCOME, shown, row["says"], row["clause"], (status.value,), partial(_text, row["text"]))


def _sense_keys() -> Iterator[Entry]:
    from sticktrace.codes import sense_keys
    from sticktrace.storage.sense import advice

    for key, name in sense_keys.NAMES.items():
        says = sense_keys.MEANINGS.get(key, "not used any more")
        tried = partial(lambda key: _text(f"try: {advice(key, 0, 0)}"), key)
        yield Entry(Kind.SENSE_KEY, name, says, "SPC-3 4.5.6", (f"{key:X}h", f"sense key {key:X}"), tried)


def _sense_codes() -> Iterator[Entry]:
    from sticktrace.codes import asc

    for (code, qualifier), words in asc.table().items():
        number = f"{code:02X}/{qualifier:02X}" if qualifier >= 0 else f"{code:02X}/NN"
        yield Entry(Kind.SENSE_CODE, number, words, "T10's list of ASC and ASCQ, SPC-3 4.5.6",
                    (words, f"{code:02X}h/{qualifier:02X}h"), partial(_keys_with, code, qualifier))  # fmt: skip


def _keys_with(code: int, qualifier: int) -> tuple[str, ...]:
    """What to do about a code, for each sense key that it usually comes with."""
    from sticktrace.codes import asc, sense_keys
    from sticktrace.storage.sense import advice

    keys = [key for key, codes in asc.USUAL.items() if code in codes]
    return tuple(f"with {sense_keys.name(key)} ({key:X}/{code:02X}/{max(0, qualifier):02X}): "
                 f"{advice(key, code, max(0, qualifier))}" for key in keys)  # fmt: skip


def _statuses() -> Iterator[Entry]:
    from sticktrace.codes.status import ENDINGS

    for number, ending in ENDINGS.items():
        name = f"{number} {ending.name}" if number else "0 OK"
        also = (str(number), ending.name, f"status {number}")
        yield Entry(Kind.STATUS, name, f"how a transfer ended: {ending.text}", 'kernel documentation "USB Error codes"',
                    also, partial(_text, f"For a stick it usually means: {ending.usually}."))  # fmt: skip


def _commands() -> Iterator[Entry]:
    from sticktrace.grammar.vocabulary import COMMANDS

    for command in COMMANDS:
        also = (f"{command.opcode:02X}h", f"opcode {command.opcode:02X}", f"0x{command.opcode:02X}",
                re.sub(r"\(\d+\)", "", command.name))  # fmt: skip
        what = f"{command.medium}s blocks of the medium" if command.medium else "a command of the storage layer"
        yield Entry(Kind.COMMAND, command.name, f"{what}; operation code {command.opcode:02X}h", command.clause, also,
                    partial(_fields, command.cdb))  # fmt: skip


def _fields(block: Layout) -> tuple[str, ...]:
    rows = [row for row in block.outline() if not row.name.startswith("reserved")]
    return _text(*(f"{row.name}: {row.text}" for row in rows if row.text))


def _requests() -> Iterator[Entry]:
    from sticktrace.codes import usb_requests as requests

    tables = (("standard", requests.STANDARD_REQUESTS), ("mass storage class", requests.MASS_STORAGE_REQUESTS))
    for kind, table in tables:
        for number, known in table.items():
            says = f"a {kind} request on the control endpoint, bRequest {number:02X}h"
            yield Entry(Kind.REQUEST, known.name, says, known.clause, (known.name.replace("_", " "),))
    for known in requests.HUB_REQUESTS.values():
        yield Entry(Kind.REQUEST, known.name, "a request to a hub on its control endpoint", known.clause)


def _selection_words() -> Iterator[Entry]:
    from sticktrace.output.selection import KEYS, USE

    for key in KEYS:
        yield Entry(Kind.SELECTION, f"{key}:", f"chooses exchanges: {USE[key]}", also=(key,))


def _log_lines() -> Iterator[Entry]:
    from sticktrace.capture.logs.patterns import table

    def more(name: str) -> tuple[str, ...]:
        row = next(row for row in table().patterns if row.id == name)
        return _text(*(f"looks like: {form.text}" for form in row.forms), f"example: {row.examples[0]}",
                     f"source of the wording: {row.source}")  # fmt: skip

    for row in table().patterns:
        yield Entry(Kind.LOG_LINE, row.id, f"a line of a log: {row.says}", more=partial(more, row.id))


SOURCES: tuple[Callable[[], Iterator[Entry]], ...] = (
    _terms, _stages, _findings, _outcomes, _sense_keys, _sense_codes, _statuses, _commands, _requests,
    _selection_words, _log_lines,
)  # fmt: skip


def composed(word: str) -> list[Entry]:
    """Entries for words that no table lists one by one: key/ASC/ASCQ, codes of vendors and ranges."""
    from sticktrace.codes import asc, sense_keys
    from sticktrace.storage.sense import advice

    match = _SENSE.fullmatch(word)
    if match is None:
        return []
    code, qualifier = int(match[2], 16), int(match[3], 16)
    meaning = asc.meaning(code, qualifier)
    if match[1] is None:
        return [Entry(Kind.SENSE_CODE, f"{code:02X}/{qualifier:02X}", meaning, "SPC-3 4.5.6",
                      more=partial(_keys_with, code, qualifier))]  # fmt: skip
    key = int(match[1], 16)
    name = f"{key:X}/{code:02X}/{qualifier:02X}"
    says = f"{sense_keys.name(key)}: {meaning}"
    means = f"{sense_keys.name(key)}: {sense_keys.MEANINGS.get(key, 'not used any more')}."
    return [Entry(Kind.SENSE_CODE, name, says, "SPC-3 4.5.6 and T10's list of ASC and ASCQ",
                  more=partial(_text, means, f"try: {advice(key, code, qualifier)}"))]  # fmt: skip
