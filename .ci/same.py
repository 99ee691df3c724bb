"""Exit 1 where a build is not the committed table: text files byte for byte, Parquet by content and order of rows.

The manifest is compared in what it says of the table. What the program was when the table was accepted (its version,
the digests of its files, the count of its rules) stays as it was when a later program makes the same table.
"""

import json
import sys
from pathlib import Path

import pyarrow.parquet as pq

OF_ACCEPTANCE = ("program", "inputs", "code", "checks")
ONLY_ACCEPTED = ("CHANGELOG.md", "changes.tsv", "table.xlsx")


def content(path: Path) -> object:
    if path.suffix == ".parquet":
        return pq.read_table(path)
    if path.name == "manifest.json":
        document = json.loads(path.read_text(encoding="utf-8"))
        return {key: value for key, value in document.items() if key not in OF_ACCEPTANCE}
    if path.name == "datapackage.json":  # names the workbook where there is one, and a build here writes none
        document = json.loads(path.read_text(encoding="utf-8"))
        document["resources"] = [r for r in document["resources"] if r["format"] != "xlsx"]
        return document
    return path.read_bytes()


accepted, built = (Path(folder) for folder in sys.argv[1:])
names = sorted({p.name for folder in (accepted, built) for p in folder.iterdir()} - set(ONLY_ACCEPTED))
differing = [
    name
    for name in names
    if not all((folder / name).is_file() for folder in (accepted, built))
    or content(accepted / name) != content(built / name)
]
sys.exit(f"differing: {', '.join(differing)}" if differing else 0)
