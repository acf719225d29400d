"""The plan of the house (docs/how-it-works.md): which room may import which, and what `sticktrace --help` may load."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import ROOT

LIBRARY = ROOT / "decoder" / "sticktrace"
SCREEN = ROOT / "tui" / "sticktrace_tui"

ROOMS = [
    "grammar", "codes", "writing", "capture", "bus", "transport", "storage", "session", "following", "sticks",
    "timeline", "volume", "findings", "timing", "comparison", "board", "duties", "redaction", "shrinking", "drawing",
    "survey",
    "output", "report", "words", "quiz", "cli",
]  # fmt: skip
"""In the order of the arrows: a room may import the rooms before it. `session`, one pass over a capture, and
`following`, one over a capture that still comes, are no rooms but stand behind those that they bring together."""

ALWAYS = {"errors", "text"}
"""Modules beside the rooms that every room may use."""

FACE = "__init__"
"""The public face: it may reach every room except the command line, and only the command line uses it."""

HEAVY = {"construct", "numpy", "rich", "scapy", "textual"}


def modules(folder: Path) -> list[Path]:
    """Every module of a package."""
    return sorted(folder.rglob("*.py"))


def room_of(path: Path) -> str:
    """The room of a module, or its own name where it stands beside the rooms."""
    return path.relative_to(LIBRARY).parts[0].removesuffix(".py")


def imported(path: Path, *, later: bool = True) -> Iterator[tuple[str, int]]:
    """The full names that a module imports, with the line. ``later`` False leaves out what stands inside a function or
    serves type checks alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = ast.walk(tree) if later else _at_import(tree)
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are written in full"
            base = node.module or ""
            yield from ((f"{base}.{alias.name}", node.lineno) for alias in node.names)


def _at_import(tree: ast.AST) -> Iterator[ast.AST]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            continue
        yield node
        yield from _at_import(node)


def allowed(room: str) -> set[str]:
    """The rooms and modules of the library that a room may import."""
    if room == FACE:
        return ALWAYS | set(ROOMS) - {"cli"}
    if room in ALWAYS:
        return ALWAYS
    before = set(ROOMS[: ROOMS.index(room) + 1])
    if room == "grammar":
        before.add("codes")  # a layout's meanings come from the tables of codes
    if room == "cli":
        before.add(FACE)
    return before | ALWAYS


@pytest.mark.parametrize("path", modules(LIBRARY), ids=lambda path: str(path.relative_to(LIBRARY)))
def test_arrows_go_one_way(path: Path) -> None:
    room = room_of(path)
    assert room in {*ROOMS, *ALWAYS, FACE}, f"{room} is not in the plan"
    for name, line in imported(path):
        package, _, rest = name.partition(".")
        assert package != "sticktrace_tui" or room == "cli", f"{path}:{line}: the library does not know the screen"
        if package == "sticktrace" and rest:
            target = rest.partition(".")[0]
            if target not in {*ROOMS, *ALWAYS, FACE}:
                target = FACE  # a name of the package itself
            assert target in allowed(room), f"{path}:{line}: {room} may not import {target}"


@pytest.mark.parametrize("path", modules(SCREEN), ids=lambda path: path.name)
def test_the_screen_stands_outside(path: Path) -> None:
    """It uses the public face, drawings and the output room, and no private name."""
    for name, line in imported(path):
        parts = name.split(".")
        if parts[0] == "sticktrace":
            assert len(parts) == 2 or parts[1] in ("drawing", "output"), (
                f"{path}:{line}: {name} is behind the public face"
            )
            assert not any(part.startswith("_") and part != "__version__" for part in parts), f"{path}:{line}: {name}"


@pytest.mark.parametrize("path", modules(LIBRARY), ids=lambda path: str(path.relative_to(LIBRARY)))
def test_heavy_packages_are_imported_late(path: Path) -> None:
    """Only the grammar may take Construct in at once; numpy, scapy, rich and textual come in inside functions."""
    for name, line in imported(path, later=False):
        package = name.partition(".")[0]
        if package == "construct" and room_of(path) == "grammar":
            continue
        assert package not in HEAVY, f"{path}:{line}: {package} is heavy, import it inside the function that needs it"


@pytest.mark.parametrize("path", modules(LIBRARY) + modules(SCREEN), ids=lambda path: "/".join(path.parts[-2:]))
def test_every_module_says_what_is_in_it(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))), path


def test_no_circles() -> None:
    """No module of the library comes back to itself by its imports, those that serve type checks left out."""
    known = {".".join(path.relative_to(LIBRARY.parent).with_suffix("").parts): path for path in modules(LIBRARY)}
    arrows: dict[str, set[str]] = {}
    for module, path in known.items():
        wanted = {name for full, _ in imported(path, later=False) for name in (full, full.rpartition(".")[0])}
        arrows[module] = {name for name in wanted if name in known and name != module}
    done: set[str] = set()

    def walk(module: str, way: tuple[str, ...]) -> None:
        assert module not in way, " -> ".join((*way[way.index(module) :], module))
        if module not in done:
            for other in arrows[module]:
                walk(other, (*way, module))
            done.add(module)

    for module in known:
        walk(module, ())


def test_the_public_face_names_what_there_is() -> None:
    """Each name of the face is there, and its list for type checks says the same as the one that brings them in."""
    import sticktrace

    for name in sticktrace.__all__:
        assert getattr(sticktrace, name) is not None
    tree = ast.parse((LIBRARY / "__init__.py").read_text(encoding="utf-8"))
    (block,) = [node for node in tree.body if isinstance(node, ast.If)]
    told = {
        alias.asname or alias.name: (str(node.module).removeprefix("sticktrace."), alias.name)
        for node in block.body if isinstance(node, ast.ImportFrom) for alias in node.names
    }  # fmt: skip
    assert told == sticktrace._HOMES
    assert set(sticktrace.__all__) == {*told, "CaptureError", "LayoutError", "SticktraceError"}


HELP_MAY_LOAD = {"sticktrace", "sticktrace.errors", "sticktrace.cli", "sticktrace.cli.main"}
"""The modules of the library that `sticktrace --help` needs."""


def loaded_by(arguments: list[str]) -> set[str]:
    """The modules that a fresh interpreter holds after running the command line."""
    code = (
        "import sys, io\nfrom contextlib import redirect_stdout\nfrom sticktrace.cli.main import cli\n"
        f"with redirect_stdout(io.StringIO()):\n    cli({arguments!r}, standalone_mode=False)\n"
        "print(*sys.modules, sep='\\n')"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={"PYTHONPATH": str(ROOT / "decoder"), "PATH": ""},
    )  # fmt: skip
    return set(run.stdout.split())


def test_help_loads_next_to_nothing() -> None:
    loaded = loaded_by(["--help"])
    assert {name for name in loaded if name.partition(".")[0].startswith("sticktrace")} <= HELP_MAY_LOAD
    outside = {name.partition(".")[0] for name in loaded} - set(sys.stdlib_module_names) - {"__main__", "sticktrace"}
    assert {name for name in outside if not name.startswith("_")} <= {"click", "sitecustomize"}
    assert not loaded & {"asyncio", "sqlite3", "unittest", "xml", "multiprocessing", "http", "json", "csv"}


def test_listing_exchanges_loads_no_screen_and_no_network_library() -> None:
    capture = ROOT / "traces" / "demo" / "healthy-boot.pcap"
    loaded = loaded_by(["exchanges", str(capture)])
    assert not {name for name in loaded if name.partition(".")[0] in {"rich", "scapy", "textual", "sticktrace_tui"}}
