"""The transcripts in README.md and reports/README.md: `$ rawref ...` and what it prints, run and compared or renewed.

A block that ends with a line `...` shows the beginning of the output, as many lines as it did. `python -m
tests.documents` renews them from the last build of this checkout; tests/test_documents.py compares.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

REPO = Path(__file__).parents[1]
DOCUMENTS = ("README.md", "reports/README.md")
BLOCK = re.compile(r"```console\n(.*?)```", re.S)


def printed(command: str, root: Path) -> str:
    """What a command line of a document prints on stdout, 80 columns wide, in a checkout."""
    words = shlex.split(command)
    done = subprocess.run(
        [sys.executable, "-m", "rawref", "--root", str(root), *words[1:]], cwd=root, capture_output=True, text=True,
        check=False,
    )
    return done.stdout.rstrip("\n")


def transcripts(text: str) -> list[tuple[str, str]]:
    """Command and shown output of every block with one command; blocks of several commands show no output."""
    found = []
    for block in BLOCK.findall(text):
        first, _, rest = block.partition("\n")
        if first.startswith("$ rawref ") and "\n$ " not in block:
            found.append((first[2:], rest.rstrip("\n")))
    return found


def agrees(shown: str, output: str) -> bool:
    """Whether a shown output is that output, or its beginning where it ends with `...`."""
    if shown.endswith("..."):
        head = shown.removesuffix("...").rstrip("\n").splitlines()
        return bool(head) and output.splitlines()[: len(head)] == head
    return shown == output


def renewed(text: str, root: Path) -> str:
    """The document with its transcripts run anew."""

    def again(match: re.Match[str]) -> str:
        first, _, rest = match.group(1).partition("\n")
        if not first.startswith("$ rawref ") or "\n$ " in match.group(1):
            return match.group(0)
        output = printed(first[2:], root)
        shown = rest.rstrip().splitlines()
        if shown and shown[-1] == "...":
            output = "\n".join([*output.splitlines()[: len(shown) - 1], "..."])
        return f"```console\n{first}\n{output}\n```"

    return BLOCK.sub(again, text)


if __name__ == "__main__":
    for name in DOCUMENTS:
        path = REPO / name
        path.write_text(renewed(path.read_text(encoding="utf-8"), REPO), encoding="utf-8", newline="\n")
