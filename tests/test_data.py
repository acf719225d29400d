"""Exchanges as columns, read back by libraries of others (Arrow, DuckDB, pandas), beside the JSON lines."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sticktrace
from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.storage.arrow import COLUMNS, TOUCHES

duckdb = pytest.importorskip("duckdb")
arrow = pytest.importorskip("pyarrow")
sys.path.insert(0, str(ROOT / "docs"))
import make_data  # noqa: E402

DEMO = ROOT / "traces" / "demo"
CAPTURES = ["healthy-boot.pcap", "stall-recovery.pcap", "uas-stick.pcap", "usb-console.txt", "brown-out-on-write.pcap"]


def run(*words: str) -> Any:
    return CliRunner().invoke(cli, ["export", *words])


def lines(capture: Path, *words: str) -> list[dict[str, Any]]:
    facts = map(json.loads, run(str(capture), *words).stdout.splitlines())
    return [fact for fact in facts if fact["kind"] == "exchange"]


def as_columns(fact: dict[str, Any]) -> dict[str, Any]:
    """A JSON line as a row."""
    sense, records = fact["sense"] or {}, fact["records"]
    return {
        **{column.name: fact.get(column.name) for column in COLUMNS}, "touches": fact["touches"],
        "cdb": bytes.fromhex(fact["cdb"]), "sense_key": sense.get("key"), "sense_asc": sense.get("asc"),
        "sense_ascq": sense.get("ascq"), "bot_case": fact["case"],
        "first_record": records[0], "last_record": records[-1],
    }  # fmt: skip


@pytest.mark.parametrize("form", ["parquet", "arrow"])
@pytest.mark.parametrize("name", CAPTURES)
def test_columns_say_what_the_lines_say(name: str, form: str, tmp_path: Path) -> None:
    made = tmp_path / f"out.{form}"
    assert run(str(DEMO / name), "--as", form, "--to", str(made)).exit_code == 0
    if form == "parquet":
        with duckdb.connect() as base:
            asked = base.execute(f"select * from '{made}'")
            names = [column for column, *_ in asked.description]
            rows = [dict(zip(names, row, strict=True)) for row in asked.fetchall()]
    else:
        with arrow.OSFile(str(made)) as file:
            rows = arrow.ipc.open_file(file).read_all().to_pylist()
    assert rows == [as_columns(fact) for fact in lines(DEMO / name)]


def test_words_choose(tmp_path: Path) -> None:
    made = tmp_path / "bad.parquet"
    run(str(DEMO / "stall-recovery.pcap"), "status:bad", "--as", "parquet", "--to", str(made))
    with duckdb.connect() as base:
        numbers = [number for (number,) in base.execute(f"select number from '{made}'").fetchall()]
    assert numbers == [fact["number"] for fact in lines(DEMO / "stall-recovery.pcap", "status:bad")] != []


def test_python_gives_tables_and_frames() -> None:
    with sticktrace.open(DEMO / "bad-sector.pcap") as capture:
        table, frame = capture.exchanges().to_arrow(), capture.exchanges().to_pandas()
        wanted = [(e.number, e.command, e.lba, e.moved) for e in capture.exchanges()]
    rows = zip(*(table.column(name).to_pylist() for name in ("number", "command", "lba", "moved")), strict=True)
    assert list(rows) == wanted
    assert [None if lba is __import__("pandas").NA else lba for lba in frame.lba] == [lba for _, _, lba, _ in wanted]
    assert table.schema.field("duration_ns").metadata[b"unit"] == b"ns"


def test_batches_join_to_one_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Several batches, whose words are numbered each in its own order, read back as one."""
    monkeypatch.setattr("sticktrace.storage.arrow.BATCH", 3)
    for form in ("parquet", "arrow"):
        made = tmp_path / f"out.{form}"
        assert run(str(DEMO / "healthy-boot.pcap"), "--as", form, "--to", str(made)).exit_code == 0
    with duckdb.connect() as base, arrow.OSFile(str(tmp_path / "out.arrow")) as file:
        commands = base.execute(f"select command from '{tmp_path / 'out.parquet'}'").fetchall()
        again = arrow.ipc.open_file(file).read_all().column("command").to_pylist()
    assert [command for (command,) in commands] == again == [f["command"] for f in lines(DEMO / "healthy-boot.pcap")]


def test_refusals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    there = tmp_path / "there.parquet"
    there.write_bytes(b"mine")
    assert run(str(DEMO / CAPTURES[0]), "--as", "parquet").exit_code == 2
    done = run(str(DEMO / CAPTURES[0]), "--as", "parquet", "--to", str(there))
    assert done.exit_code != 0 and there.read_bytes() == b"mine"
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    done = run(str(DEMO / CAPTURES[0]), "--as", "parquet", "--to", str(tmp_path / "new.parquet"))
    assert "sticktrace[data]" in str(done.exception) and not (tmp_path / "new.parquet").exists()


def test_page_answers_are_fresh() -> None:
    page = make_data.PAGE.read_text(encoding="utf-8")
    assert make_data.filled(page) == page, "run python docs/make_data.py"
    assert page.count("```sql") == 10
    for name, kind, unit, says in [*(column[:4] for column in COLUMNS), ("touches", "words", "", TOUCHES)]:
        assert f"| {name} | {kind} | {unit} | {says} |" in page
