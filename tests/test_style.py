"""The checks that pyproject.toml sets up, over the whole tree: ruff and strict mypy. And what neither of them knows:
length of functions, docstrings, swallowed errors."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import ROOT

SOURCES = [ROOT / "decoder", ROOT / "tui"]
TREE = [*SOURCES, ROOT / "tests", ROOT / "traces", ROOT / "docs"]


def check(*words: str) -> None:
    """A checker run over the tree says nothing."""
    if importlib.util.find_spec(words[0]) is None:
        pytest.skip(f"{words[0]} is not installed: pip install -e .[test]")
    result = subprocess.run([sys.executable, "-m", *words], capture_output=True, text=True, cwd=ROOT, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def test_ruff() -> None:
    check("ruff", "check", *(str(path) for path in TREE))


def test_mypy() -> None:
    check("mypy")


def files(*folders: Path) -> list[Path]:
    """Every Python file of some folders."""
    return sorted(path for folder in folders for path in folder.rglob("*.py"))


LONGEST_FUNCTION = 60
"""Lines, its docstring and signature included: a guard against sprawl; most stay far below."""


@pytest.mark.parametrize("path", files(*SOURCES), ids=lambda path: "/".join(path.parts[-2:]))
def test_functions_stay_short(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert (node.end_lineno or 0) - node.lineno < LONGEST_FUNCTION, f"{path.name}:{node.lineno} {node.name}"


@pytest.mark.parametrize("path", files(*SOURCES), ids=lambda path: "/".join(path.parts[-2:]))
def test_public_names_say_what_they_are(path: Path) -> None:
    """Every public class and function of a module has a docstring; methods may stand under their base class's."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            words = {ast.unparse(decorator).split(".")[-1] for decorator in node.decorator_list}
            assert ast.get_docstring(node) or "overload" in words, f"{path.name}:{node.lineno} {node.name}"


@pytest.mark.parametrize("path", files(*SOURCES), ids=lambda path: "/".join(path.parts[-2:]))
def test_no_error_is_swallowed(path: Path) -> None:
    """No bare except, no ``except Exception: pass``, no star import."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"{path.name}:{node.lineno}: bare except"
            kind, silent = ast.unparse(node.type), all(isinstance(line, ast.Pass) for line in node.body)
            assert not (silent and kind in ("Exception", "BaseException")), f"{path.name}:{node.lineno}"
        if isinstance(node, ast.ImportFrom):
            assert all(alias.name != "*" for alias in node.names), f"{path.name}:{node.lineno}: star import"
