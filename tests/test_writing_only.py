"""Nothing but the room `writing` opens a file for writing, makes, renames or removes one: by the text of the program,
and by what the interpreter reports while the verbs run."""

from __future__ import annotations

import ast
import gzip
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import ROOT, capture_bytes
from hands import run
from test_rooms import LIBRARY, SCREEN, modules

ALLOWED = {
    "cli/main.py": {"Path(os.devnull).open(mode, encoding='utf-8')", "os.open(os.devnull, os.O_WRONLY)"},
    "cli/view.py": {"os.open('/dev/tty', os.O_RDWR)"},
}
"""Streams that go nowhere, and the keyboard."""

TOUCHING = {
    "write_text", "write_bytes", "mkdir", "makedirs", "unlink", "rmdir", "removedirs", "rename", "renames", "symlink",
    "symlink_to", "hardlink_to", "mkfifo", "mknod", "mkstemp", "mkdtemp", "fdopen", "TemporaryFile",
    "NamedTemporaryFile", "SpooledTemporaryFile", "TemporaryDirectory", "copyfile", "copytree", "rmtree", "copy2",
    "savetxt", "tofile", "to_parquet", "to_csv", "FileIO",
}  # fmt: skip
"""Names of calls that make or change files, whatever they are called on."""

TOUCHING_OF = {
    ("os", "replace"), ("os", "remove"), ("os", "link"), ("os", "truncate"), ("shutil", "copy"), ("shutil", "move"),
    ("np", "save"),
}  # fmt: skip
"""The same of names that mean something else elsewhere."""


def touches(call: ast.Call) -> bool:
    """Whether a call can make or change a file."""
    function = call.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    owner = ast.unparse(function.value) if isinstance(function, ast.Attribute) else ""
    if name in TOUCHING or (owner, name) in TOUCHING_OF:
        return True
    if name != "open":
        return False
    if owner == "os":
        return ast.unparse(call.args[1]) != "os.O_RDONLY"
    mode = call.args[0 if owner else 1 :][:1] + [k.value for k in call.keywords if k.arg == "mode"]
    return any(not isinstance(arg, ast.Constant) or (set(str(arg.value)) & set("wax+")) for arg in mode)


def calls(path: Path) -> Iterator[str]:
    """The calls of a module that touch files."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and touches(node):
            yield ast.unparse(node)


@pytest.mark.parametrize("path", modules(LIBRARY) + modules(SCREEN), ids=lambda path: "/".join(path.parts[-2:]))
def test_no_other_module_touches_a_file(path: Path) -> None:
    name = "/".join(path.parts[-2:])
    if path.parent == LIBRARY / "writing":
        return
    assert set(calls(path)) <= ALLOWED.get(name, set()), f"{name}: goes through the room `writing`"


def test_the_check_sees_what_it_looks_for() -> None:
    """Each of these lines is one that the check above would object to."""
    lines = [
        "open(p, 'w')", "p.open('ab')", "open(p, mode=m)", "p.write_text('x')", "os.open(p, os.O_RDWR)",
        "os.replace(a, b)", "tempfile.TemporaryFile()", "p.mkdir()", "shutil.rmtree(p)", "p.open(mode)",
        "open(p, 'r+b')",
    ]  # fmt: skip
    assert all(touches(ast.parse(line, mode="eval").body) for line in lines)  # type: ignore[arg-type]
    quiet = ["open(p)", "p.open('rb')", "s.replace('a', 'b')", "self.action_open()", "os.open(p, os.O_RDONLY)"]
    assert not any(touches(ast.parse(line, mode="eval").body) for line in quiet)  # type: ignore[arg-type]


WATCHED = """
import os, sys
CHANGES = (
    "os.mkdir", "os.rename", "os.remove", "os.link", "os.symlink", "os.truncate", "os.rmdir", "shutil.", "tempfile."
)
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
def watch(event, arguments):
    opened = event == "open" and isinstance(arguments[2], int) and arguments[2] & WRITES
    if not (opened or event.startswith(CHANGES)) or arguments[0] == os.devnull:
        return
    frame, files = sys._getframe(1), []
    while frame is not None:
        files.append(frame.f_code.co_filename)
        frame = frame.f_back
    if not any(os.sep + os.path.join("sticktrace", "writing", "") in name for name in files):
        os.write(2, f"OUTSIDE {event} {arguments} {files[:4]}\\n".encode())
import sticktrace.cli.main, scapy.utils
sys.addaudithook(watch)
sticktrace.cli.main.main()
"""
"""A program that reports every change to a file that is not made by the room."""


@pytest.mark.parametrize("words", [
    "redact own.pcap out", "volume own.pcap --image out", "volume own.pcap --files dir", "export own.pcap --to out",
    "export own.pcap --as csv --to out", "export own.pcap --as pcap --to out", "check own.pcap.gz", "check text.txt",
    "watch text.txt --record kept --for 0.5", "watch text.txt --for 0.5",
    "diagnose own.pcap --all", "redact text.txt out", "compare own.pcap text.txt", "timing own.pcap",
])  # fmt: skip
def test_while_it_runs_nothing_else_touches_a_file(tmp_path: Path, words: str) -> None:
    data = capture_bytes("l01_fat32_ehci-usbmon.pcap" if "volume" in words else "l15_read_error-usbmon.pcap")
    (tmp_path / "own.pcap").write_bytes(data)
    (tmp_path / "own.pcap.gz").write_bytes(gzip.compress(data))
    (tmp_path / "text.txt").write_bytes((ROOT / "traces" / "demo" / "usb-console.txt").read_bytes())
    status, _, error = run(list(words.split()), tmp_path, code=WATCHED)
    assert status in (0, 1) and "OUTSIDE" not in error, error
