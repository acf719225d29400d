"""Many captures at once: rows that say what the other verbs say, in every form, from processes, a cache, a cluster."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sticktrace
from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.errors import SticktraceError
from sticktrace.survey import many
from sticktrace.survey.many import files_below, survey
from sticktrace.survey.one import FIELDS, rows_of
from sticktrace.survey.together import together

DEMO = ROOT / "traces" / "demo"
SOME = [DEMO / name for name in ("bad-sector.pcap", "healthy-boot.pcap", "unit-attention-giveup.pcap")]


def run(*words: str) -> Any:
    return CliRunner().invoke(cli, ["survey", *words])


@pytest.mark.parametrize("path", sorted(DEMO.iterdir()), ids=lambda path: path.stem)
def test_a_row_says_what_diagnose_says(path: Path) -> None:
    rows = rows_of(str(path))
    with sticktrace.open(path) as capture:
        diagnosis = sticktrace.diagnose(capture.reading())
    assert [row["name"] for row in rows] == [report.stick.name for report in diagnosis.reports]
    assert all(row.keys() == FIELDS.keys() and row["error"] is None for row in rows)
    for row, report in zip(rows, diagnosis.reports, strict=True):
        assert (row["ids"], row["exchanges"], row["failed"]) == (
            report.stick.ids or None, report.stick.exchanges, report.stick.failures,
        )  # fmt: skip
        furthest = report.furthest
        assert row["stage"] == (furthest.stage.value if furthest else None)
    stopped = diagnosis.answer.stopped or bool(diagnosis.faults)
    assert any(row["stopped"] for row in rows) is stopped
    main = diagnosis.answer.main
    if stopped and main is not None and main.stick is not None:
        assert main.slug in [row["fault"] for row in rows]


def test_what_cannot_be_read_is_a_row(tmp_path: Path) -> None:
    (tmp_path / "notes.md").write_text("nothing of the kind")
    (tmp_path / "empty.pcap").write_bytes(b"")
    (tmp_path / "b\x1b]0;x\x07.pcap").write_bytes(DEMO.joinpath("healthy-boot.pcap").read_bytes()[:900])
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "deep" / "er" / "ok.pcap").write_bytes(SOME[0].read_bytes())
    done = run(str(tmp_path), "--jobs", "1")
    assert done.exit_code == 1
    assert "\x1b" not in done.output and "empty" in done.output and "not a form that sticktrace reads" in done.output
    rows = [json.loads(line) for line in run(str(tmp_path), "--json", "--jobs", "1").stdout.splitlines()]
    assert [bool(row["error"]) for row in rows] == [False, False, True, True]
    assert {row["kind"] for row in rows} == {"survey"}


def test_forms_hold_the_same(tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    paths = [str(path) for path in SOME]
    wanted = [json.loads(line) for line in run(*paths, "--json", "--jobs", "1").stdout.splitlines()]
    run(*paths, "--as", "csv", "--to", str(tmp_path / "a.csv"), "--jobs", "1")
    run(*paths, "--as", "parquet", "--to", str(tmp_path / "a.parquet"), "--jobs", "1")
    with (tmp_path / "a.csv").open(newline="") as file:
        assert [row["fault"] for row in csv.DictReader(file)] == [row["fault"] or "" for row in wanted]
    with duckdb.connect() as base:
        asked = base.execute(f"select * from '{tmp_path / 'a.parquet'}'")
        names = [name for name, *_ in asked.description]
        assert [dict(zip(names, row, strict=True)) for row in asked.fetchall()] == wanted
    before = (tmp_path / "a.csv").read_bytes()
    assert run(*paths, "--as", "csv", "--to", str(tmp_path / "a.csv"), "--jobs", "1").exit_code != 0
    assert (tmp_path / "a.csv").read_bytes() == before
    assert run(*paths, "--as", "parquet").exit_code == 2


def test_processes_give_the_same_in_the_same_order() -> None:
    files = files_below([str(path) for path in SOME])
    seen: list[int] = []
    alone = list(survey(files, jobs=1))
    assert list(survey(files, jobs=2, progress=lambda done, _all: seen.append(done))) == alone
    assert seen == [1, 2, 3]


def test_only_what_changed_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file, cache = tmp_path / "a.pcap", tmp_path / "cache"
    file.write_bytes(SOME[0].read_bytes())
    first = list(survey([file], cache=cache))
    read: list[str] = []
    monkeypatch.setattr(many, "rows_of", lambda path: read.append(path) or rows_of(path))
    assert list(survey([file], cache=cache)) == first and read == []
    file.write_bytes(SOME[1].read_bytes())
    assert list(survey([file], cache=cache)) != first and read == [str(file)]
    next(cache.iterdir()).write_text("{")
    for kept in cache.iterdir():
        kept.write_text("{")  # a cache that is broken is no cache
    assert list(survey([file], cache=cache)) and len(read) == 2


def test_what_they_have_in_common() -> None:
    rows = [row for path in [*SOME, SOME[0]] for row in rows_of(str(path))]
    shared = {(one.by, one.value, one.fault): (one.times, one.among) for one in together(rows)}
    assert shared["host", "Linux", "unreadable-blocks"] == (2, 4)
    assert shared["stick model", "1209:0008", "unreadable-blocks"] == (2, 2)
    assert shared["command", "READ(10)", "unreadable-blocks"] == (2, 2)


def test_paths_that_are_not_there_are_refused() -> None:
    with pytest.raises(SticktraceError, match="no such file or folder"):
        files_below(["no-such-place"])
    assert run("no-such-place").exit_code != 0


CLUSTER = """
from distributed import LocalCluster
import json, sys
from sticktrace.survey.many import files_below, survey
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None) as cluster:
        files = files_below(sys.argv[1:])
        print(json.dumps(list(survey(files, scheduler=cluster.scheduler_address))))
"""


def test_a_cluster_of_two_workers_gives_the_same() -> None:
    pytest.importorskip("distributed")
    paths = os.pathsep.join(str(ROOT / part) for part in ("decoder", "tui"))
    done = subprocess.run([sys.executable, "-c", CLUSTER, *map(str, SOME)], capture_output=True, text=True, check=True,
                          env={**os.environ, "PYTHONPATH": paths}, timeout=120)  # fmt: skip
    assert json.loads(done.stdout.splitlines()[-1]) == list(survey(SOME, jobs=1))


def test_a_scheduler_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SticktraceError, match=r"sticktrace\[cluster\]"):
        list(survey(SOME, scheduler="tcp://127.0.0.1:1"))
