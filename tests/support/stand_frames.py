"""Small invented plots and counts for the tests of establishment and stand."""

from types import SimpleNamespace

import pandas as pd

from culmbook.sheets.settings import Settings

DAYS = {
    "after_planting": (0, "06-10"),
    "autumn": (0, "10-05"),
    "spring": (1, "05-05"),
    "summer": (1, "06-24"),
}


def make_plots(
    hybrids="ABC",
    replicates=3,
    *,
    planted=40,
    year=2025,
    site="S1",
    treatments=(("machine", "none"),),
):
    """One plot of every hybrid, replicate and treatment; a main plot for each treatment where
    there are several.
    """
    rows = [
        {
            "replicate": str(r),
            "main_plot": f"{r}.{m}" if len(treatments) > 1 else None,
            "hybrid": hybrid,
            "planting_method": method,
            "film": film,
        }
        for r in range(1, replicates + 1)
        for m, (method, film) in enumerate(treatments)
        for hybrid in hybrids
    ]
    frame = pd.DataFrame(rows)
    frame["main_plot"] = frame["main_plot"].astype("str")
    return frame.assign(
        site=site,
        trial=f"{site}{year % 100}",
        plot=[f"{year % 100}{i:03d}" for i in range(1, len(rows) + 1)],
        block="R" + frame["replicate"],
        row=frame["replicate"].astype(int),
        column=frame.groupby("replicate").cumcount() + 1,
        planted_on=pd.Timestamp(year, 5, 4),
        plot_length_m=6.0,
        plot_width_m=4.0,
        harvest_area_m2=12.0,
        plants_planted=pd.array([planted] * len(rows), dtype="Int64"),
        status="ok",
        status_reason=pd.array([pd.NA] * len(rows), dtype="str"),
        status_cause=pd.array([pd.NA] * len(rows), dtype="str"),
    )


def make_counts(plots, season=2025, *, replanted=None, told=None, **alive):
    """Counts of the occasions given; alive plants, replanted and replants told are a number or one
    for each plot.
    """
    frames = [
        _count(
            plots,
            season,
            occasion,
            numbers,
            (replanted or {}).get(occasion, 0),
            (told or {}).get(occasion, pd.NA),
        )
        for occasion, numbers in alive.items()
    ]
    return (
        pd.concat(frames, ignore_index=True)
        if frames
        else _count(plots, season, "autumn", 0, 0, pd.NA).iloc[:0]
    )


def _count(plots, season, occasion, alive, replanted, told):
    later, day = DAYS[occasion]

    def whole(v):
        return pd.array(
            list(v) if isinstance(v, (list, tuple, pd.Series)) else [v] * len(plots), dtype="Int64"
        )

    return pd.DataFrame(
        {
            "site": plots["site"].to_numpy(),
            "plot": plots["plot"].to_numpy(),
            "counted_on": pd.Timestamp(f"{season + later}-{day}"),
            "occasion": occasion,
            "plants_alive": whole(alive),
            "plants_replanted": whole(replanted),
            "emerged_late": "no",
            "replants_alive": whole(told),
            "growing_season": pd.array([season] * len(plots), dtype="Int64"),
        }
    )


def make_hybrids(codes="ABC", controls="A", guards=""):
    """The table of hybrids; the others are candidates."""
    role = ["control" if c in controls else "guard" if c in guards else "candidate" for c in codes]
    return pd.DataFrame({"hybrid": list(codes), "role": role})


def make_gaps(plot_rows, missing, *, day="2025-10-05", rows=5, positions=8, season=2025):
    """Every position of the plots alive but the (plot, row, position) named."""
    frame = pd.DataFrame(
        [
            (site, plot, r, p, "no" if (plot, r, p) in missing else "yes")
            for site, plot in plot_rows
            for r in range(1, rows + 1)
            for p in range(1, positions + 1)
        ],
        columns=["site", "plot", "position_row", "position", "alive"],
    )
    return frame.assign(counted_on=pd.Timestamp(day), growing_season=season)


def make_network(hybrids, **settings):
    """What the page needs of a network: the hybrids and the settings."""
    return SimpleNamespace(tables={"hybrids": hybrids}, settings=Settings(**settings))
