"""What one report says of one subject, side by side, and what of it cannot both be true.

Made of the bundles that the report's notebooks show, so it reads what the reader reads. Only what a
rule can tell is called a contradiction; `statements` lists the rest for a reader's eye.
"""

import re
from itertools import combinations

import pandas as pd

DONE = {"promote": "Promote", "hold": "hold", "too early": "too early", "drop": "drop"}
_NONE = re.compile(r"\b[Nn]o (?:hybrid|decision)s? (?:differs?|survived|changes?)\b[^.;]*")
_SOME = re.compile(r"\b([1-9]\d*) (?:hybrids? )?(?:survived|differs?|changes?) (?:clearly )?[^.;]*")
_ONE_SITE = "The mean hides the sites"  # what follows is of one site, beside the mean over all
_PAID = re.compile(r"costs (\d+\.\d+) and is expected to take (\d+\.\d+) off")


def statements(report: dict, hybrids) -> pd.DataFrame:
    """Every sentence that names a hybrid, by hybrid: ``subject, notebook, label, sentence``.

    Parameters
    ----------
    report : dict of str to list of dict
        By notebook, the bundles that it shows.
    hybrids : collection of str
    """
    rows = [
        (hybrid, notebook, bundle["label"], sentence)
        for notebook, bundles in report.items()
        for bundle in bundles
        for sentence in bundle.get("sentences", ())
        for hybrid in hybrids
        if re.search(rf"(?<!\w){re.escape(hybrid)}(?!\w)", sentence)
    ]
    columns = ["subject", "notebook", "label", "sentence"]
    return pd.DataFrame(rows, columns=columns).sort_values(columns[:2], ignore_index=True)


ONE_QUANTITY = ("70_choosing_across_sites.ipynb",)
"""Notebooks in which a column of one name, heading and meaning is one quantity in every table; in the
others "alive" or "difference" is told by its table's caption."""


def contradictions(report: dict, one_quantity=ONE_QUANTITY) -> list[str]:
    """Sentences and cells of one report that cannot both be true, each pair in a line.

    Rules: one hybrid has one decision; a quantity (column name, heading and meaning) has one value
    for one hybrid in a notebook of `one_quantity`; of one label *no* hybrid and *some* cannot be said together; what
    waits because it pays saves no less than it costs.
    """
    found = []
    for notebook, bundles in report.items():
        values = _values(bundles) if notebook in one_quantity else ()
        found += [f"{notebook}: {pair}" for pair in [*values, *_decisions(bundles)]]
        texts = [b for b in bundles if "sentences" in b]
        for label in {b["label"] for b in texts} - {""}:
            told = [s for b in texts if b["label"] == label for s in b["sentences"]]
            own = " ".join(s for s in told if not s.startswith(_ONE_SITE))
            if (none := _NONE.search(own)) and (some := _SOME.search(own)):
                found.append(f"{notebook}, {label}: {none.group()} | {some.group()}")
        for cost, saved in _PAID.findall(" ".join(s for b in texts for s in b["sentences"])):
            if float(saved) < float(cost):
                found.append(f"{notebook}: waiting costs {cost} | saves {saved}")
    return found


def _keyed(bundles):
    """Label and frame of every table, or data of a figure, with one row for a hybrid; and columns."""
    for bundle in bundles:
        content = bundle.get("data") or bundle
        columns = content.get("columns", [])
        names = [c["name"] for c in columns]
        if "hybrid" in names:
            frame = pd.DataFrame(content["values"], columns=names)
            if frame["hybrid"].is_unique:
                yield bundle["label"], frame.set_index("hybrid"), columns


def _values(bundles):
    for (a, one, columns), (b, two, others) in combinations(list(_keyed(bundles)), 2):
        for column in columns:
            like = {k: column[k] for k in ("name", "heading", "meaning")}
            same = any(like == {k: c[k] for k in like} for c in others)
            is_own = column["name"] == "hybrid" or column["kind"] == "count"
            if is_own or not same or not like["meaning"]:
                continue
            both = one[[like["name"]]].join(two[like["name"]].rename("other"), how="inner").dropna()
            for hybrid, (x, y) in both.iterrows():
                is_number = isinstance(x, (int, float)) and isinstance(y, (int, float))
                if abs(x - y) > 1e-9 if is_number else x != y:
                    yield f"{like['heading']} of {hybrid}: {x} in {a} | {y} in {b}"


def _decisions(bundles):
    """A decision in a sentence, or another table, that is not the one in the table of decisions."""
    tables = {label: frame for label, frame, _ in _keyed(bundles) if "decision" in frame}
    if "decisions" not in tables:
        return
    taken = tables["decisions"]["decision"]
    for label in tables.keys() - {"decisions", "last-decisions"}:
        other = tables[label]["decision"].reindex(taken.index).dropna()
        for hybrid in other.index[other.ne(taken[other.index])]:
            yield f"{hybrid}: {taken[hybrid]} in decisions | {other[hybrid]} in {label}"
    said = " ".join(s for b in bundles if b.get("label") == "Decision" for s in b["sentences"])
    for decision, word in DONE.items():
        listed = re.search(rf"\b{word}: ([^;.]*)", said)
        for hybrid in taken.index if listed else ():
            names = rf"(?<!\w){re.escape(hybrid)} \("
            if re.search(names, listed.group(1)) and taken[hybrid] != decision:
                yield f"{hybrid}: {taken[hybrid]} in decisions | {decision} in a sentence"
