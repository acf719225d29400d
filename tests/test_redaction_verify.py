"""`redact --verify OUT --against IN`: finds in a copy what is put back there, and says when it tells another story."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

import sticktrace
from conftest import ROOT
from sticktrace.cli.main import cli
from sticktrace.redaction.copying import redact
from sticktrace.redaction.promise import LEFT_IN
from sticktrace.redaction.verifying import verify
from test_redaction_proof import ALSO, garden_of

DEMO = ROOT / "traces" / "demo"


def pair(data: bytes, folder: Path) -> tuple[Path, Path]:
    """A capture and a copy of it."""
    before, after = folder / "before", folder / "after"
    before.write_bytes(data)
    with sticktrace.open(before) as capture:
        redact(capture, after)
    return before, after


def verdict(before: Path, after: Path) -> tuple[list[str], list[str]]:
    """What is found, and what differs."""
    with sticktrace.open(before) as original, sticktrace.open(after) as copy:
        report = verify(copy, original)
    return report.found, report.differences


CASES = [("device", form) for form in ("220", "pcapng", "usbmon text", "packets")]
CASES += [("fat32", "hex text"), ("exfat", "266"), ("gpt", "220")]


@pytest.mark.parametrize(("name", "form"), CASES)
def test_a_copy_is_good_and_the_capture_itself_is_not(name: str, form: str, tmp_path: Path) -> None:
    before, after = pair(garden_of(name)[1][form], tmp_path)
    assert verdict(before, after) == ([], [])
    found, differences = verdict(before, before)
    assert found and not differences


@pytest.mark.parametrize("path", sorted(DEMO.glob("usb-*.txt")) + sorted(DEMO.glob("c*.pcap")), ids=lambda p: p.name)
def test_demos(path: Path, tmp_path: Path) -> None:
    assert verdict(*pair(path.read_bytes(), tmp_path)) == ([], [])


PUT_BACK = {
    "as it was": ("FAT: long name", str.encode), "in small letters": ("FAT: short name", lambda t: t.lower().encode()),
    "as UTF-16": ("FAT: label in the root", lambda t: t.encode("utf-16-le")),
    "a deleted name": ("FAT: deleted short name", str.encode),
}  # fmt: skip


@pytest.mark.parametrize("how", PUT_BACK)
def test_what_is_put_back_is_found(how: str, tmp_path: Path) -> None:
    """Over filler in a block of data, where no name belongs."""
    garden, forms = garden_of("fat16")
    before, after = pair(forms["220"], tmp_path)
    place, write = PUT_BACK[how]
    data, secret = bytearray(after.read_bytes()), write(garden.at[place])
    at = forms["220"].index(garden.at["FAT: a free cluster"].encode())
    data[at : at + len(secret)] = secret
    after.write_bytes(data)
    found, differences = verdict(before, after)
    assert len(found) == 1 and ("name" in found[0] or "label" in found[0]) and not differences


def test_another_story_is_told_apart(tmp_path: Path) -> None:
    garden, forms = garden_of("device")
    before, after = pair(forms["220"], tmp_path)
    data = bytearray(after.read_bytes())
    at = data.index(b"USBS")
    data[at + 12] ^= 1  # bCSWStatus, BOT 1.0 5.2
    after.write_bytes(data)
    found, differences = verdict(before, after)
    assert not found and "exchange" in differences[0] and garden.at


def test_the_verb(tmp_path: Path) -> None:
    """Status 0 and 1, one list of what is left in, and no mixing with what writes."""
    source, copy = str(DEMO / "healthy-boot.pcap"), str(tmp_path / "copy")
    run = CliRunner()
    made = run.invoke(cli, ["redact", source, copy])
    good = run.invoke(cli, ["redact", "--verify", copy, "--against", source])
    bad = run.invoke(cli, ["redact", "--verify", source, "--against", source])
    assert (made.exit_code, good.exit_code, bad.exit_code) == (0, 0, 1)
    assert "none of them is in the copy" in good.output and "still in the copy: name of a file" in bad.output
    for result in (made, good, bad):
        assert result.output.splitlines()[-len(LEFT_IN) :] == [f"left in by design: {what}" for what in LEFT_IN]
    for words in (["--verify", copy], ["--against", source], [source], [], ["--verify", copy, "--against", source, "x"],
                  ["--verify", copy, "--against", source, "--keep-names"]):  # fmt: skip
        assert run.invoke(cli, ["redact", *words]).exit_code == 2


def test_the_list_in_the_documentation_is_the_one_that_is_printed() -> None:
    page = (ROOT / "docs" / "redaction.md").read_text(encoding="utf-8")
    assert [line[2:] for line in page.splitlines() if line.startswith("* ")] == list(LEFT_IN)


@pytest.mark.parametrize("form", ["packets 288", "log"])
def test_packets_and_logs(form: str, tmp_path: Path) -> None:
    from planted import Garden

    assert verdict(*pair(ALSO[form](Garden(form)), tmp_path)) == ([], [])
