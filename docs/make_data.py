"""Puts fresh answers into docs/data.md: `python docs/make_data.py`.

Each block of SQL is asked of the exchanges of a demo capture, written as Parquet by sticktrace and read by DuckDB, and
the answer stands in the block of text below it.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "decoder"))
PAGE = ROOT / "docs" / "data.md"
DEMO = ROOT / "traces" / "demo" / "healthy-boot.pcap"

_BLOCK = re.compile(r"```sql\n(?P<sql>.*?)```\n(?:```text\n.*?```\n)?", re.DOTALL)


def parquet(folder: Path, capture: Path = DEMO) -> Path:
    """The capture's exchanges as a Parquet file in a folder."""
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    made = folder / "exchanges.parquet"
    done = CliRunner().invoke(cli, ["export", str(capture), "--as", "parquet", "--to", str(made)])
    if done.exit_code:
        raise ValueError(done.output)
    return made


def answer(sql: str, made: Path) -> str:
    """What DuckDB says, as columns of text."""
    import duckdb

    with duckdb.connect() as base:
        base.execute(f"create view exchanges as select * from '{made}'")
        asked = base.execute(sql)
        rows = [[name for name, *_ in asked.description], *(map(_cell, row) for row in asked.fetchall())]
    lines = [list(row) for row in rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    return "\n".join("  ".join(f"{cell:{width}}" for cell, width in zip(line, widths, strict=True)).rstrip()
                     for line in lines)  # fmt: skip


def _cell(value: Any) -> str:
    return "-" if value is None else f"{value:.1f}" if isinstance(value, float) else str(value)


def columns() -> str:
    """The table of the columns."""
    from sticktrace.storage.arrow import COLUMNS, TOUCHES

    rows = [*(column[:4] for column in COLUMNS), ("touches", "words", "", TOUCHES)]
    lines = [
        "| column | type | unit | what it is |",
        "|---|---|---|---|",
        *("| " + " | ".join(row) + " |" for row in rows),
    ]
    return "\n".join(lines)


def filled(page: str) -> str:
    """The page with every answer, and the table of columns, anew."""
    page = re.sub(
        r"<!-- columns -->.*?<!-- end -->", f"<!-- columns -->\n{columns()}\n<!-- end -->", page, flags=re.DOTALL
    )
    with tempfile.TemporaryDirectory() as folder:
        made = parquet(Path(folder))
        return _BLOCK.sub(lambda m: f"```sql\n{m['sql']}```\n```text\n{answer(m['sql'], made)}\n```\n", page)


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
