"""The words by which foods, ingredients and components are looked up: one index for the command line and the pages.

A text is its set of words, small letters, marks off, in the singular. A question is a list of units; a unit is met when
all the words of one of its alternatives stand in the text. What a word or phrase means besides itself is data,
schemas/search_words.csv, the likeliest first (`pig` is pork and never pigeon, as a word is a word and no part of one).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from rawref import registry
from rawref.registry.nearest import nearest

_WORD = re.compile(r"[^\W_]+")
_KEPT = ("ss", "us", "is", "as")
"""Endings that are no plural: mass, citrus, bass is one; `gas` too."""
Unit = tuple[tuple[str, ...], ...]
"""Alternatives, each the words that it asks for."""


def singular(word: str) -> str:
    """A word of English without its plural ending; short words stay."""
    if len(word) <= 3 or word.endswith(_KEPT):
        return word
    if word.endswith("ies") and len(word) > 5:
        return word[:-3] + "y"
    if word.endswith(("ches", "shes", "xes", "oes")):
        return word[:-2]
    return word[:-1] if word.endswith("s") else word


def words_of(text: str) -> list[str]:
    """The words of a text in their order, as they are compared."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return [singular(word) for word in _WORD.findall("".join(c for c in plain if not unicodedata.combining(c)))]


@cache
def meanings(schemas: Path) -> dict[tuple[str, ...], Unit]:
    """What a word or phrase stands for besides itself, from schemas/search_words.csv."""
    return {
        tuple(words_of(r["said"])): tuple(tuple(words_of(meant)) for meant in r["means"].split("|"))
        for _, r in registry.read_csv(schemas / "search_words.csv", "schemas/search_words.csv")
    }


def notes_on(text: str, schemas: Path) -> list[str]:
    """What is to be said where a question holds a word or phrase that means another thing than the table holds, or the
    name of what is not to be fed."""
    words = words_of(text)
    said = f" {' '.join(words)} "
    notes = [r["note"] for _, r in registry.read_csv(schemas / "search_words.csv", "schemas/search_words.csv")
             if r["note"] and f" {' '.join(words_of(r['said']))} " in said]  # fmt: skip
    never = [r for _, r in registry.read_csv(schemas / "not_to_be_fed.csv", "schemas/not_to_be_fed.csv")]
    return notes + [f"Not to be fed: {r['reason']}." for r in registry.not_fed(never, words)]


@dataclass(frozen=True, slots=True)
class Question:
    """What was asked: units in their order, and the words that were read as another one."""

    units: tuple[Unit, ...]
    read_as: dict[str, str]
    unknown: dict[str, list[str]]
    """Words that no text holds, each with the nearest that one does."""

    def meets(self, words: frozenset[str]) -> bool:
        """Whether a text with these words holds every unit."""
        return all(any(all(w in words for w in alternative) for alternative in unit) for unit in self.units)

    def likely(self, words: frozenset[str]) -> tuple[int, ...]:
        """Of a text that meets the question: which alternative of each unit it holds, the likeliest as 0."""
        return tuple(next(at for at, asked in enumerate(unit) if words.issuperset(asked)) for unit in self.units)


def question(text: str, schemas: Path, known: frozenset[str]) -> Question:
    """Read a question: longest phrases first, then words; a word that no text holds is read as the nearest one.

    `known`: every word of the texts that are searched.
    """
    meant = meanings(schemas)
    longest = max(map(len, meant), default=1)
    words, units = words_of(text), []
    read_as: dict[str, str] = {}
    unknown: dict[str, list[str]] = {}
    at = 0
    while at < len(words):
        size = next((n for n in range(min(longest, len(words) - at), 0, -1) if tuple(words[at : at + n]) in meant), 0)
        if size:
            phrase = tuple(words[at : at + size])
            units.append(_alternatives(phrase, meant[phrase]))
            at += size
            continue
        word = words[at]
        at += 1
        if word not in known:
            near = nearest(word, (*known, *(p[0] for p in meant if len(p) == 1)))
            if near and _one_slip(word, near[0]):
                read_as[word], word = near[0], near[0]
                units.append(_alternatives((word,), meant.get((word,), ())))
                continue
            unknown[word] = near
        units.append(((word,),))
    return Question(tuple(units), read_as, unknown)


def _alternatives(phrase: tuple[str, ...], meant: Unit) -> Unit:
    """The words as they are said come first, unless the data have them in another place."""
    return meant if phrase in meant else (phrase, *meant)


def _one_slip(typed: str, word: str) -> bool:
    """Whether `typed` differs by one letter added, left out, changed, or by two that changed places."""
    if abs(len(typed) - len(word)) > 1 or len(typed) < 4:
        return False
    a, b = (typed, word) if len(typed) >= len(word) else (word, typed)
    start = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(b))
    rest_a, rest_b = a[start:], b[start:]
    if len(a) > len(b):
        return rest_a[1:] == rest_b
    return rest_a[1:] == rest_b[1:] or (rest_a[:2] == rest_b[1::-1] and rest_a[2:] == rest_b[2:])


@cache
def spoken_groups(schemas: Path) -> dict[str, str]:
    """The group of a species where people look for it by that: fish, molluscs, crustaceans. Of land animals it says
    too much: `pig` is pork, and no wild boar."""
    return {
        r["species"]: r["species_group"] for _, r in registry.read_csv(schemas / "species.csv", "schemas/species.csv")
        if r["species_group"] in ("finfish", "mollusc", "crustacean")
    }  # fmt: skip


def text_of(ingredient: Mapping[str, Any], schemas: Path) -> str:
    """By what an ingredient is found: id, names, state, the group of its species; an addition is a supplement too."""
    group = spoken_groups(schemas).get(ingredient["species"], "")
    kind = "supplement" if ingredient["kind"] == "addition" else ""
    return " ".join(filter(None, (ingredient["name"], ingredient["ingredient_id"], ingredient["scientific_name"],
                                  ingredient["state"], group, kind)))  # fmt: skip


def no_meat(ingredient: Mapping[str, Any]) -> bool:
    """The order of what is found alike: who names an animal alone means its meat."""
    return bool(ingredient["part"] != "muscle")


def vocabulary(texts: Iterable[frozenset[str]]) -> frozenset[str]:
    """Every word of these texts."""
    return frozenset(word for words in texts for word in words)
