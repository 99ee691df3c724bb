"""Units: one list of spellings, and no label that changed is converted or passed over unasked.

Outside the project: the units that SR28 declares (Documentation and User Guide, September 2015, p. 34) and the file
NUTR_DEF itself; a gram is 1000 mg is 1,000,000 µg (BIPM, The International System of Units, 9th ed., table 7).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from rawref.errors import InputError
from rawref.registry import steps
from rawref.registry.units import step_between, units
from rawref.release.build import build
from rawref.workspace import Workspace

from tests.rebuild import small_root
from tests.sr28_copy import restate


def _unit(number: str, label: str) -> Callable[[str], str]:
    def edit(text: str) -> str:
        changed, count = re.subn(rf"^~{number}~\^~[^~]*~", f"~{number}~^~{label}~", text, flags=re.MULTILINE)
        assert count == 1
        return changed

    return edit


@pytest.mark.parametrize(("label", "told"), [
    ("g", r"'g', but its mapping to ZN expects mg"),
    ("µg", r"expects mg"),
    ("pinch", "'pinch', a unit that is not known"),
])
def test_changed_unit_stops_the_build(tmp_path: Path, label: str, told: str) -> None:
    """Zinc (309) is declared in mg; the line is that of the record in NUTR_DEF."""
    scratch = Workspace(small_root(tmp_path / "root"))
    restate(scratch, {"NUTR_DEF": _unit("309", label)})
    with pytest.raises(InputError, match=told) as caught:
        build(scratch, lambda _: None, workbook=False)
    line = caught.value.line()
    assert re.search(r"NUTR_DEF\.txt:\d+", line)
    if label == "g":
        assert '"g_to_mg"' in line and re.search(r"component_sources\.csv:\d+", line)
    assert caught.value.exit_status == 2


def test_swapped_units_stop_the_build(tmp_path: Path) -> None:
    """Milligram and microgram swapped throughout: the first mapping of the file names the fault, and counts all."""
    scratch = Workspace(small_root(tmp_path / "root"))
    swap = {"~mg~": "~µg~", "~µg~": "~mg~"}
    restate(scratch, {"NUTR_DEF": lambda text: re.sub("~(?:mg|µg)~", lambda m: swap[m[0]], text)})
    with pytest.raises(InputError, match=r"\(35 such mappings\)"):
        build(scratch, lambda _: None, workbook=False)


def test_spelling_is_no_change(checkout: Workspace) -> None:
    """The spellings of one unit are one unit, whoever prints them."""
    known = units(checkout.schemas)
    for spellings in (("g", "G", "gram", "grams"), ("mg", "MG", "milligram"), ("µg", "μg", "ug", "UG", "mcg"),
                      ("kcal", "KCAL"), ("kJ",), ("IU",)):
        assert len({known[s] for s in spellings}) == 1
    assert known["mg"] != known["µg"] != known["g"]


def test_steps_between_masses(checkout: Workspace) -> None:
    """Each pair of masses has a plain step with the factor of the SI prefixes."""
    size = {"g": 1.0, "mg": 1e-3, "ug": 1e-6}
    for one in size:
        for other in size:
            if one != other:
                name = step_between(checkout.schemas, one, other)
                assert name, (one, other)
                assert float(steps(checkout.schemas)[name]["factor"]) == pytest.approx(size[one] / size[other])
