"""Compiled templates are kept as modules are, and a page is the same with them and without."""

from __future__ import annotations

import sys
from importlib.util import cache_from_source
from pathlib import Path

import jinja2
import pytest

from imu_shoulder.report import templates


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """Where compiled templates are kept now."""
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    folder = Path(cache_from_source(templates.__file__)).parent
    assert folder.is_relative_to(tmp_path)
    folder.mkdir(parents=True)
    return folder


def page(text="{% if name %}{{ name }}{% endif %}") -> str:
    loader = jinja2.DictLoader({"page": text})
    return templates.environment.__wrapped__(loader).get_template("page").render(name="<M.K.>")


def never(*_, **__):
    raise AssertionError("compiled again")


def test_a_template_is_compiled_once_and_again_when_it_changed(kept, monkeypatch):
    assert page() == "&lt;M.K.&gt;"
    assert [path.suffix for path in kept.iterdir()] == [".template"]
    monkeypatch.setattr(jinja2.Environment, "compile", never)
    assert page() == "&lt;M.K.&gt;"
    with pytest.raises(AssertionError, match="compiled again"):
        page("{{ name }}.")


def test_where_modules_are_not_kept_templates_are_not(kept, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert page() == "&lt;M.K.&gt;"
    assert list(kept.iterdir()) == []


def test_where_nothing_can_be_written_a_page_is_made_all_the_same(kept):
    kept.rmdir()
    kept.write_text("no folder")
    assert page() == "&lt;M.K.&gt;"


def test_what_is_no_compiled_template_is_not_taken_for_one(kept):
    page()
    (compiled,) = kept.iterdir()
    compiled.write_bytes(compiled.read_bytes()[:-20])
    assert page() == "&lt;M.K.&gt;"
