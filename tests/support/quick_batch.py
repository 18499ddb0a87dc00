"""Small networks and notebooks, and a batch that makes plain files of them in this process."""

import json
import random
import shutil

from culmbook.batch import season as batch
from culmbook.batch import workers

SITES = ("ALFA", "BETA")
AREA = 12
HEAD = (
    "site,plot,trial,replicate,block,row,column,main_plot,hybrid,planting_method,film,planted_on,"
    "plot_length_m,plot_width_m,harvest_area_m2,plants_planted,status,status_reason\n"
)
PLOT = "{site},{n},T25,1,1,1,{n},,{hybrid},machine,none,2025-04-20,5,3,{area},60,ok,\n"


def cell(text, *tags):
    return {
        "cell_type": "code",
        "metadata": {"tags": list(tags)},
        "source": text,
        "outputs": [],
        "execution_count": None,
    }


def write_notebook(folder, name, *cells, scopes=("site", "network"), order=10, pause=0.0, **more):
    parameters = f"data: str = 'x'\nseason: int = 2025\nsite: str = 'ALFA'\npause: float = {pause}  # wait [s]"
    made = [
        cell(parameters, "parameters"),
        *map(cell, cells),
        cell("print('culmbook: finished')", "sentinel"),
    ]
    made = [{"cell_type": "markdown", "metadata": {}, "source": f"# Question {name}"}, *made]
    about = {"culmbook": {"report": True, "scopes": list(scopes), "order": order, **more}}
    book = {
        "nbformat": 4,
        "nbformat_minor": 5,
        "metadata": about,
        "cells": [{**one, "id": f"cell-{i}"} for i, one in enumerate(made)],
    }
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.ipynb").write_text(json.dumps(book), encoding="utf-8")


def write_network(folder, plots=dict.fromkeys(SITES, (AREA, AREA))):
    """Write a network of these harvest areas [m²] by site, one plot each."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    places = "".join(
        f"{site},{site} field,XA,5{i}.5,1.5,10,loam,fallow\n" for i, site in enumerate(plots)
    )
    (folder / "sites.csv").write_text(
        "site,site_name,country,latitude,longitude,altitude_m,soil_texture,previous_crop\n" + places
    )
    (folder / "hybrids.csv").write_text(
        "hybrid,role,propagation,stage,crop_type,seed_lot,female_parent,male_parent\n"
        "STD,control,plug,commercial,x,L1,F,M\nH1,candidate,seed,replicated,x,L2,F,M\n"
    )
    for site, areas in plots.items():
        (folder / site).mkdir()
        rows = [
            PLOT.format(site=site, n=n, area=area, hybrid=("H1", "STD")[n % 2])
            for n, area in enumerate(areas, start=1)
        ]
        (folder / site / "plots.csv").write_text(HEAD + "".join(rows))


def changed(plots, chance: random.Random):
    """Change a network as a season does: a row more, a cell mended, a site gone or back."""
    plots, site = dict(plots), chance.choice([*plots])
    what = chance.randrange(3)
    if what == 0:
        plots[site] = (*plots[site], AREA)
    elif what == 1:
        at = chance.randrange(len(plots[site]))
        plots[site] = (*plots[site][:at], chance.randrange(5, AREA), *plots[site][at + 1 :])
    elif "BETA" in plots:
        del plots["BETA"]
    else:
        plots["BETA"] = (AREA,)
    return plots


def asked(root, **changes):
    return batch.Season(
        **{
            "data": str(root / "data"),
            "season": 2025,
            "out": root / "out",
            "notebooks": root / "notebooks",
            "jobs": 2,
            **changes,
        }
    )


class AtOnce:
    """Stands for the pool of workers: every job is done when it is asked for."""

    def __init__(self, *_):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def run(self, queue, on_start):
        while queue:
            job = queue.pop()
            on_start(job)
            yield job, {"status": "done", "reason": "", "seconds": 0.0} | make(job)


def make(job):
    """Make the files of a job from what it reads; each plot has a table of its own."""
    if isinstance(job, workers.NotebookJob):
        folder = batch.resolve_data(job.parameters["data"])
        found = [
            p for p in sorted(folder.glob("*/*.csv")) if job.scope in ("network", p.parent.name)
        ]
        write(job.target, json.dumps([job.name, job.scope, *map(read, found)]))
        return {}
    if isinstance(job, workers.PagesJob):
        for scope, books in job.notebooks.items():
            write(job.made / scope / f"{scope}_2025.pdf", *map(read, books))
        write(job.made / "network" / "glance.html", "<body>glance</body>")
        return {"n_pages": dict.fromkeys(job.notebooks, 1)}
    folder, plots = job.made / job.scope, job.context["network"].tables["plots"]
    write(folder / f"{job.scope}_2025_record.pdf", *map(read, job.notebooks))
    write(folder / "tables.xlsx", *map(read, job.notebooks))
    for row in plots[plots["site"].eq(job.scope) | (job.scope == "network")].itertuples():
        write(folder / "tables" / f"{row.site}-{row.plot}.csv", f"{row.hybrid}\n")
    return {"headline": "made", "n_pages": 1, "places": {}, "incomplete": [], "provisional": []}


def read(path):
    return path.read_text(encoding="utf-8")


def write(path, *texts):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(texts), encoding="utf-8")


def quicken(monkeypatch):
    """Let batches run in this process, by one and the same library."""
    monkeypatch.setattr(workers, "Pool", AtOnce)
    monkeypatch.setattr(batch, "library_fingerprint", lambda: "library")
    monkeypatch.setattr(batch, "package_versions", dict)


def contents(out):
    """Return the bytes of all files but the record, the page with clock times and what was kept."""
    found = {p.relative_to(out).as_posix(): p for p in sorted(out.rglob("*")) if p.is_file()}
    skipped = ("run.json", "index.html", ".lock", "kept files/")
    return {n: p.read_bytes() for n, p in found.items() if not n.startswith(skipped)}
