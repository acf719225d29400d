"""Exchanges as an Arrow table, for tools that take columns: one row an exchange, one type a column.

Needs pyarrow (``pip install sticktrace[data]``). Every column says in its metadata what it holds and in which unit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any, BinaryIO, NamedTuple

from sticktrace.errors import SticktraceError
from sticktrace.transport.items import Exchange, Field

BATCH = 1 << 14
"""Exchanges in a record batch; memory grows with it and not with the capture."""

Labelled = tuple[Exchange, str]
"""An exchange, and what its blocks are on the volume."""


class Column(NamedTuple):
    """``type`` is a name that pyarrow knows, "words" for repeated text, "list" for a list of text. ``unit`` is "" for
    what has none."""

    name: str
    type: str
    unit: str
    says: str
    value: Callable[[Exchange], Any]


def _told(field: Field | None, value: Callable[[Exchange], Any]) -> Callable[[Exchange], Any]:
    """None where a text or a log does not print it."""
    return lambda e: None if e.told or (field is not None and field in e.not_printed) else value(e)


def _sense(part: str) -> Callable[[Exchange], Any]:
    return lambda e: None if e.sense is None else getattr(e.sense, part)


COLUMNS: tuple[Column, ...] = (
    Column("number", "uint32", "", "number in the list, from 1", lambda e: e.number),
    Column("time_ns", "int64", "ns", "begin, since the first record", lambda e: e.time_ns),
    Column("duration_ns", "int64", "ns", "begin to end; null where not told", _told(None, lambda e: e.duration_ns)),
    Column("bus", "uint16", "", "bus number", lambda e: e.bus),
    Column("address", "uint16", "", "device address on the bus", lambda e: e.address),
    Column("lun", "uint16", "", "logical unit", lambda e: e.lun),
    Column("tag", "uint64", "", "dCBWTag, or the tag of a UAS command", _told(Field.TAG, lambda e: e.tag)),
    Column("opcode", "uint8", "", "operation code; null without a block", lambda e: e.cdb[0] if e.cdb else None),
    Column("command", "words", "", "name of the command", lambda e: e.command),
    Column("cdb", "binary", "", "the command block", lambda e: bytes(e.cdb)),
    Column("lba", "uint64", "blocks", "first block touched", lambda e: e.lba),
    Column("blocks", "uint64", "blocks", "blocks asked for", lambda e: e.blocks),
    Column("direction", "words", "", "in, out or none", lambda e: str(e.direction)),
    Column("expected", "uint64", "bytes", "announced data", _told(Field.LENGTH, lambda e: e.expected)),
    Column("moved", "uint64", "bytes", "data that went over the bus", _told(None, lambda e: e.moved)),
    Column("residue", "uint64", "bytes", "dCSWDataResidue", lambda e: e.residue),
    Column("status", "words", "", "passed, failed, phase error, and so on", lambda e: str(e.status)),
    Column("sense_key", "uint8", "", "sense key", _sense("key")),
    Column("sense_asc", "uint8", "", "additional sense code", _sense("asc")),
    Column("sense_ascq", "uint8", "", "its qualifier", _sense("ascq")),
    Column("bot_case", "uint8", "", "case of BOT 1.0 6.7, 1 to 13", lambda e: e.case),
    Column("stalled", "list", "", "phases with a STALL", lambda e: list(e.stalled)),
    Column("truncated", "bool", "", "part of the data is not in the capture", lambda e: bool(e.truncated)),
    Column("transport", "words", "", "BOT, UAS or CBI", lambda e: str(e.transport)),
    Column("first_record", "uint32", "", "first record of the capture", lambda e: e.records[0] if e.records else None),
    Column("last_record", "uint32", "", "last record of the capture", lambda e: e.records[-1] if e.records else None),
    Column("notes", "list", "", "remarks in words", lambda e: list(e.notes)),
)  # fmt: skip
"""No name is a word of SQL. In this order; ``touches``, what the blocks are on the volume, follows as the last one."""

TOUCHES = "what the blocks are on the volume"


def schema() -> Any:
    """The `pyarrow.Schema` of the table."""
    pa = pyarrow_of()
    kinds = {"words": pa.dictionary(pa.int32(), pa.string()), "list": pa.list_(pa.string()), "bool": pa.bool_()}
    fields = [
        pa.field(column.name, kinds.get(column.type) or getattr(pa, column.type)(),
                 metadata={"unit": column.unit, "says": column.says})
        for column in COLUMNS
    ]  # fmt: skip
    return pa.schema([*fields, pa.field("touches", kinds["words"], metadata={"unit": "", "says": TOUCHES})])


def batches(exchanges: Iterable[Labelled]) -> Iterator[Any]:
    """`pyarrow.RecordBatch` objects of at most `BATCH` rows."""
    pa = pyarrow_of()
    shape, source = schema(), iter(exchanges)
    while rows := list(islice(source, BATCH)):
        columns = [_array(pa, field, [column.value(e) for e, _ in rows])
                   for field, column in zip(shape, COLUMNS, strict=False)]  # fmt: skip
        columns.append(_array(pa, shape.field("touches"), [touches or None for _, touches in rows]))
        yield pa.RecordBatch.from_arrays(columns, schema=shape)


def _array(pa: Any, field: Any, values: list[Any]) -> Any:
    if pa.types.is_dictionary(field.type):
        return pa.array(values, pa.string()).dictionary_encode()
    return pa.array(values, field.type)


def table(exchanges: Iterable[Labelled]) -> Any:
    """All of them as one `pyarrow.Table`."""
    pa = pyarrow_of()
    return pa.Table.from_batches(list(batches(exchanges)), schema()).unify_dictionaries()


def frame(exchanges: Iterable[Labelled]) -> Any:
    """All of them as a `pandas.DataFrame`, whose whole numbers stay whole where some are missing."""
    import pandas

    pa = pyarrow_of()
    kinds = {getattr(pa, name)(): getattr(pandas, dtype)() for name, dtype in _NULLABLE.items()}
    return table(exchanges).to_pandas(types_mapper=kinds.get)


_NULLABLE = {
    "uint8": "UInt8Dtype", "uint16": "UInt16Dtype", "uint32": "UInt32Dtype", "uint64": "UInt64Dtype",
    "int64": "Int64Dtype",
}  # fmt: skip


def write(exchanges: Iterable[Labelled], out: BinaryIO, form: str) -> int:
    """Writes "parquet" or "arrow" (the IPC file format) batch by batch. Returns how many exchanges there were."""
    pa = pyarrow_of()
    shape, count = schema(), 0
    if form == "parquet":
        import pyarrow.parquet

        made: Any = pyarrow.parquet.ParquetWriter(out, shape)
    else:
        made = pa.ipc.new_file(out, shape, options=pa.ipc.IpcWriteOptions(unify_dictionaries=True))
    with made as writer:
        for batch in _alike(exchanges, form):
            writer.write_batch(batch)
            count += batch.num_rows
    return count


def _alike(exchanges: Iterable[Labelled], form: str) -> Iterator[Any]:
    """An IPC file has one dictionary a column for all batches, so that they have to be known before; a Parquet file
    does not."""
    if form == "parquet":
        yield from batches(exchanges)
    else:
        yield from table(exchanges).to_batches(BATCH)


def pyarrow_of() -> Any:
    """The module. Raises SticktraceError that says how to install it."""
    try:
        import pyarrow
    except ImportError:
        raise SticktraceError("columns need pyarrow: pip install 'sticktrace[data]'") from None
    return pyarrow
