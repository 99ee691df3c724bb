"""What goes with the table: how to cite it, under which terms, and the hooks that hold a change to them."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

ROOT = Path(__file__).resolve().parent.parent
SCHEMA = ROOT / "tests" / "assets" / "citation-file-format-1.2.0.schema.json"


def yaml(name: str) -> Any:
    return pytest.importorskip("ruamel.yaml").YAML(typ="safe", pure=True).load((ROOT / name).read_text("utf-8"))


def test_the_citation_is_valid() -> None:
    """Against the schema of the Citation File Format 1.2.0; a spoilt one is refused."""
    found, schema = yaml("CITATION.cff"), json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft7Validator(schema).validate(found)
    for spoilt in ({**found, "licence": "CC0-1.0"}, {k: v for k, v in found.items() if k != "authors"}):
        assert not jsonschema.Draft7Validator(schema).is_valid(spoilt)


def test_the_citation_names_every_source_in_the_repository() -> None:
    """As raw/sources.toml declares them: nobody's figures go out without their name."""
    declared = tomllib.loads((ROOT / "raw" / "sources.toml").read_text(encoding="utf-8"))["source"]
    named = " ".join(r["title"] for r in yaml("CITATION.cff")["references"])
    for source in declared:
        if source.get("in_repository") and source["id"] != "maintainer":
            assert all(word in named for word in source["title"].split()[:2]), source["title"]


def test_the_text_of_the_licences_is_whole() -> None:
    """CC0 1.0 from its statement of purpose to section 4.d, beside the licence of the program."""
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    parts = ("MIT License", "CC0 1.0 Universal", "Statement of Purpose", "2. Waiver.", "3. Public License Fallback.",
             "4. Limitations and Disclaimers.", "Affirmer understands and acknowledges")  # fmt: skip
    for part in parts:
        assert part in text, part


def test_the_hooks_ask_nobody() -> None:
    hooks = yaml(".pre-commit-config.yaml")["repos"]
    assert [r["repo"] for r in hooks] == ["local"]
    assert all(h["language"] == "system" for r in hooks for h in r["hooks"])
