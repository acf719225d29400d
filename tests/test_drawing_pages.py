"""docs/pictures.md and its drawings are what the program draws now."""

from __future__ import annotations

import importlib.util
from types import ModuleType

import pytest

from conftest import ROOT


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "docs" / "make_pictures.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_fresh(maker: ModuleType) -> None:
    assert (ROOT / "docs" / "pictures.md").read_text(encoding="utf-8") == maker.page(), "run docs/make_pictures.py"


def test_each_drawing_is_fresh(maker: ModuleType) -> None:
    folder = ROOT / "docs" / "pictures"
    made = maker.drawings()
    assert {path.stem for path in folder.glob("*.svg")} == set(made)
    for name, text in made.items():
        assert (folder / f"{name}.svg").read_text(encoding="utf-8") == text, f"{name}: run docs/make_pictures.py"
        assert str(ROOT) not in text
