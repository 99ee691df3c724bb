"""The documents say what the program prints: every printed example is run and compared, every option named exists."""

from __future__ import annotations

import re

import pytest
from rawref.cli import app
from rawref.workspace import Workspace
from typer.main import get_command

from tests.documents import DOCUMENTS, REPO, agrees, printed, transcripts

CASES = [
    (name, command, shown)
    for name in DOCUMENTS
    for command, shown in transcripts((REPO / name).read_text(encoding="utf-8"))
]


@pytest.mark.parametrize(("name", "command", "shown"), CASES, ids=[f"{n}: {c}" for n, c, _ in CASES])
def test_transcripts_are_what_the_program_prints(
    built_workspace: Workspace, name: str, command: str, shown: str
) -> None:
    """The build of what is committed, as a reader of the document has it after the first command."""
    assert agrees(shown, printed(command, built_workspace.root)), f"{name}: run python -m tests.documents"


def test_there_are_transcripts() -> None:
    assert len(CASES) >= 4


def test_commands_and_options_that_documents_name_exist() -> None:
    command = get_command(app)
    known = {opt for sub in command.commands.values() for p in sub.params for opt in (*p.opts, *p.secondary_opts)}  # type: ignore[attr-defined]
    known |= {opt for p in command.params for opt in p.opts} | {"--help"}
    for name in (*DOCUMENTS, "DEVELOPERS.md"):
        text = (REPO / name).read_text(encoding="utf-8")
        for line in re.findall(r"rawref ([a-z]+[^`\n]*)", text):
            words = line.split()
            if words[0] in command.commands:  # type: ignore[attr-defined]
                for option in re.findall(r"(?<![\w-])--[a-z]+(?:-[a-z]+)*", line):
                    assert option in known, f"{name}: {line}"


def test_links_of_documents_lead_to_files() -> None:
    for name in (*DOCUMENTS, "DEVELOPERS.md", "raw/maintainer/README.md"):
        path = REPO / name
        links = re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8"))
        missing = [link for link in links if not (path.parent / link).exists()]
        assert missing == [], name
