"""The pages of docs/lessons, and docs/recording.md: program output is fresh, every command shown runs, the figures
in the prose and the answers of the card hold against the published documents."""

from __future__ import annotations

import re
import struct
import sys

import pytest

from conftest import ROOT
from sticktrace.cli.main import VERBS

sys.path.insert(0, str(ROOT / "docs"))
import make_lessons

PAGES = {path.stem: path.read_text(encoding="utf-8") for path in sorted((ROOT / "docs" / "lessons").glob("*.md"))}
NUMBERED = [name for name in PAGES if name[:2].isdigit()]
LESSONS = "\n".join(PAGES.values())
RECORDING = (ROOT / "docs" / "recording.md").read_text(encoding="utf-8")
PROSE = re.sub(r"^```.*?^```", "", LESSONS, flags=re.DOTALL | re.MULTILINE)
INLINE = {" ".join(code.split()) for code in re.findall(r"`([^`]+)`", PROSE)}
TRIED = sorted(code for code in INLINE if re.match(r"sticktrace \S+ \S", code))
BOOT_SECTOR = b"\xeb\x3c\x90SKERRY"


@pytest.mark.parametrize("page", PAGES)
def test_program_output_is_fresh(page: str) -> None:
    """Every block between markers is what the command prints today."""
    assert make_lessons.filled(PAGES[page]) == PAGES[page], "run: python docs/make_lessons.py"


def test_every_output_is_marked() -> None:
    """No output stands in the pages that the program did not print."""
    assert LESSONS.count("<!-- run: ") == LESSONS.count("<!-- end -->") == LESSONS.count("\n$ sticktrace ") > 20


@pytest.mark.parametrize("line", TRIED)
def test_commands_in_the_prose_run(line: str) -> None:
    """What a reader is told to try ends with status 0 or 1 and prints something (`run` raises otherwise)."""
    assert make_lessons.run(line).strip()


def test_a_command_that_does_not_run_is_an_error() -> None:
    """The page cannot show a command that fails, nor one of another program."""
    for line in ("sticktrace explain", "sticktrace exchanges no-such-file.pcap", "sticktrace nothing", "ls -l"):
        with pytest.raises(ValueError, match=re.escape(line.split()[0])):
            make_lessons.run(line)


def test_parts_of_an_output() -> None:
    """Left-out lines are marked, a part that is gone is an error."""
    output = "one\ntwo\n\nthree\nfour\nfive\n\nsix\n"
    assert make_lessons.pick(output, "one | three .. four | six") == ["one", "two", "", "three", "four", "…", "six"]
    assert make_lessons.pick(output, "four .. four") == ["…", "four", "…"]
    with pytest.raises(ValueError, match="'one'"):
        make_lessons.pick(output, "three | one")


@pytest.mark.parametrize("name", NUMBERED)
def test_each_lesson_has_its_parts(name: str) -> None:
    """An aim first; last a Try with its answer folded behind it; a place in the list of lessons, in order."""
    page = PAGES[name]
    assert re.match(rf"# {int(name[:2])}\. .+\n\n\*\*Aim:\*\* ", page)
    ask = page.index("\n**Try:** ")
    assert page.index("\n<details>\n<summary>Answer</summary>\n\n", ask) > ask and page.endswith("\n</details>\n")


def test_the_list_of_lessons_is_whole() -> None:
    listed = re.findall(r"^\d+\. \[(.+)\]\((.+)\.md\)$", PAGES["README"], re.M)
    assert [name for _, name in listed] == NUMBERED == sorted(NUMBERED)
    assert [f"# {int(name[:2])}. {title}" for title, name in listed] == [PAGES[n].split("\n")[0] for n in NUMBERED]


@pytest.mark.parametrize("page", [*PAGES, "recording"])
def test_links_files_and_verbs_exist(page: str) -> None:
    """Links lead somewhere, traces named are there, verbs named are verbs."""
    folder, page = (ROOT / "docs", RECORDING) if page == "recording" else (make_lessons.FOLDER, PAGES[page])
    headings = {re.sub(r"[^a-z0-9 -]", "", h.lower()).replace(" ", "-") for h in re.findall(r"^##+ (.+)$", page, re.M)}
    for target in re.findall(r"\]\(([^)]+)\)", page):
        name, _, heading = target.partition("#")
        assert (folder / name).exists() if name else heading in headings, target
    for name in re.findall(r"traces/demo/([\w.-]+\w)", page):
        assert (ROOT / "traces" / "demo" / name).is_file(), name
    assert set(re.findall(r"`sticktrace (\w+)", page)) <= set(VERBS)


def test_demo_traces_named_in_the_table_of_suspects_exist() -> None:
    """Last column of the table in lesson 8."""
    table = LESSONS.split("| demo trace |\n|---|---|---|---|---|\n")[1].split("\n\n")[0]
    named = [row.split("|")[-2].strip() for row in table.splitlines()]
    assert len(named) == 7
    assert all((ROOT / "traces" / "demo" / f"{name}.pcap").is_file() for name in named)


def test_figures_of_lesson_7() -> None:
    """Microsoft FAT specification, "BPB structure" and "FAT type determination", from the raw bytes of the trace."""
    raw = (ROOT / "traces" / "demo" / "healthy-boot.pcap").read_bytes()
    sector = raw[raw.index(BOOT_SECTOR) :][:512]
    size, per_cluster, reserved, fats, entries = struct.unpack_from("<HBHBH", sector, 11)
    (fat_size,) = struct.unpack_from("<H", sector, 22)
    first, total = struct.unpack_from("<II", sector, 28)
    fat1 = first + reserved
    root = fat1 + fats * fat_size
    data = root + (entries * 32 + size - 1) // size
    clusters = (total - (data - first)) // per_cluster
    assert 4085 <= clusters < 65525
    assert re.findall(r"\*\*(\d+)\*\*", LESSONS.split("Now add up")[1].split("**The directory**")[0]) == [
        str(fat1), str(fat1 + fat_size), str(root), str(data), str(clusters)
    ]  # fmt: skip
    assert f"LBA {data + 6 * per_cluster} to {data + 11 * per_cluster - 1}" in LESSONS  # clusters 8 to 12


COUNTS = {1: (36, 0), 2: (0, 1), 3: (24, 0), 4: (24, 0), 5: (5 * 512, 1), 6: (512, 2), 7: (0, 1), 8: (0, 1)}
"""Question -> (bytes that count, bCSWStatus), by BOT 1.0 Table 5.3 and 6.7 (the latter from memory)."""


def test_card_of_questions() -> None:
    """BOT 1.0 5.1 and 5.2: layout, same tag, residue = expected - relevant; and CDB lengths agree with the wrapper."""
    card, answers = PAGES["card"], PAGES["answers"]
    asked = dict(re.findall(r"\*\*Question (\d+)\.\*\*.*?\n((?:[0-9a-f]{2} ){30}[0-9a-f]{2})\n", card, re.DOTALL))
    told = dict(re.findall(r"\*\*Answer (\d+)\.\*\* `(55 53 42 53(?: [0-9a-f]{2}){9})`", answers))
    assert {int(number) for number in asked} == {int(number) for number in told} == set(COUNTS)
    assert re.findall(r"\*\*Question (\d+)", card) == re.findall(r"\*\*Answer (\d+)", answers)
    for number, (relevant, status) in COUNTS.items():
        cbw, csw = bytes.fromhex(asked[str(number)]), bytes.fromhex(told[str(number)])
        signature, tag, length, flags, lun, cdb_length = struct.unpack_from("<4sIIBBB", cbw)
        assert (signature, lun, len(cbw)) == (b"USBC", 0, 31)
        assert flags == (0x80 if length and cbw[15] != 0x2A else 0)  # all but WRITE(10) come in
        assert cdb_length == (10 if cbw[15] >= 0x20 else 6)  # SPC-3 4.3.4.1: group code of the operation code
        residue = 0 if status == 2 else length - relevant
        assert csw == struct.pack("<4sIIB", b"USBS", tag, residue, status)
        assert make_lessons.run(f"sticktrace explain {asked[str(number)]}").startswith("cbw")
        assert make_lessons.run(f"sticktrace explain {told[str(number)]}").startswith("csw")


def test_capacity_of_question_12() -> None:
    """SBC: READ CAPACITY(10) returns the last LBA and the block length, big-endian."""
    last, length = struct.unpack(">II", bytes.fromhex("0077 3fff 0000 0200"))
    assert f"{last:,}" in LESSONS
    assert f"{(last + 1) * length:,} bytes" in LESSONS


def folded(number: int) -> str:
    """The answer behind the Try of a lesson."""
    (page,) = (text for name, text in PAGES.items() if name.startswith(f"{number:02}-"))
    return " ".join(page.split("<summary>Answer</summary>")[-1].split())


def listed(line: str, holding: str) -> list[str]:
    """The lines of an output that hold a text."""
    return [row for row in make_lessons.run(line).splitlines() if holding in row]


def test_figures_in_the_folded_answers() -> None:
    """What stands behind a Try is what its command shows: lessons 6, 8 and 13, and the PIDs of lesson 11 by USB 2.0
    8.3.1 (the upper half is the complement of the lower)."""
    resets = listed("sticktrace requests traces/demo/stall-recovery.pcap", "Bulk-Only Mass Storage Reset")
    times = sorted(re.findall(r"([\d.]+) ms", " ".join(resets)))
    assert len(resets) == 6 and f"Six times, once for each phase error, and {times[0]} to {times[-1]} ms" in folded(6)
    for number, trace, command in ((8, "bad-sector", "READ(10)"), (13, "write-protected", "WRITE(10)")):
        rows = listed(f"sticktrace exchanges traces/demo/{trace}.pcap status:bad", command)
        numbers = [row.split()[0] for row in rows]
        assert len(numbers) == {8: 4, 13: 3}[number]
        assert all(re.search(rf"\b{found}\b", folded(number)) for found in numbers)
    assert [(byte & 15) ^ (byte >> 4) == 15 for byte in (0xD2, 0xD3)] == [True, False]
