"""The transfer log of docs/hook in C: it builds clean everywhere, and what it prints tells the same as the recording.

Every demo capture is fed through the compiled C transfer by transfer, as a host stack would, and what it prints is read
back. Exchanges and requests must be the same in every number; the diagnosis may lack only what stood in bytes that were
not kept.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import struct
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from conftest import ROOT
from sticktrace.capture import reader_of
from sticktrace.capture.transfer import GAP, Transfer
from sticktrace.cli.main import cli
from test_capture_hex_text import read

HOOK, HERE = ROOT / "docs" / "hook", ROOT / "tests" / "hook"
DEMOS = sorted((ROOT / "traces" / "demo").iterdir())
STRICT = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror"]
BUILDS = [("gcc",), ("clang",), ("gcc", "-m32"), ("clang", "-m32")]
BARE = ["thumbv6m-none-eabi", "thumbv7em-none-eabi", "riscv32-none-elf", "mips-none-elf"]
EVERYTHING = 0xFFFFFFFF

# What the first bytes of a block cannot show: its layer of findings, and the stages above capacity.
UNSEEN_LAYERS = {"volume"}
UNSEEN_STAGES = {"partition", "file system", "files"}


@cache
def works(*compiler: str) -> bool:
    """Whether a compiler is here and can make programs."""
    if shutil.which(compiler[0]) is None:
        return False
    trial = [*compiler, "-xc", "-", "-o", "/dev/null"]
    return subprocess.run(trial, input=b"int main(void){return 0;}", capture_output=True, check=False).returncode == 0


def need(*compiler: str) -> None:
    if not works(*compiler):
        pytest.skip(f"{' '.join(compiler)} does not work here")


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Compiles a program of tests/hook with the log; each once."""
    folder = tmp_path_factory.mktemp("hook")

    @cache
    def build(name: str, *options: str, compiler: tuple[str, ...] = ("gcc",)) -> Path:
        need(*compiler)
        target = folder / re.sub(r"\W+", "-", " ".join((name, *compiler, *options)))
        sources = [HERE / f"{name}.c", HOOK / "transferlog.c", *(HOOK / part for part in options if part[0] != "-")]
        flags = [*STRICT, "-O2", f"-I{HOOK}", *(part for part in options if part[0] == "-")]
        subprocess.run([*compiler, *flags, *sources, "-o", target], check=True)
        return target

    return build


def run(program: Path, *words: object, data: bytes = b"") -> str:
    done = subprocess.run([program, *map(str, words)], input=data, capture_output=True, check=True, timeout=60)
    return done.stdout.decode("ascii")


@pytest.mark.parametrize("source", sorted(HOOK.glob("*.c")), ids=lambda path: path.name)
@pytest.mark.parametrize("compiler", BUILDS, ids=" ".join)
@pytest.mark.parametrize("level", ["-O0", "-O2", "-Os"])
def test_it_compiles_without_a_warning(source: Path, compiler: tuple[str, ...], level: str, tmp_path: Path) -> None:
    need(*compiler)
    subprocess.run([*compiler, *STRICT, level, "-c", source, "-o", tmp_path / "part.o"], check=True)


@pytest.mark.parametrize("target", BARE)
def test_it_compiles_for_bare_processors(target: str, tmp_path: Path) -> None:
    """32 bits, both byte orders, no C library at all: a freestanding C99 compiler has stdint.h and stddef.h (4)."""
    need("clang")
    command = ["clang", f"--target={target}", "-ffreestanding", *STRICT, "-c", HOOK / "transferlog.c"]
    done = subprocess.run([*command, "-o", tmp_path / "part.o"], capture_output=True, check=False)
    if b"unable to create target" in done.stderr or b"No available targets" in done.stderr:
        pytest.skip(f"this clang does not know {target}")
    assert done.returncode == 0, done.stderr.decode()


def test_the_header_is_for_cpp_too(tmp_path: Path) -> None:
    need("g++", "-xc++")
    body = "int use(tlog *log) { return int(tlog_print(log, 1)); }"
    (tmp_path / "user.cpp").write_text(f'#include "transferlog.h"\n{body}\n')
    command = ["g++", "-std=c++11", "-pedantic", "-Wall", "-Wextra", "-Werror", f"-I{HOOK}", "-c", "user.cpp"]
    subprocess.run(command, cwd=tmp_path, check=True)


def test_it_needs_no_library(tmp_path: Path) -> None:
    """No heap, no stdio: what a compiler itself may call to copy or clear a structure is all that is left open."""
    need("gcc")
    if shutil.which("nm") is None:
        pytest.skip("no nm here")
    subprocess.run(["gcc", *STRICT, "-O0", "-c", HOOK / "transferlog.c", "-o", tmp_path / "part.o"], check=True)
    named = subprocess.run(["nm", "-u", tmp_path / "part.o"], capture_output=True, text=True, check=True).stdout.split()
    assert set(named) <= {"U", "memcpy", "memset", "memmove"}


# -- replays ---------------------------------------------------------------------------------------------------------


@cache
def recorded(path: Path) -> tuple[tuple[Any, ...], ...]:
    """The transfers of a capture that ended, as a host stack knows them: (began us, ended us, bus, address, endpoint,
    setup, asked, moved, status, bytes)."""
    reader = reader_of(path.name, path.read_bytes())
    found = []
    for transfer in [*reader.transfers(), *reader.finish()]:
        if not isinstance(transfer, Transfer) or transfer.status is None or transfer.completed_ns < 0:
            continue
        began = transfer.submitted_ns if transfer.submitted_ns >= 0 else transfer.completed_ns
        data = bytes(reader.payload[transfer.data_at : transfer.data_at + transfer.captured])
        asked = max(transfer.requested, 0 if transfer.status else transfer.actual)
        found.append((began // 1000, transfer.completed_ns // 1000, transfer.bus, transfer.address, transfer.endpoint,
                      transfer.setup, asked, transfer.actual, transfer.status, data))  # fmt: skip
    return tuple(found)


def fed(transfers: tuple[tuple[Any, ...], ...], later_us: int = 0) -> bytes:
    """The same for the standard input of replay.c."""
    parts = []
    for began, ended, bus, address, endpoint, setup, asked, moved, status, data in transfers:
        clock = [(time + later_us) & 0xFFFFFFFF for time in (began, ended)]
        parts.append(struct.pack("=6I8s2Ii2I", *clock, bus, address, endpoint, bool(setup), setup or bytes(8), asked,
                                 moved, status, len(data), 0) + data)  # fmt: skip
    return b"".join(parts)


def facts(path: Path) -> dict[str, list[dict[str, Any]]]:
    """What `export` prints of a capture, by kind."""
    done = CliRunner().invoke(cli, ["export", str(path)])
    assert done.exit_code in (0, 1), done.exception
    found: dict[str, list[dict[str, Any]]] = {}
    for line in done.stdout.splitlines():
        fact = json.loads(line)
        found.setdefault(fact["kind"], []).append(fact)
    return found


def without_words(demo: Path, folder: Path) -> Path:
    """A console text without what its firmware says in words: a replay has the transfers only."""
    if demo.suffix != ".txt":
        return demo
    bytes_only = folder / demo.name
    lines = demo.read_text().splitlines(keepends=True)
    bytes_only.write_text("".join(line for line in lines if re.match(r"\[.*\] (IN|OUT) ", line)))
    return bytes_only


HOW_IT_IS_WRITTEN = {"records", "truncated", "touches"}


def told(facts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Facts without what depends on how the capture is written and how much of it was kept."""
    return [{key: value for key, value in fact.items() if key not in HOW_IT_IS_WRITTEN} for fact in facts]


@pytest.mark.parametrize("keep", [64, 128, EVERYTHING])
@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.stem)
def test_a_replay_tells_the_same(demo: Path, keep: int, built: Any, tmp_path: Path) -> None:
    text = tmp_path / "console.txt"
    text.write_text(run(built("replay"), 1 << 22, keep, 3, data=fed(recorded(demo))))
    ours, theirs = facts(text), facts(without_words(demo, tmp_path))
    assert told(ours.get("exchange", [])) == told(theirs.get("exchange", []))
    assert told(ours.get("request", [])) == told(theirs.get("request", []))
    assert told(ours.get("stray", [])) == told(theirs.get("stray", []))
    findings = {fact["slug"]: fact for fact in theirs.get("finding", [])}
    mine = {fact["slug"]: fact for fact in ours.get("finding", [])}
    lacking = {fact["layer"] for slug, fact in findings.items() if slug not in mine}
    assert mine.keys() <= findings.keys()
    assert lacking <= (set() if keep == EVERYTHING else UNSEEN_LAYERS)
    for slug, fact in mine.items():
        for key in ("severity", "side", "text"):
            assert fact[key] == findings[slug][key], slug
    for stage, same in zip(ours.get("stage", []), theirs.get("stage", []), strict=True):
        if keep == EVERYTHING or stage["name"] not in UNSEEN_STAGES:
            assert (stage["name"], stage["state"], stage["text"]) == (same["name"], same["state"], same["text"])
        else:
            assert stage["state"] in ("reached", "not seen")
    assert ours["capture"][0]["damage"] == [] and ours["capture"][0]["last_time_ns"] >= 0


@pytest.mark.parametrize("demo", ["brown-out-on-write", "unit-attention-giveup", "hub-port-overcurrent"])
def test_the_first_fault_is_the_same(demo: str, built: Any, tmp_path: Path) -> None:
    """The words that a person reads first, from a ring of 4 KiB that is emptied every few transfers."""
    path = ROOT / "traces" / "demo" / f"{demo}.pcap"
    text = tmp_path / "console.txt"
    text.write_text(run(built("replay"), 4096, 64, 10, data=fed(recorded(path))))
    first = [CliRunner().invoke(cli, ["diagnose", str(at)]).stdout for at in (path, text)]
    words = [re.search(r"Failed first: (.*?) Try:", " ".join(said.split())) for said in first]
    assert words[0] is not None and words[1] is not None and words[0][0] == words[1][0]


@pytest.mark.parametrize("compiler", BUILDS[1:], ids=" ".join)
def test_every_build_prints_the_same(compiler: tuple[str, ...], built: Any) -> None:
    for demo in DEMOS:
        data = fed(recorded(demo))
        words = (1 << 16, 128, 7)
        assert run(built("replay", compiler=compiler), *words, data=data) == run(built("replay"), *words, data=data)


def test_nothing_is_read_or_written_out_of_bounds(built: Any) -> None:
    program = built("replay", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    for demo in DEMOS:
        for size in (0, 1, 41, 200, 4096):
            run(program, size, EVERYTHING, 5, data=fed(recorded(demo)))


@pytest.mark.parametrize("size", [100, 512, 3000])
@pytest.mark.parametrize("burst", [1, 9, 1000])
def test_what_does_not_fit_is_counted(size: int, burst: int, built: Any) -> None:
    """Printed and lost make up all; a transfer that is short of room is cut to 64 bytes before it is lost."""
    transfers = recorded(ROOT / "traces" / "demo" / "healthy-boot.pcap")
    text = run(built("replay"), size, EVERYTHING, burst, data=fed(transfers))
    lost = sum(int(number) for number in re.findall(r"^lost (\d+) transfers", text, re.MULTILINE))
    kept = [line for line in text.splitlines() if " dev " in line]
    assert len(kept) + lost == len(transfers) and kept
    assert bool(lost) is (size == 100 or burst > 1)
    for transfer in (transfer for transfer in read(text)[0] if transfer.kind != GAP):
        assert transfer.captured in (transfer.actual, 64) or transfer.captured > 64
    assert len(read(text)[1].damage) == min(21, len(re.findall("^lost", text, re.MULTILINE)))


@pytest.mark.parametrize(("size", "burst"), [(1500, 25), (2048, 40), (3000, 60)])
@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.stem)
def test_what_was_lost_is_nobodys_fault(demo: Path, size: int, burst: int, built: Any, tmp_path: Path) -> None:
    """A ring that overflows: no finding comes of it but those that were there before, in what is left of them. A
    failure on the bus may stand alone when the port's report that explains it is lost."""
    text = tmp_path / "console.txt"
    text.write_text(run(built("replay"), size, 64, burst, data=fed(recorded(demo))))
    ours, theirs = ({fact["slug"] for fact in facts(path).get("finding", []) if fact["severity"] in ("fault", "risk")}
                    for path in (text, demo))  # fmt: skip
    assert ours - theirs <= ({"bus-errors"} if demo.stem == "brown-out-on-write" else set())


DAMAGES = ("drop", "change", "cut", "miss", "glue")


def damaged(line: str, kind: str, rng: random.Random) -> str:
    """A line as a serial line may deliver it, with its end."""
    at = rng.randrange(len(line))
    if kind == "change":
        return f"{line[:at]}{rng.choice('zZ~3f ')}{line[at + 1 :]}\n"
    return {"drop": line[:at] + line[at + 1 :] + "\n", "cut": line[:at] + "\n", "miss": "", "glue": line[:at]}[kind]


@pytest.mark.parametrize("demo", ["healthy-boot", "not-ready-then-up", "hub-port-overcurrent", "uas-stick"])
@pytest.mark.parametrize("kind", DAMAGES)
def test_what_a_serial_line_loses_is_nobodys_fault(demo: str, kind: str, built: Any, tmp_path: Path) -> None:
    """One damaged line: it is named, the transfers of the others come unchanged, and no new finding comes of it, but
    what is true all the same: a port that is off has dropped its stick, whether the over-current was told or not."""
    path, text = ROOT / "traces" / "demo" / f"{demo}.pcap", tmp_path / "console.txt"
    lines = run(built("replay"), 1 << 20, 64, 9, data=fed(recorded(path))).splitlines()
    known = {fact["slug"] for fact in facts(path).get("finding", [])}
    known |= {"brown-out"} if "over-current" in known else set()
    rng = random.Random(f"{demo} {kind}")
    whole, _ = read("\n".join(lines) + "\n")
    for _ in range(12):
        hurt = rng.randrange(5, len(lines) - 1)
        parts = [damaged(line, kind, rng) if n == hurt else line + "\n" for n, line in enumerate(lines)]
        text.write_text("".join(parts))
        transfers, reader = read(text.read_text())
        if parts[hurt].strip() != lines[hurt]:
            gaps = [transfer for transfer in transfers if transfer.kind == GAP]
            assert [gap.requested for gap in gaps] == [1] and len(reader.damage) == 1
            assert len(transfers) == len(whole)
        bad = [fact for fact in facts(text).get("finding", []) if fact["severity"] in ("fault", "risk")]
        assert {fact["slug"] for fact in bad} <= known, parts[hurt]


def test_a_clock_that_wraps(built: Any) -> None:
    transfers = recorded(ROOT / "traces" / "demo" / "healthy-boot.pcap")
    plain, _ = read(run(built("replay"), 1 << 20, 64, 1, data=fed(transfers)))
    for later_us in (0xFFFFFFFF - 300_000, 0xFFFFFFFF - transfers[0][0], 0xFFFFFFFF - transfers[-1][1]):
        wrapped, reader = read(run(built("replay"), 1 << 20, 64, 1, data=fed(transfers, later_us)))
        gaps = {(a.completed_ns - b.completed_ns) - (c.completed_ns - d.completed_ns)
                for a, b, c, d in zip(plain[1:], plain, wrapped[1:], wrapped, strict=False)}  # fmt: skip
        assert gaps == {0} and not reader.assumed


def test_a_status_that_is_not_in_the_table(built: Any) -> None:
    """The number is printed as it is, and the reader says that it does not know it."""
    base = (0, 20, 0, 3, 0x81, b"")
    rows = [(*base, 13, 0, status, b"") for status in (5, -32, -7, -2147483648)]
    text = run(built("replay"), 4096, 64, 1, data=fed(tuple(rows)))
    assert [re.split(" 0/13| #", line)[1] for line in text.splitlines()] == [
        " status 5:", " STALL:", " status -7:", " status -2147483648:",
    ]  # fmt: skip
    transfers, reader = read(text)
    assert [transfer.status for transfer in transfers] == [None, -32, -71, -71]
    assert len(reader.damage) == 3


@pytest.mark.parametrize("compiler", [("gcc",), ("gcc", "-m32")], ids=" ".join)
def test_an_interrupt_while_it_prints(compiler: tuple[str, ...], built: Any) -> None:
    """A signal fills the ring while the main loop empties it: each line is whole, in order, and all are counted."""
    text = run(built("race", compiler=compiler))
    total = int(text.rsplit("added ", 1)[1])
    last, lost = -1, 0
    for line in text.splitlines()[:-1]:
        if mark := re.fullmatch(r"lost (\d+) transfers #..\*....", line):
            lost += int(mark[1])
            last += int(mark[1])
            continue
        shape = re.fullmatch(r"(\d+) us dev 1 IN ep 81 (\d+) status 0:((?: [0-9a-f]{2})+) #..\*....", line)
        assert shape is not None, line
        number = int(shape[1])
        assert number == last + 1
        assert shape[3].split() == [f"{number & 255:02x}"] * (number % 64 + 1) and int(shape[2]) == number % 64 + 1
        last = number
    assert last == total - 1 and lost > 0


EXAMPLES = [("example", "-DPOLLED", "polled_host.c"), ("example", "interrupt_host.c")]


@pytest.mark.parametrize("parts", EXAMPLES, ids=lambda parts: parts[-1])
def test_the_examples_run(parts: tuple[str, ...], built: Any, tmp_path: Path) -> None:
    """A stick that refuses Get Max LUN, stalls behind short data and then falls silent (BOT 1.0 3.2, 6.7.2)."""
    text = tmp_path / "console.txt"
    text.write_text(run(built(*parts)))
    found = facts(text)
    assert [fact["result"] for fact in found["request"]] == ["stall", "done"]
    first, second = found["exchange"]
    assert (first["moved"], first["residue"], first["status"], first["stalled"]) == (24, 168, "passed", ["data"])
    assert (second["command"], second["status"]) == ("TEST UNIT READY", "missing")
    assert {fact["address"] for fact in found["exchange"]} == {5}


def test_the_page_shows_what_the_example_prints(built: Any) -> None:
    page = (ROOT / "docs" / "hex-text.md").read_text(encoding="utf-8")
    shown = [block for block in re.findall(r"```text\n(.*?)```", page, re.DOTALL) if " dev 5 SETUP: a1 fe" in block]
    assert [block.splitlines() for block in shown] == [run(built(*EXAMPLES[0])).splitlines()]


def test_how_long_the_page_says_that_printing_takes(built: Any) -> None:
    """A byte on a serial line is ten bits: start, eight of data, stop (common practice)."""
    page = (ROOT / "docs" / "hex-text.md").read_text(encoding="utf-8")
    for size, words in ((31, r"a line with a CBW takes about (\d+) ms"), (512, r"and a sector about (\d+) ms")):
        transfer = (212_300, 212_350, 0, 5, 2, b"", size, size, 0, bytes(size))
        printed = run(built("replay"), 4096, 512, 1, data=fed((transfer,)))
        found = re.search(words, page)
        assert found is not None and len(printed) * 10 / 115_200 * 1000 == pytest.approx(int(found[1]), rel=0.05)
