"""What every verb that writes does with targets that it must not touch, without rights, and on a full disk.

All of it came up as harm once: an image over the capture itself, a device node that was removed, files outside the
directory, empty files under full names.
"""

from __future__ import annotations

import os
import shutil
import socket
import stat
from pathlib import Path

import pytest

from conftest import capture_bytes
from hands import DEMO, complaint, run, small_disk

FAT = "l01_fat32_ehci-usbmon.pcap"

VERBS = {
    "redact": ["redact", "CAPTURE", "TARGET"],
    "image": ["volume", "CAPTURE", "--image", "TARGET"],
    "jsonl": ["export", "CAPTURE", "--to", "TARGET"],
    "csv": ["export", "CAPTURE", "--as", "csv", "--to", "TARGET"],
    "pcap": ["export", "CAPTURE", "--as", "pcap", "--to", "TARGET"],
    "packets": ["export", "CAPTURE", "--as", "packets", "--to", "TARGET"],
    "shrink": ["shrink", "CAPTURE", "--tries", "5", "--to", "TARGET"],
}
"""Every verb that writes one file."""


def words(verb: str, capture: str, target: str, *more: str) -> list[str | Path]:
    """The words of a verb."""
    return [{"CAPTURE": capture, "TARGET": target}.get(word, word) for word in VERBS[verb]] + list(more)


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder with a capture in it."""
    shutil.copy(DEMO / "healthy-boot.pcap", tmp_path / "own.pcap")
    return tmp_path


def untouched(desk: Path) -> bool:
    """The capture is as it was and nothing unfinished lies about."""
    return (desk / "own.pcap").read_bytes() == (DEMO / "healthy-boot.pcap").read_bytes() and not [
        path for path in desk.rglob("*") if path.name.endswith(".unfinished")
    ]


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("disguise", ["itself", "hard link", "link", "link to link", "path", "link to folder"])
def test_the_capture_is_never_written_over(desk: Path, verb: str, disguise: str) -> None:
    other = desk / "other.pcap"
    target = "other.pcap"
    if disguise == "itself":
        target = "own.pcap"
    elif disguise == "hard link":
        os.link(desk / "own.pcap", other)
    elif disguise == "link":
        other.symlink_to("own.pcap")
    elif disguise == "link to link":
        other.symlink_to("third")
        (desk / "third").symlink_to(desk / "own.pcap")
    elif disguise == "path":
        (desk / "sub").mkdir()
        target = "sub/../own.pcap"
    else:
        other.symlink_to(".")
        target = "other.pcap/own.pcap"
    said = complaint(words(verb, "own.pcap", target, "--overwrite"), desk)
    assert f"{target}: is the capture itself" in said
    assert untouched(desk)


@pytest.mark.parametrize("verb", VERBS)
def test_the_capture_is_not_written_over_when_it_comes_as_standard_input(desk: Path, verb: str) -> None:
    import subprocess
    import sys

    from hands import MAIN, environment

    with (desk / "own.pcap").open("rb") as source:
        done = subprocess.run(
            [sys.executable, "-c", MAIN, *map(str, words(verb, "-", "own.pcap", "--overwrite"))], stdin=source,
            cwd=desk, env=environment(), capture_output=True, timeout=60, check=False,
        )  # fmt: skip
    assert done.returncode == 2 and b"own.pcap: is the capture itself" in done.stderr
    assert untouched(desk)


def test_the_map_beside_an_image_may_be_the_capture(desk: Path) -> None:
    for name in ("x.img.map", "y.img.map"):
        (os.link if name[0] == "x" else os.symlink)(desk / "own.pcap", desk / name)
        said = complaint(["volume", "own.pcap", "--image", name.removesuffix(".map"), "--overwrite"], desk)
        assert f"{name}: is the capture itself" in said
    (desk / "z.img").symlink_to("z.img.map")
    shutil.copy(desk / "own.pcap", desk / "z.img.map")
    assert "z.img" in complaint(["volume", "z.img.map", "--image", "z.img", "--overwrite"], desk)
    assert untouched(desk)


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("kind", ["folder", "pipe", "socket", "device", "link", "dangling link", "link to device"])
def test_what_is_no_plain_file_is_left_alone(desk: Path, verb: str, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --overwrite and without."""
    target = desk / "out"
    if kind == "folder":
        target.mkdir()
    elif kind == "pipe":
        os.mkfifo(target)
    elif kind == "socket":
        monkeypatch.chdir(desk)
        with socket.socket(socket.AF_UNIX) as server:
            server.bind("out")
    elif kind == "device":
        if os.geteuid():
            pytest.skip("only root makes devices")
        os.mknod(target, stat.S_IFCHR | 0o600, os.makedev(1, 3))
    elif kind == "link":
        (desk / "victim").write_bytes(b"mine")
        target.symlink_to("victim")
    else:
        target.symlink_to("/dev/null" if kind == "link to device" else "nowhere")
    before = target.lstat()
    for more in ([], ["--overwrite"]):
        assert "out: is a" in complaint(words(verb, "own.pcap", "out", *more), desk)
        assert (target.lstat().st_ino, target.lstat().st_mode) == (before.st_ino, before.st_mode)
    assert untouched(desk) and (kind != "link" or (desk / "victim").read_bytes() == b"mine")
    assert not (desk / "nowhere").exists() and {p.name for p in desk.iterdir()} <= {"own.pcap", "out", "victim"}


@pytest.mark.parametrize("verb", VERBS)
def test_a_file_that_exists_stays_unless_it_is_to_be_replaced(desk: Path, verb: str) -> None:
    target = desk / "out"
    target.write_bytes(b"mine")
    target.chmod(0o640)
    assert "out: exists" in complaint(words(verb, "own.pcap", "out"), desk)
    assert target.read_bytes() == b"mine"
    assert run(words(verb, "own.pcap", "out", "--overwrite"), desk)[0] in (0, 1)
    assert target.read_bytes() != b"mine" and stat.S_IMODE(target.stat().st_mode) == 0o640
    assert untouched(desk)


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("target", ["", "nothere/out", "own.pcap/out", "o" * 300, "a\x1b[31m\n/out"])
def test_names_that_no_file_can_have_are_named_in_one_line(desk: Path, verb: str, target: str) -> None:
    said = complaint(words(verb, "own.pcap", target), desk)
    assert "\x1b" not in said
    assert untouched(desk) and [path.name for path in desk.iterdir()] == ["own.pcap"]


@pytest.mark.parametrize("verb", VERBS)
def test_the_right_that_is_missing_is_named(desk: Path, verb: str) -> None:
    for name in ("closed", "fixed", "open"):
        (desk / name).mkdir()
    (desk / "open" / "kept").write_bytes(b"mine")
    (desk / "open" / "kept").chmod(0o444)
    (desk / "fixed").chmod(0o555)
    (desk / "closed").chmod(0)
    said = complaint(words(verb, "own.pcap", f"{desk}/fixed/out"), desk, bare=True)
    assert f"{desk}/fixed/out: no right to write in the directory {desk}/fixed (w)" in said
    said = complaint(words(verb, "own.pcap", f"{desk}/closed/out"), desk, bare=True)
    assert f"{desk}/closed/out: no right to enter the directory {desk}/closed (x)" in said
    said = complaint(words(verb, "own.pcap", "open/kept", "--overwrite"), desk, bare=True)
    assert "open/kept: no right to write to it (w)" in said
    (desk / "own.pcap").chmod(0)
    assert "own.pcap: no right to read it (r)" in complaint(words(verb, "own.pcap", "open/x"), desk, bare=True)
    assert f"{desk}/closed/own.pcap: no right to enter the directory" in complaint(
        words(verb, f"{desk}/closed/own.pcap", "open/x"), desk, bare=True
    )
    assert (desk / "open" / "kept").read_bytes() == b"mine"
    (desk / "closed").chmod(0o700)


@pytest.mark.parametrize("verb", VERBS)
def test_on_a_full_disk_nothing_stands_under_the_name(verb: str, tmp_path: Path) -> None:
    (tmp_path / "fat.pcap").write_bytes(capture_bytes(FAT))
    size = {"csv": "4k", "jsonl": "16k"}.get(verb, "64k")
    with small_disk(tmp_path / "disk", size) as disk:
        said = complaint(words(verb, "fat.pcap", str(disk / "out")), tmp_path)
        assert f"{disk / 'out'}: No space left" in said
        assert list(disk.iterdir()) == []
        (disk / "out").write_bytes(b"mine")
        assert "No space left" in complaint(words(verb, "fat.pcap", str(disk / "out"), "--overwrite"), tmp_path)
        assert (disk / "out").read_bytes() == b"mine" and len(list(disk.iterdir())) == 1


def contents(folder: Path) -> dict[Path, bytes]:
    """Every file below a folder."""
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_recovered_files_on_a_full_disk_are_whole_or_not_there(tmp_path: Path) -> None:
    (tmp_path / "fat.pcap").write_bytes(capture_bytes(FAT))
    assert run(["volume", "fat.pcap", "--files", "all"], tmp_path)[0] == 0
    whole = contents(tmp_path / "all")
    with small_disk(tmp_path / "disk", "28k") as disk:
        status, _, error = run(["volume", "fat.pcap", "--files", str(disk)], tmp_path)
        assert status == 2 and "No space left" in error and error.count("\n") == 1, (status, error)
        found = contents(disk)
    assert found.items() <= whole.items() and len(found) < len(whole)


def test_what_the_capture_holds_and_is_not_written_is_no_success(tmp_path: Path) -> None:
    """A file in the way of one file, or of one folder, leaves the rest to be written; status 1 says that not all is."""
    (tmp_path / "fat.pcap").write_bytes(capture_bytes(FAT))
    assert run(["volume", "fat.pcap", "--files", "all"], tmp_path)[0] == 0
    names = sorted(contents(tmp_path / "all"))
    folder = next(name.parent for name in names if name.parent != Path())
    for number, name in enumerate((names[0], folder)):
        target = tmp_path / f"some-{number}"
        (target / name).parent.mkdir(parents=True)
        (target / name).write_bytes(b"mine")
        status, said, error = run(["volume", "fat.pcap", "--files", target], tmp_path)
        assert status == 1 and said.count("not written: ") == 1, error
        assert (target / name).read_bytes() == b"mine" and len(contents(target)) > 1


def test_a_full_disk_while_unpacking_is_called_full(tmp_path: Path) -> None:
    import gzip

    (tmp_path / "fat.pcap.gz").write_bytes(gzip.compress(capture_bytes(FAT), 1))
    with small_disk(tmp_path / "disk", "64k") as disk:
        code = f"import tempfile; tempfile.tempdir = {str(disk)!r}; from sticktrace.cli.main import main; main()"
        status, out, error = run(["check", "fat.pcap.gz"], tmp_path, code=code)
    assert (status, out) == (3, "") and "temporary space" in error and "damaged" not in error, error
    assert error.count("\n") == 1


@pytest.mark.parametrize("link", ["to outside", "to inside", "dangling"])
def test_the_folder_of_a_volume_may_not_be_a_link(tmp_path: Path, link: str) -> None:
    """With several volumes each has a folder of its own in DIR."""
    (tmp_path / "gpt.pcap").write_bytes(_two_volumes())
    first = run(["volume", "gpt.pcap", "--files", "names"], tmp_path)
    folders = sorted(path.name for path in (tmp_path / "names").iterdir())
    assert first[0] == 0 and len(folders) == 2
    (tmp_path / "outside").mkdir()
    out = tmp_path / "out"
    out.mkdir()
    (out / "inner").mkdir()
    (out / folders[0]).symlink_to({"to outside": "../outside", "to inside": "inner", "dangling": "nowhere"}[link])
    _, shown, error = run(["volume", "gpt.pcap", "--files", "out"], tmp_path)
    assert list((tmp_path / "outside").iterdir()) == [] == list((out / "inner").iterdir())
    assert not (out / "nowhere").exists() and folders[0] in shown + error and "not a directory" in shown + error
    assert any((out / folders[1]).rglob("*")), "the other volume is recovered all the same"


def _two_volumes() -> bytes:
    """A capture in which two media with a volume each are read."""
    from volume_lab import sample
    from workshop import Host, Identity, Medium, Recorder, Stick, Unit, wire

    recorder = Recorder()
    units = []
    for name in ("fat12", "fat16"):
        medium = Medium(65536)
        image = bytes(sample(name, 1 << 20))
        for lba in range(len(image) // 512):
            if any(image[lba * 512 : lba * 512 + 512]):
                medium.write(lba, image[lba * 512 : lba * 512 + 512])
        units.append(Unit(medium))
    host = Host(recorder, Stick(Identity(), units, len(units) - 1))
    host.enumerate()
    for lun in range(2):
        host.execute(wire.read_capacity10(), lun=lun)
        for lba in range(0, 512, 64):
            host.execute(wire.read10(lba, 64), lun=lun)
    return recorder.pcap()
