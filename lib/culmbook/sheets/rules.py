"""What cannot be true of a row beside its plot or the table's other rows: such rows are refused.

Each rule takes the rows under reading and the tables read before, and refuses rows in place. Rows that were
refused earlier are not judged again.
"""

import numpy as np

AREA_SLACK = 1.005  # areas are typed rounded


def check_rules(rows, read):
    """Refuse the rows of one table that break a rule of the table.

    Parameters
    ----------
    rows : Rows
        Changed in place.
    read : dict of str to Rows
        Tables read before; ``plots`` for the tables of plots.
    """
    check_needed_cells(rows)
    if {"status", "status_reason"} <= set(rows.table.columns):
        check_status_reason(rows)
    if rows.table.name != "plots" and "plot" in rows.table.columns and "plots" in read:
        plots = plots_of(rows, read["plots"])
        check_not_before_planting(rows, plots)
    else:
        plots = None
    if "growing_season" in rows.table.columns:
        check_season_of_dates(rows)
    for rule in RULES.get(rows.table.name, ()):
        rule(rows, plots)


def plots_of(rows, plots):
    """Return the plot of each row: the plots table's columns beside the rows, missing where unknown."""
    good = plots.frame[plots.ok].drop(columns=["source_file", "source_line"])
    return rows.frame[["site", "plot"]].merge(good, on=["site", "plot"], how="left")


def _held(condition):
    """Return a condition as plain booleans; where a value is missing it does not hold."""
    return condition.fillna(False).to_numpy(dtype=bool)


def _day(value):
    return f"{value:%Y-%m-%d}"


def check_needed_cells(rows):
    """Refuse rows with a blank cell that their status needs filled."""
    for field in rows.table.fields:
        for other, values in field.required_if:
            needed = rows.ok & _held(rows.frame[field.name].isna() & rows.frame[other].isin(values))
            code = {"date": "E-DATE"}.get(field.type, "E-NUMBER")
            rows.refuse(
                needed,
                code,
                field.name,
                f"blank, but {other} is {' or '.join(values)}",
                f"fill in {field.name}, or give another {other} and a reason",
            )


def check_status_reason(rows):
    """Refuse rows whose status is not ok without a reason."""
    bare = (
        (rows.frame["status"] != "ok")
        & rows.frame["status"].notna()
        & rows.frame["status_reason"].isna()
    )
    rows.refuse(
        rows.ok & _held(bare),
        "E-RULE",
        "status_reason",
        lambda i: f"blank, but the status is {rows.frame['status'].iat[i]}",
        "write why in status_reason",
    )


def check_not_before_planting(rows, plots):
    """Refuse rows dated before their plot was planted, or of a growing season before that of planting."""
    planted = plots["planted_on"]
    for field in rows.table.fields:
        if field.type == "date":
            early = rows.ok & _held(rows.frame[field.name] < planted)
            rows.refuse(
                early,
                "E-DATE",
                field.name,
                lambda i: "before the plot was planted; planted " + _day(planted.iat[i]),
                "correct the date",
            )
    if "growing_season" in rows.table.columns:
        early = rows.ok & _held(rows.frame["growing_season"] < planted.dt.year)
        rows.refuse(
            early,
            "E-RANGE",
            "growing_season",
            lambda i: f"a season before the plot was planted; planted {_day(planted.iat[i])}",
            "correct growing_season",
        )


# calendar years after the growing season that a date may reach into
SEASON_DATES = {"harvested_on": 1, "measured_on": 1, "emerged_on": 0, "flowered_on": 0}


def check_season_of_dates(rows):
    """Refuse rows whose date cannot lie in their growing season or the winter after it."""
    season = rows.frame["growing_season"]
    for name, reach in SEASON_DATES.items():
        if name not in rows.table.columns:
            continue
        later = rows.frame[name].dt.year - season
        wrong = rows.ok & _held((later < 0) | (later > reach))
        years = "that year" if reach == 0 else "that year or the next"
        rows.refuse(
            wrong,
            "E-DATE",
            name,
            lambda i: f"growing season {season.iat[i]} has its dates in " + years,
            "correct the date or growing_season",
        )


def check_harvest_area(rows, _):
    """Refuse plots with a harvest area above length × width."""
    frame = rows.frame
    area = frame["plot_length_m"] * frame["plot_width_m"]
    rows.refuse(
        rows.ok & _held(frame["harvest_area_m2"] > area * AREA_SLACK),
        "E-RANGE",
        "harvest_area_m2",
        lambda i: (
            f"more than the plot: {frame['plot_length_m'].iat[i]:g} × "
            f"{frame['plot_width_m'].iat[i]:g} m = {area.iat[i]:g} m²"
        ),
        "correct one of them",
    )


def check_harvested_area(rows, plots):
    """Refuse harvests of more area than the plot has."""
    area = plots["plot_length_m"] * plots["plot_width_m"]
    rows.refuse(
        rows.ok & _held(rows.frame["harvested_area_m2"] > area * AREA_SLACK),
        "E-RANGE",
        "harvested_area_m2",
        lambda i: f"more than the plot's {area.iat[i]:g} m²",
        "correct the area",
    )


def check_subsample(rows, _):
    """Refuse harvests whose moisture sample is not lighter dry than fresh."""
    fresh, dry = rows.frame["subsample_fresh_g"], rows.frame["subsample_dry_g"]
    rows.refuse(
        rows.ok & _held(dry >= fresh),
        "E-RANGE",
        "subsample_dry_g",
        lambda i: f"{dry.iat[i]:g} g dry is not less than {fresh.iat[i]:g} g fresh",
        "exchange the two if they were swapped, or leave both blank",
    )


def check_counts(rows, plots):
    """Refuse counts above what was planted, and rises that neither replants nor late shoots explain."""
    frame = rows.frame.assign(planted=plots["plants_planted"])
    order = frame[rows.ok].sort_values("counted_on", kind="stable")
    group = [order["site"], order["plot"]]
    replanted = order["plants_replanted"].fillna(0).groupby(group).cumsum().reindex(frame.index)
    most = frame["planted"] + replanted
    alive = frame["plants_alive"]
    rows.refuse(
        rows.ok & _held(alive > most),
        "E-RANGE",
        "plants_alive",
        lambda i: (
            f"outside 0 to {most.iat[i]}: {frame['planted'].iat[i]} planted and "
            f"{replanted.iat[i]} replanted until then"
        ),
        "count again, or enter plants_replanted",
    )
    check_rises(rows)
    of_replants = frame["replants_alive"] > np.minimum(alive.fillna(most), replanted)
    rows.refuse(
        rows.ok & _held(of_replants),
        "E-RANGE",
        "replants_alive",
        lambda i: f"more than were replanted ({replanted.iat[i]}) or are alive",
        "correct the count",
    )


def check_rises(rows):
    """Refuse a count above the count before it without as many replants or ``emerged_late`` = yes."""
    frame = rows.frame.loc[rows.ok & rows.frame["plants_alive"].notna().to_numpy()]
    frame = frame.sort_values("counted_on", kind="stable")
    before = frame.groupby(["site", "plot"])[["plants_alive", "counted_on", "source_line"]].shift(1)
    counts = rows.frame[rows.ok].sort_values("counted_on", kind="stable")
    total = counts["plants_replanted"].fillna(0).groupby([counts["site"], counts["plot"]]).cumsum()
    total = total.reindex(frame.index)
    replanted = total - total.groupby([frame["site"], frame["plot"]]).shift(1).fillna(0)
    rise = frame["plants_alive"] - before["plants_alive"]
    wrong = frame.index[_held((rise > replanted) & (frame["emerged_late"] != "yes").fillna(True))]

    def words(i):
        return (
            f"{frame.at[i, 'plants_alive']} alive, but {before.at[i, 'plants_alive']} on "
            f"{_day(before.at[i, 'counted_on'])} (line {before.at[i, 'source_line']}) and "
            f"{replanted.at[i]} replanted since"
        )

    rows.refuse(
        wrong.to_numpy(),
        "E-RULE",
        "plants_alive",
        words,
        "correct a count, enter plants_replanted, or write yes in emerged_late",
    )


def check_flowering(rows, _):
    """Refuse flowering dates of plots that did not flower, and emergence after flowering."""
    frame = rows.frame
    rows.refuse(
        rows.ok & _held((frame["flowered"] == "no") & frame["flowered_on"].notna()),
        "E-RULE",
        "flowered_on",
        "flowered is no, yet it has a date",
        "clear the date, or write yes in flowered",
    )
    rows.refuse(
        rows.ok & _held(frame["emerged_on"] > frame["flowered_on"]),
        "E-DATE",
        "emerged_on",
        lambda i: f"after flowered_on {_day(frame['flowered_on'].iat[i])}",
        "correct one of the dates",
    )


def check_temperatures(rows, _):
    """Refuse days whose minimum air temperature is above the maximum."""
    low, high = rows.frame["air_temperature_min_c"], rows.frame["air_temperature_max_c"]
    rows.refuse(
        rows.ok & _held(low > high),
        "E-RANGE",
        "air_temperature_min_c",
        lambda i: f"minimum {low.iat[i]:g} °C is above the maximum {high.iat[i]:g} °C",
        "exchange the two if they were swapped",
    )


def check_frost_dates(rows, _):
    """Refuse scores made before the frost that they judge."""
    frame = rows.frame
    rows.refuse(
        rows.ok & _held(frame["frost_on"] > frame["scored_on"]),
        "E-DATE",
        "scored_on",
        lambda i: f"before the frost of {_day(frame['frost_on'].iat[i])}",
        "correct one of the dates",
    )


def check_freeze_tests(rows, _):
    """Refuse freeze tests with more alive than tested, lifted after the test, or impossible leakage."""
    frame = rows.frame
    rows.refuse(
        rows.ok & _held(frame["units_alive"] > frame["units_tested"]),
        "E-RANGE",
        "units_alive",
        lambda i: f"more than the {frame['units_tested'].iat[i]} units tested",
        "correct the count",
    )
    rows.refuse(
        rows.ok & _held(frame["lifted_on"] > frame["tested_on"]),
        "E-DATE",
        "lifted_on",
        lambda i: f"after the test of {_day(frame['tested_on'].iat[i])}",
        "correct one of the dates",
    )


RULES = {
    "plots": (check_harvest_area,),
    "stand_counts": (check_counts,),
    "harvests": (check_harvested_area, check_subsample),
    "phenology": (check_flowering,),
    "weather": (check_temperatures,),
    "frost_scores": (check_frost_dates,),
    "freeze_tests": (check_freeze_tests,),
}
