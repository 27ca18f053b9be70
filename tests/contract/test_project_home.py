"""What a build says of the project's home: nothing where it was told none, and the address it was told."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def provider() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "project_home", ROOT / "build_support" / "project_home.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def links(text: str) -> list[str]:
    return re.findall(r"\]\(([^)]+)\)", text)


def test_without_a_home_no_link_of_the_metadata_is_broken(provider, monkeypatch):
    monkeypatch.delenv(provider.VARIABLE, raising=False)
    assert provider.dynamic_metadata("urls") == {}
    text = provider.dynamic_metadata("readme")["text"]
    assert [link for link in links(text) if not link.startswith("http")] == []
    assert "docs/layouts.md" in text
    assert links((ROOT / "README.md").read_text()) != []


def test_with_a_home_every_link_leads_there(provider, monkeypatch):
    monkeypatch.setenv(provider.VARIABLE, "https://nearkey.example/files")
    assert provider.dynamic_metadata("urls")["Homepage"] == "https://nearkey.example/files/"
    found = links(provider.dynamic_metadata("readme")["text"])
    assert "https://nearkey.example/files/docs/layouts.md" in found
    for link in found:
        path = link.removeprefix("https://nearkey.example/files/")
        assert (ROOT / path).exists(), link


def test_what_is_no_address_is_refused(provider, monkeypatch):
    monkeypatch.setenv(provider.VARIABLE, "nearkey.example")
    with pytest.raises(ValueError, match="is no address; write https"):
        provider.dynamic_metadata("urls")
