"""Hex text: storage traffic as a firmware printed it on its console, or as someone pasted it (docs/hex-text.md).

Lines are taken apart by `hex_lines`, wrappers printed field by field are put together by `hex_fields`. Here lines
become blocks and blocks become transfers. Blocks without a direction are told apart by the signatures and lengths of
the wrappers (BOT 1.0, 5.1 and 5.2); what lies between a CBW and its CSW is that command's data.
"""

from __future__ import annotations

import re
import struct
from collections import Counter
from collections.abc import Iterator
from itertools import chain
from typing import Any

from sticktrace.capture.apart import kernels_own
from sticktrace.capture.damage_log import DamageLog
from sticktrace.capture.hex_blocks import Block, BlockBuilder
from sticktrace.capture.hex_build import CBW, CSW, SENSE, SETUP, Printed
from sticktrace.capture.hex_ends import Ends
from sticktrace.capture.hex_fields import FieldCollector
from sticktrace.capture.hex_lines import CBW_SIGNATURE, CSW_SIGNATURE, LONGEST_LINE, LOOSE, PLAIN, Line, read_lines
from sticktrace.capture.hex_marks import LineMarks
from sticktrace.capture.hex_places import printed_place
from sticktrace.capture.hex_runs import find_hex
from sticktrace.capture.hex_speech import TURNS, Speech, speaks_of_units
from sticktrace.capture.hex_status import said_in
from sticktrace.capture.hex_times import take_time
from sticktrace.capture.hex_wire import Wire
from sticktrace.capture.hex_words import WordLines
from sticktrace.capture.line_patterns import STANDARD, LinePatterns
from sticktrace.capture.logs import Statement
from sticktrace.capture.payload import Deposit, Payload
from sticktrace.capture.reader import SAID, Damage, Reader
from sticktrace.capture.text_lines import TextLines, legible
from sticktrace.capture.transfer import Transfer
from sticktrace.capture.wording import Saying
from sticktrace.text import count_of

Told = Transfer | Statement
"""What the reader yields: transfers, and what the text says in words."""

CHATTER = "console lines without data"
GARBLED = "lines that did not come whole"
INCOMPLETE = "wrappers printed without all their fields"
_DAY_NS = 86_400 * 1_000_000_000
_WRAP_NS = (1 << 32) * 1_000
_BACK_NS = 1_000_000_000
_FIELDS_LIMIT = 1000
_BLOCK_SIZES = (6, 10, 12, 16)  # SPC-3 4.3.4.1
_SETUP_MASKS = (0xFF, 0xFF, 0xFFFF, 0xFFFF, 0xFFFF)
_COARSEST, _NO_CLOCK = 1_000_000_000, 1 << 62
"""A printed clock is taken to tick as coarsely as all its times so far allow."""

_SIGNATURES = (CBW_SIGNATURE, CSW_SIGNATURE)
_MORE = re.compile(
    r"\b(\d{1,6}) (?:more )?bytes? (?:more )?(?:are |were )?(?:not (?:shown|printed)|omitted|left out)", re.I
)
_LOST = re.compile(r"lost (\d{1,10}) transfers?$", re.ASCII)
_COMMAND_BLOCK = re.compile(r"\b(?:cb|cdb|cbwcb|cmd|command)\W*$", re.I | re.ASCII)


def looks_like(data: bytes, patterns: LinePatterns = STANDARD) -> int:
    """How surely the first 64 KiB are hex text: 2 with at least one wrapper, setup packet or block of eight directed
    bytes, 1 where sense alone is told, 0 for anything else."""
    sample = legible(data[: 64 << 10], foreign=False)
    if not sample:
        return 0
    reader = HexTextReader(sample, patterns)
    for _ in reader.transfers():
        if reader.convincing:
            return 2
    for _ in reader.finish():
        pass
    return 2 if reader.convincing else int(reader.told_sense)


def has_wrapper(data: bytes, patterns: LinePatterns = STANDARD) -> bool:
    """Whether the first 64 KiB hold a CBW with its tag, in whatever form: nothing but storage traffic has that."""
    reader = HexTextReader(data[: 64 << 10], patterns)
    return any(reader.wrapped for _ in chain(reader.transfers(), reader.finish()))


class HexTextReader(Reader):
    """Reads hex text. A record is a block of bytes, or a line that holds none of use (counted in ``skipped``).

    ``assumed`` lists in words what the text does not say and was taken for granted; ``timed`` is whether it has
    times; ``data_printed`` whether a data phase was shown at all, be it an empty one.
    """

    form = "hex text"
    speaks = is_text = True

    def __init__(
        self, data: Any, patterns: LinePatterns = STANDARD, store: Payload | None = None, apart: bool = False
    ) -> None:
        """``apart``: what a kernel says in it is a log of its own (`sticktrace.capture.apart`), and left to that."""
        super().__init__(data)
        self.log_apart = apart
        self._is_kernels = kernels_own(patterns.logs) if apart else None
        self._kernels = 0
        self.deposit = Deposit(store)
        self._cut = False
        self.origin_ns = 0
        self._log = DamageLog()
        self.damage: list[Damage] = self._log
        self.timed = False
        self.tick_ns = _NO_CLOCK
        self._wire = Wire(self)
        self._ends = Ends(self._wire)
        self._table = patterns.words
        self.payload = self.deposit
        self._blocks = BlockBuilder()
        self._fields = FieldCollector(self._table.names)
        self._lines = TextLines(LONGEST_LINE, self._log)
        self._words_of = WordLines()
        self._speech = Speech(self.unread.see, patterns)
        self._raw = ""
        self._unread = 0
        self._base_ns: int | None = None
        self._raw_ns = 0
        self._incomplete = 0
        self._number = 0
        self._marks = LineMarks()

    @property
    def position(self) -> int:
        return self._lines.position

    @property
    def assumed(self) -> list[str]:
        """What was taken for granted, one sentence each."""
        found = list(self._wire.assumed)
        if self.records and not self.timed:
            found.append("no times are printed: all times are 0")
        if self._wire.data_expected and not self.data_printed:
            found.append("data phases are not printed: what the commands moved is not in this capture")
        if self._cut:
            found.append("the text ends within a wrapper: how that command went is not in this capture")
        return found

    @property
    def places(self) -> Counter[str]:
        return Counter({SAID: self._kernels} if self._kernels else {})

    @property
    def lines_of_words(self) -> int:
        """Lines that hold no bytes, understood or not."""
        return self.skipped[CHATTER] + self._speech.understood

    @property
    def data_printed(self) -> bool:
        """Whether the text shows data phases at all; if not, their absence says nothing about the bus."""
        return self._wire.data_printed

    @property
    def convincing(self) -> bool:
        """Whether something has been seen that chance text does not hold."""
        return self._wire.convincing

    @property
    def wrapped(self) -> bool:
        """Whether a CBW was seen."""
        return self._wire.wrapped

    @property
    def told_sense(self) -> bool:
        """Whether sense was told of whose REQUEST SENSE was not."""
        return self._wire.told_sense

    def transfers(self) -> Iterator[Told]:
        for text in self._lines.whole(self.data):
            yield from self._line(text)

    def settle(self) -> Iterator[Told]:
        return self._heard(self._speech.finish())

    def finish(self) -> Iterator[Told]:
        self.deposit.end(len(self.data))
        for text in self._lines.rest(self.data):
            yield from self._line(text)
        yield from self._heard(self._speech.flush())
        before = self._incomplete
        yield from self._end_fields()
        self._cut = self._incomplete > before
        yield from self._end_block()
        yield from self._drop_heading()
        yield from self._ends.end()
        if self._marks.broken:
            yield from self._gap(1, "the last line of the transfer log did not come whole")
        yield from self._wire.end()
        yield from self._heard(self._speech.finish())

    def skip(self, reason: str) -> None:
        """Counts a record that belongs to no transfer."""
        self.records += 1
        self.skipped[reason] += 1

    def warn(self, what: str) -> None:
        """Names damage on the line at hand."""
        self._log.report(f"line {self._number}", what)

    def _line(self, text: str) -> Iterator[Told]:
        self._number += 1
        if not text.strip():
            if self._blocks.ends_at_blank():
                yield from self._end_block()
            return
        whole, missing = self._marks.take(text)
        if missing:
            yield from self._gap(missing, f"{count_of(missing, 'line')} before this one did not come whole or at all")
        if not whole:
            self.skip(GARBLED)
        elif whole != text:
            for line in read_lines(whole):
                yield from self._read(line)
        else:
            yield from self._unmarked(text)

    def _unmarked(self, text: str) -> Iterator[Told]:
        """A line that is not known to be the transfer log's."""
        self._raw = text
        if speaks_of_units(text):
            self._time_of(text)
            yield from self._chatter()
            return
        text = self._words_of.plain(text)
        place = printed_place(text) if "[" in text else None
        if place is not None:
            self._wire.places.see(place[0], place[1] if len(place) > 1 else -1)
        saying = self._table.read(text)
        if saying is not None and not self._declined(saying, text):
            yield from self._said(saying, text, place)
            return
        for line in read_lines(text):
            if place is not None and line.address is None and place[1] >= 0:
                line.bus, line.address = place[0], place[1]
            yield from self._read(line)

    def _declined(self, saying: Saying, text: str) -> bool:
        """A command block that stands among the fields of its wrapper is taken with them."""
        if saying.means != "command" or saying.get("cdb") is None:
            return False
        named = self._wire.dialogue.named
        return bool(self._fields.kind or self._fields.spelt_out(text[:_FIELDS_LIMIT], CBW)) or (
            len(named) == 1 and named != saying.values["cdb"][:1]
        )

    def _said(self, saying: Saying, text: str, place: tuple[int, ...] | None) -> Iterator[Told]:
        """A line that a pattern of the table reads."""
        self._time_of(text)
        yield from self._heard(self._speech.flush())
        if saying.means == "fields":
            yield from self._fields_said(saying)
            return
        yield from self._end_fields()
        yield from self._end_block()
        yield from self._drop_heading()
        block = self._block_of(saying, place)
        if saying.means == "ended":
            yield from self._ends.ended(block)
        elif saying.means == "submitted":
            yield from self._ends.submitted(block)
        elif saying.means == "request":
            yield from self._requested(saying, block)
        elif saying.means == "data":
            self._blocks.announced = block
        elif saying.means == "moved":
            block.status = said_in(f"status {saying.get('code') or 0}").status
            block.length = saying.get("moved")
            yield from self._ends.moved(block)
        elif saying.means == "answer":
            yield from self._answered(saying, block)
        elif saying.means == "command":
            yield from self._named(saying)
        elif saying.means == "sense":
            data = saying.values["bytes"]
            self._fields.ready.append(Printed(SENSE, data, len(data)))
            yield from self._built()
        else:
            self.skip(CHATTER)

    def _fields_said(self, saying: Saying) -> Iterator[Transfer]:
        """Fields of a wrapper or of sense, in a form that a pattern reads. A CBW whose command block was printed above
        it is whole; the block of another may follow."""
        yield from self._end_block()
        yield from self._drop_heading()
        kind, fields = saying.wording.of, self._fields
        known = set(self._table.names[kind].values())
        values = {name: value for name, value in saying.values.items() if name in known}
        fields.take(kind, values)
        if kind != CBW or self._wire.dialogue.named:
            fields.end()
        yield from self._built()

    def _named(self, saying: Saying) -> Iterator[Transfer]:
        """A command by its name or by its bytes, apart from any wrapper."""
        self.skip(CHATTER)
        dialogue, block = self._wire.dialogue, saying.get("cdb")
        if dialogue.spelt and (block is None or dialogue.named[:1] != block[:1]):
            yield from self._ends.settle()
            yield from self._wire.start(self.last_ns)
            dialogue.open = None
        if block is not None:
            dialogue.name(block, spelt=True)
        else:
            opcode = saying.get("command")
            dialogue.name(b"" if opcode is None else bytes([opcode]), spelt=False, size=saying.get("size") or 0)

    def _answered(self, saying: Saying, block: Block) -> Iterator[Transfer]:
        """How the control request under way ended, in the words of a driver: bytes moved, or an errno."""
        result, data = saying.get("brought"), saying.get("data")
        yield from self._ends.settle()
        if self._wire.control is None or result is None:
            self.skip(CHATTER)
            return
        block.direction = "in" if self._wire.control.transfer.incoming or not result else "out"
        block.status = said_in(f"status {result}").status if result < 0 else 0
        block.data = bytearray([data & 0xFF]) if result > 0 and data is not None else bytearray()
        yield from self._wire.block(block)

    def _time_of(self, text: str) -> None:
        time_ns, took_ns, of_day, _ = take_time(text[:_FIELDS_LIMIT])
        if time_ns is not None:
            self._clock(time_ns, took_ns, of_day)

    def _chatter(self) -> Iterator[Told]:
        """A line without bytes: what it says, if anything."""
        yield from self._ends.chatter()
        self.records += 1
        if self._is_kernels is not None and self._is_kernels(self._raw):
            self._kernels += 1
            return
        yield from self._heard(self._speech.line(self._raw, self.records, self._number, self.last_ns))

    def _heard(self, items: Iterator[Statement]) -> Iterator[Told]:
        for item in items:
            if item.kind in TURNS:
                yield from self._ends.settle()
                yield from self._wire.flush()
                self._wire.places.newcomer()
            yield item
        unread = self._speech.lines - self._speech.understood
        if unread != self._unread:
            self.skipped[CHATTER] += unread - self._unread
            self._unread = unread
            if not self.skipped[CHATTER]:
                del self.skipped[CHATTER]

    def _block_of(self, saying: Saying, place: tuple[int, ...] | None) -> Block:
        """What the gaps say of a transfer."""
        block = Block(self.last_ns, length=saying.get("length"), asked=saying.get("asked"))
        if place is not None and place[1] >= 0:
            block.bus, block.address = place[:2]
        endpoint = saying.get("endpoint")
        if endpoint is not None:
            block.endpoint, block.direction = endpoint, "in" if endpoint & 0x80 else "out"
        if saying.get("result") is not None:
            said = said_in(saying.values["result"], block.length)
            block.status, block.unknown = said.status, said.unknown
            block.data += find_hex(saying.rest)
        if saying.means == "data":
            block.label = "data"
        return block

    def _requested(self, saying: Saying, block: Block) -> Iterator[Transfer]:
        setup = saying.get("setup")
        if setup is not None:
            yield from self._ends.request(setup, block)
            return
        parts = saying.wording.setup
        numbers = [part if isinstance(part, int) else saying.get(part) for part in parts]
        if None in numbers:
            self.skip(CHATTER)
            return
        setup = struct.pack("<BBHHH", *(n & mask for n, mask in zip(numbers, _SETUP_MASKS, strict=True)))
        if all(isinstance(part, str) for part in parts):  # nothing of it is taken from the words alone
            yield from self._ends.request(setup, block)
            return
        self.skip(CHATTER)
        yield from self._ends.named(setup, block)
        for gap, size in saying.wording.data:
            block.data += ((saying.get(gap) or 0) & (1 << 8 * size) - 1).to_bytes(size, "little")
        if block.data:
            block.label = "data"
            yield from self._ends.bytes(block)

    def _read(self, line: Line) -> Iterator[Told]:
        if line.time_ns is not None:
            self._clock(line.time_ns, line.took_ns, line.clock)
        if line.garbled:
            yield from self._gap(1, f"a byte is garbled behind {len(line.data)} of {line.length}: the line is left out")
            return
        if line.data or line.direction or line.label:
            yield from self._heard(self._speech.flush())
        if line.data:
            yield from self._data(line)
        elif self._blocks.repeats(line):
            pass
        else:
            yield from self._words(line)

    def _data(self, line: Line) -> Iterator[Transfer]:
        fields = self._fields
        if self._blocks.ends_at(line):
            yield from self._end_block()
            return
        if self._is_block_of_named(line):
            self._wire.dialogue.name(line.data, spelt=True)
            self.skip(CHATTER)
            return
        text = line.text[:_FIELDS_LIMIT]
        whole = fields.spelt_out(text, line.label) if line.data[:4] not in _SIGNATURES else ""
        speaks = line.data[:4] not in _SIGNATURES and fields.speaks(text)
        wanted = not speaks and (line.label == "cb" or (fields.wants_block(len(line.data)) and line.bare))
        if wanted and fields.kind == CBW and not (line.direction or whole):
            fields.block(line.data)
            yield from self._built()
            return
        # A field whose value reads like bytes ("Tag: 00000001"), or a structure on one line.
        spoken = whole or speaks or (fields.kind and not line.bare and not line.direction)
        if spoken and fields.fields(text, whole, _wrapper(line)):
            yield from self._built()
            yield from self._block_behind_fields(line, bool(whole))
            return
        yield from self._end_fields()
        if not self._worth_taking(line):
            self.skip(CHATTER)
            self.unread.see(self._number, self._raw)
            return
        if not self._blocks.continues(line):
            yield from self._end_block()
        if line.direction or line.label or self._blocks.foreign(line):
            yield from self._failed_heading()
        self._blocks.add(line, self.last_ns)
        if self._blocks.complete:
            yield from self._end_block()

    def _is_block_of_named(self, line: Line) -> bool:
        """Whether bytes are the block of the command that was named above: its opcode, and the size of a block."""
        dialogue, size = self._wire.dialogue, len(line.data)
        of_name = len(dialogue.named) == 1 and line.data[:1] == dialogue.named and size in _BLOCK_SIZES
        fits = of_name or (not dialogue.named and 0 < size == dialogue.size)
        return fits and not line.direction and line.offset is None and not self._blocks.goes_on(line)

    def _block_behind_fields(self, line: Line, whole: bool) -> Iterator[Transfer]:
        """The command block at the end of a line of fields; nothing follows that belongs to a structure on one line."""
        if self._fields.kind == CBW and _COMMAND_BLOCK.search(line.lead):
            self._fields.block(line.data)
            yield from self._end_fields() if whole else self._built()

    def _worth_taking(self, line: Line) -> bool:
        """Whether bytes without a direction are more than numbers among words: a few alone on a line, or bytes behind
        unknown words, need something around them that they can belong to."""
        if self._blocks.goes_on(line) or self._ends.waits_for(line.data):
            return True
        if line.worth == LOOSE:
            return len(line.data) >= 8 and bool(self._ends.open or line.label)
        return line.worth != PLAIN or len(line.data) >= 4 or self._blocks.announced is not None or bool(line.label)

    def _words(self, line: Line) -> Iterator[Told]:
        fields = self._fields
        text = line.text[:_FIELDS_LIMIT]
        if line.label == "cb" and fields.kind == CBW and not fields.speaks(text):
            fields.block(b"")
            return
        taken = fields.fields(text, fields.spelt_out(text, line.label), _wrapper(line))
        yield from self._built()
        if taken:
            yield from self._end_block()
            return
        # A heading or anything else ends a command block whose bytes were printed.
        if fields.wants_block():
            yield from self._end_fields()
        heading = self._blocks.heading(line, self.last_ns)
        if line.direction and (line.status or line.unknown or line.kept == 0 or (line.length == 0 and line.colon)):
            yield from self._end_block()
            yield from self._drop_heading()
            sent = line.asked if line.direction == "out" else None
            if (sent or line.length) and line.kept is None:
                self._blocks.announced = heading  # what was submitted, or came before the end, may follow
            else:
                yield from self._ends.settle()
                yield from self._wire.empty(heading)
        elif (line.direction and (line.colon or line.length is not None)) or (line.label and line.colon):
            yield from self._end_block()
            yield from self._drop_heading()
            self._blocks.announced = heading
            if line.label in (CBW, CSW, SETUP):
                fields.begin(line.label)
                yield from self._built()
        else:
            yield from self._failed_heading()
            fields.idle()
            yield from self._built()
            if (more := _MORE.search(line.text)) is not None and self._blocks.more(int(more[1])):
                return
            if (lost := _LOST.search(line.text)) is not None:
                count = int(lost[1])
                what = f"{count_of(count, 'transfer')} before this line were not printed: there was no room"
                yield from self._gap(count, what)
            else:
                yield from self._chatter()

    def _gap(self, count: int, what: str) -> Iterator[Transfer]:
        """So many transfers are missing here."""
        self.warn(what)
        yield from self._end_block()
        yield from self._ends.end()
        yield from self._wire.gap(count, self.last_ns)

    def _built(self) -> Iterator[Transfer]:
        """What has come together from fields."""
        self._note_incomplete()
        done, self._fields.ready = self._fields.ready, []
        for printed in done:
            yield from self._failed_heading()
            self._blocks.announced = None
            yield from self._end_block()
            yield from self._ends.wrapper(printed, self.last_ns)

    def _end_fields(self) -> Iterator[Transfer]:
        if self._fields.kind:
            self._fields.end()
            yield from self._built()

    def _drop_heading(self) -> Iterator[Transfer]:
        """A heading that no bytes followed holds nothing of use, unless it says how a transfer failed."""
        yield from self._failed_heading()
        if self._blocks.announced is not None:
            self._blocks.announced = None
            self.skip(CHATTER)

    def _failed_heading(self) -> Iterator[Transfer]:
        """A transfer that ended badly and whose bytes, if there were any, are not printed."""
        heading = self._blocks.announced
        if heading is not None and (heading.status or heading.unknown):
            self._blocks.announced = None
            yield from self._ends.settle()
            yield from self._wire.empty(heading)

    def _note_incomplete(self) -> None:
        while self._incomplete < self._fields.incomplete:
            self._incomplete += 1
            self.unread.add(self._number, self._raw)
            self.skip(INCOMPLETE)

    def _end_block(self) -> Iterator[Transfer]:
        block = self._blocks.take()
        if block is not None:
            yield from self._ends.bytes(block)

    def _clock(self, time_ns: int, took_ns: int, of_day: bool) -> None:
        """Keeps `last_ns`, the time since the first one printed. Clocks that wrap or start again go on from there."""
        self.timed = True
        self.tick_ns = min(self.tick_ns, _COARSEST)
        while time_ns % self.tick_ns:
            self.tick_ns //= 1000
        if self._base_ns is None:
            self._base_ns = time_ns - took_ns
        elif time_ns < self._raw_ns - _BACK_NS:
            if of_day:
                self._base_ns -= _DAY_NS
            elif self._raw_ns > _WRAP_NS * 9 // 10 and time_ns < _WRAP_NS // 10:
                self._base_ns -= _WRAP_NS
            else:
                self._base_ns = time_ns - self.last_ns
                self._wire.assume("the printed clock starts again: later times are counted on from the last one")
        self._raw_ns = time_ns
        self.last_ns = max(self.last_ns, time_ns - self._base_ns)


def _wrapper(line: Line) -> str:
    """The wrapper that a line names, "" for none."""
    return line.label if line.label in (CBW, CSW) else ""
