"""Are the CSV tables of two seasons the same? ``python tests/judge/same_tables.py OLD NEW [--only
40-]``.

OLD and NEW are output folders of `culmbook season`, made from the same sheets by two versions. A
cell is the same when it reads the same, or when both are numbers within 1e-9. Ends with status 1 if
anything differs.
"""

import argparse
import csv
import math
import sys
from pathlib import Path


def same_cell(old: str, new: str) -> bool:
    """Whether two cells say the same."""
    if old == new:
        return True
    try:
        return math.isclose(float(old), float(new), rel_tol=1e-9, abs_tol=1e-9)
    except ValueError:
        return False


def read(path: Path) -> tuple[list[str], list[list[str]]]:
    """Header and rows of a CSV file."""
    with path.open(encoding="utf-8-sig", newline="") as lines:
        header, *rows = csv.reader(lines)
    return header, rows


def differences(old: Path, new: Path) -> list[str]:
    """What a table of the new season does not say as the old one did; new columns are no
    difference.
    """
    if not new.is_file():
        return ["gone"]
    (head, rows), (new_head, new_rows) = read(old), read(new)
    told = [f"column {name} gone" for name in head if name not in new_head]
    if len(rows) != len(new_rows):
        return [*told, f"{len(rows)} rows, now {len(new_rows)}"]
    for name in (name for name in head if name in new_head):
        a, b = head.index(name), new_head.index(name)
        pairs = [(x[a], y[b]) for x, y in zip(rows, new_rows, strict=True)]
        moved = [pair for pair in pairs if not same_cell(*pair)]
        if moved:
            told.append(
                f"{name}: {len(moved)} of {len(pairs)} cells, first {moved[0][0]} → {moved[0][1]}"
            )
    return told


def main(arguments=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    parser.add_argument("--only", default="", help="beginning of the file names to compare")
    chosen = parser.parse_args(arguments)
    found = 0
    for path in sorted(chosen.old.glob(f"*/tables/{chosen.only}*.csv")):
        place = path.relative_to(chosen.old)
        for told in differences(path, chosen.new / place):
            found += 1
            print(f"{place}: {told}")
    print(f"{found} differences")
    return int(found > 0)


if __name__ == "__main__":
    sys.exit(main())
