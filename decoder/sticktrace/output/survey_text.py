"""A survey as text, CSV or columns."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Any, BinaryIO

from sticktrace.output.listing import Style, plain
from sticktrace.survey.one import FIELDS
from sticktrace.survey.together import Shared
from sticktrace.text import bytes_in_words, safe

_HEAD = ("capture", "stick", "ids", "size", "file system", "speed", "stage", "first fault")
_MOST = (40, 28, 9, 9, 16, 6, 13, 40)


def survey_text(rows: Iterable[dict[str, Any]], style: Style = plain) -> Iterator[str]:
    """A line for each row."""
    yield style(_line(_HEAD), "head")
    for row in rows:
        if row["error"]:
            yield f"{_cell(safe(row['capture']), 40)}  {style(row['error'], 'bad')}"
            continue
        size = bytes_in_words(row["capacity_bytes"]) if row["capacity_bytes"] else ""
        name = row["name"] or "no storage device"
        stage = row["stage"] or ""
        ended = row["fault"] or ("stopped" if row["stopped"] else "")
        cells = (safe(row["capture"]), name, row["ids"] or "", size, row["file_system"] or "", row["speed"] or "",
                 stage, ended)  # fmt: skip
        yield style(_line(cells), "bad" if row["fault"] or row["stopped"] else "plain")


def shared_text(shared: Iterable[Shared], style: Style = plain) -> Iterator[str]:
    """What they have in common."""
    before = ""
    for one in shared:
        if one.by != before:
            yield ""
            yield style(f"first faults by {one.by}", "head")
            before = one.by
        yield f"  {_cell(one.value, 30)}  {one.fault:34}  {one.times} of {one.among}"


def _line(cells: tuple[str, ...]) -> str:
    return "  ".join(_cell(text, most) for text, most in zip(cells, _MOST, strict=True)).rstrip()


def _cell(text: str, most: int) -> str:
    """Cut at the front, where paths are alike."""
    return f"{text:{most}}" if len(text) <= most else f"…{text[1 - most :]}"


def survey_csv(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """One line a row, in the order of `FIELDS`."""
    names = [name for name in FIELDS if name != "kind"]
    for cells in (names, *([_number(row[name]) for name in names] for row in rows)):
        line = io.StringIO()
        csv.writer(line, lineterminator="").writerow(cells)
        yield line.getvalue()


def _number(value: Any) -> Any:
    return "" if value is None else int(value) if isinstance(value, bool) else value


def survey_parquet(rows: Iterable[dict[str, Any]], out: BinaryIO) -> None:
    """All rows as Parquet, with what each column holds in its metadata."""
    from sticktrace.storage.arrow import pyarrow_of

    pa = pyarrow_of()
    import pyarrow.parquet

    kinds = {"bool": pa.bool_()}
    fields = [pa.field(name, kinds.get(kind) or getattr(pa, kind)(), metadata={"says": says})
              for name, (kind, says) in FIELDS.items()]  # fmt: skip
    pyarrow.parquet.write_table(pa.Table.from_pylist(list(rows), schema=pa.schema(fields)), out)
