"""Is a season's output whole: every report there, readable, and every status good?"""

import json
import sys
from pathlib import Path

from pypdf import PdfReader

SITES = 5
GOOD = ("done", "provisional")  # the demo has two seasons after establishment, and says so


def main(folder):
    out = Path(folder)
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    reports = sorted(out.glob("*/*_record.pdf"))
    faults = [] if len(reports) == SITES + 1 else [f"{len(reports)} records instead of {SITES + 1}"]
    for report in reports:
        pages = len(PdfReader(report).pages)
        if pages < 5:
            faults.append(f"{report.name} has {pages} pages")
        short = report.with_name(report.name.replace("_record", ""))
        most = 10 if report.parent.name == "network" else 8
        if not short.is_file() or len(PdfReader(short).pages) > most:
            faults.append(f"{short.name} is not there, or has more than {most} pages")
        has_csv = any((report.parent / "tables").glob("*.csv"))
        if not has_csv or not (report.parent / "tables.xlsx").is_file():
            faults.append(f"{report.parent.name} has no tables")
    index = (out / "index.html").read_text(encoding="utf-8")
    linked = sorted(out.glob("*/*.pdf"))
    faults += [f"index.html does not link {r.name}" for r in linked if r.name not in index]
    frames = [out / "network" / "frames" / f"{n}.csv" for n in ("answers", "numbers", "sentences")]
    more = [*frames, out / "network" / "glance.html", *out.glob("network/hybrids_*.pdf")]
    faults += [f"{path.name} is not there" for path in more if not path.is_file()]
    faults += ["no page of the hybrids"] * (len(more) != len(frames) + 2)
    if run["pages"]["reason"]:
        faults.append(f"short pages: {run['pages']['reason']}")
    statuses = {scope: state["status"] for scope, state in run["scopes"].items()}
    faults += [f"{scope}: {status}" for scope, status in statuses.items() if status not in GOOD]
    faults += [f"left over: {p.relative_to(out)}" for p in out.rglob(".culmbook-*")]
    print(f"{len(reports)} records, {sum(len(PdfReader(r).pages) for r in reports)} pages")
    return "\n".join(faults)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]) or 0)
