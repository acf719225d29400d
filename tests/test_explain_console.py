"""`sticktrace explain -` reads whatever lines of a console `diagnose` reads."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sticktrace.cli.main import cli

DATA = Path(__file__).parent / "data" / "minimal"


def explain(text: str, *options: str, code: int = 0) -> str:
    result = CliRunner().invoke(cli, ["explain", *(options or ("--table",)), "-"], input=text)
    assert result.exit_code == code, result.output
    return result.output


def rows(text: str) -> dict[str, str]:
    """Name to what stands behind it."""
    found = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.split("  ") if cell.strip()]
        if len(cells) > 2:
            at = 2 if all(len(byte) == 2 for byte in cells[1].split()) else 1
            found[cells[at]] = "  ".join(cells[at + 1 :])
    return found


DRIVER = """\
storage: Command TEST_UNIT_READY (6 bytes)
storage: bytes: 00 00 00 00 00 00
storage: Bulk Command S 0x43425355 T 0x2 L 0 F 0 Trg 0 LUN 0 CL 6
storage: Status code 0; transferred 31/31
storage: Status code 0; transferred 13/13
storage: Bulk Status S 0x53425355 T 0x2 R 0 Stat 0x1
storage: Issuing auto-REQUEST_SENSE
storage: Bulk Command S 0x43425355 T 0x3 L 18 F 128 Trg 0 LUN 0 CL 6
storage: Status code 0; transferred 31/31
storage: Status code 0; transferred 18/18
storage: Status code 0; transferred 13/13
storage: Bulk Status S 0x53425355 T 0x3 R 0 Stat 0x0
storage: -- code: 0x70, key: 0x6, ASC: 0x29, ASCQ: 0x0
"""


def test_a_wrapper_in_words_is_explained_as_far_as_it_is_printed() -> None:
    told = explain("Bulk Command S 0x43425355 T 0x5 L 512 F 128 Trg 0 LUN 0 CL 10\n")
    assert "not printed: CBWCB" in told.splitlines()[0]
    found = rows(told)
    assert found["dCBWTag"].startswith("5")
    assert found["dCBWDataTransferLength"].startswith("512 (200h)")
    assert "stops here: the rest is not printed" in told


def test_fields_that_are_not_printed_have_no_value() -> None:
    text = "dCBWSignature = 0x43425355, dCBWTag = 5, dCBWDataTransferLength = 512, bmCBWFlags = 0x80\n"
    told = explain(text)
    found = rows(told)
    assert found["bCBWLUN"] == found["bCBWCBLength"] == "not printed"
    parts = json.loads(explain(text, "--json"))
    fields = {row["name"]: row for row in parts[0]["parts"][0]["fields"]}
    assert fields["bCBWLUN"]["value"] is None
    assert fields["dCBWTag"]["value"] == 5


def test_sense_that_a_driver_read_out_has_key_and_codes_and_nothing_else() -> None:
    found = rows(explain(DRIVER))
    assert found["SENSE KEY"].endswith("UNIT ATTENTION  [SPC-3 4.5.6 Table 27]")
    assert found["INFORMATION"].startswith("not printed")
    assert found["ILI"].startswith("not printed")


def test_an_exchange_with_such_sense_says_so(tmp_path: Path) -> None:
    path = tmp_path / "driver.log"
    path.write_text(DRIVER)
    fetched = CliRunner().invoke(cli, ["explain", "--table", str(path), "2"]).output
    assert rows(fetched)["INFORMATION"].startswith("not printed")
    failed = CliRunner().invoke(cli, ["explain", str(path), "1"]).output
    assert "INFORMATION" not in failed
    assert "sense in words: UNIT ATTENTION" in failed
    assert "time not known" in failed


def test_a_command_without_its_block_is_not_called_empty(tmp_path: Path) -> None:
    path = tmp_path / "partial.log"
    path.write_text("dCBWSignature = 0x43425355, dCBWTag = 5, dCBWDataTransferLength = 512, bmCBWFlags = 0x80\n")
    told = CliRunner().invoke(cli, ["exchanges", str(path)]).output
    assert "command not printed" in told
    assert "legal are 1 to 16" not in told


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("CBW: 55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12 00 00 00 24 00" + " 00" * 10, "INQUIRY CDB"),
        ("[USB] EP 0x81 IN len=13 OK", "IN endpoint 81h, 13 bytes; 13 bytes of it not printed"),
        ("sd 6:0:0:0: [sdb] 30310400 512-byte logical blocks: (15.5 GB/14.5 GiB)", "blocks 30310400"),
    ],
)
def test_one_line_of_any_form(line: str, says: str) -> None:
    assert says in explain(line + "\n")


@pytest.mark.parametrize("path", sorted(DATA.glob("light-host-debug-*.log")), ids=lambda path: path.stem)
def test_every_minimal_log_is_explained(path: Path) -> None:
    told = explain(path.read_text())
    assert "control request GET_DESCRIPTOR" in told
    assert "Setup packet  USB 2.0 9.3" in told
    assert json.loads(explain(path.read_text(), "--json"))


@pytest.mark.parametrize("text", ["hello world\n", "what? no\n", "port 1\n", "\x00\x01\n", "zz\n"])
def test_rubbish_is_a_usage_error(text: str) -> None:
    explain(text, code=2)


def test_plain_hex_is_read_as_before() -> None:
    assert "INQUIRY CDB" in explain("12 00 00 00 24 00\n")


def test_as_takes_hex_alone() -> None:
    explain("Bulk Command S 0x43425355 T 0x5 L 512 F 128 Trg 0 LUN 0 CL 10\n", "--as", "cbw", code=2)
