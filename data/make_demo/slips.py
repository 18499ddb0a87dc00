"""Slips in the measured tables: lost samples, typing errors, a swapped label, plots not measured."""

import numpy as np
import pandas as pd

LOST_SAMPLE_SHARE = 0.02
UNCUT_SHARE = 0.01
# two labels of one replicate changed places when the sticks were set
LABEL_SWAP = {"site": "MELDO", "trial": "MELDO22", "replicate": "2", "hybrids": ("H11", "H16")}
# a height that fell: 1 typed for 2 in the hundreds
FALLEN_HEIGHT = {"site": "ISKEY", "growing_season": 2025, "plant": 1, "typed_less_cm": 100}
# fresh mass typed in hundreds of grams
UNIT_SLIP = {"site": "ISKEY", "growing_season": 2024, "factor": 10}
# an autumn count with its last digit typed twice; corrections.csv puts it right
MISTYPED_COUNT = {"site": "DRYSA", "trial": "DRYSA25", "occasion": "autumn"}


def swap_labels(plots):
    """Exchange the hybrid codes of two plots in the plots table: the field knows better."""
    plots = plots.copy()
    trial = (plots["trial"] == LABEL_SWAP["trial"]) & (
        plots["replicate"] == LABEL_SWAP["replicate"]
    )
    first, second = (plots.index[trial & (plots["hybrid"] == h)][0] for h in LABEL_SWAP["hybrids"])
    plots.loc[[first, second], "hybrid"] = LABEL_SWAP["hybrids"][::-1]
    return plots


def spoil_harvests(harvests, plots, rng):
    """Plots not cut, and samples lost on the way to the oven.

    A plot that was damaged or given up for an outside cause has a row with its reason and no
    measures; one plot in a hundred was cut early by mistake; one sample in fifty was lost.
    """
    harvests = harvests.copy()
    of_plot = _status_of(harvests, plots)
    early = rng.random(len(harvests)) < UNCUT_SHARE
    lost = rng.random(len(harvests)) < LOST_SAMPLE_SHARE
    outside = ((of_plot["status"] != "ok") & (of_plot["status_cause"] != "plant")).to_numpy()
    harvests.loc[early, ["status", "status_reason"]] = [
        "damaged",
        "cut early by mistake, not weighed",
    ]
    harvests.loc[outside, "status"] = of_plot["status"].to_numpy()[outside]
    harvests.loc[outside, "status_reason"] = of_plot["status_reason"].to_numpy()[outside]
    unmeasured = early | outside
    harvests.loc[unmeasured, ["fresh_mass_kg", "cut_height_cm", "lodged_pct", "ash_pct"]] = np.nan
    harvests.loc[unmeasured, "harvested_on"] = pd.NaT
    harvests.loc[unmeasured | lost, ["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    return harvests


def slip_unit(harvests):
    """Multiply one fresh mass by ten: the weighing of a healthy plot in the middle of the list."""
    harvests = harvests.copy()
    here = (harvests["site"] == UNIT_SLIP["site"]) & (harvests["status"] == "ok")
    here &= harvests["growing_season"] == UNIT_SLIP["growing_season"]
    typical = harvests.loc[here, "fresh_mass_kg"].sort_values()
    harvests.loc[typical.index[len(typical) // 2], "fresh_mass_kg"] *= UNIT_SLIP["factor"]
    return harvests


def drop_height(stems):
    """Let one marked plant lose a metre between August and November."""
    stems = stems.copy()
    here = (stems["site"] == FALLEN_HEIGHT["site"]) & (stems["plant"] == FALLEN_HEIGHT["plant"])
    here &= stems["growing_season"] == FALLEN_HEIGHT["growing_season"]
    here &= stems["measured_on"].dt.month == 11
    marked = stems["plot"].isin(stems.loc[stems["measured_on"].dt.month == 8, "plot"])
    tall = here & marked & (stems["stem_height_cm"] > 200)
    stems.loc[stems.index[tall][0], "stem_height_cm"] -= FALLEN_HEIGHT["typed_less_cm"]
    return stems


def mistype_count(counts, plots):
    """Type the last digit of one count twice, and write the correction that undoes it.

    Returns
    -------
    counts : pandas.DataFrame
    corrections : pandas.DataFrame
        The corrections table, of one row.
    """
    counts = counts.copy()
    trial = plots.loc[
        (plots["trial"] == MISTYPED_COUNT["trial"]) & (plots["status"] == "ok"), "plot"
    ]
    here = (counts["site"] == MISTYPED_COUNT["site"]) & counts["plot"].isin(trial)
    row = counts.index[here & (counts["occasion"] == MISTYPED_COUNT["occasion"])][11]
    right = int(counts.loc[row, "plants_alive"])
    wrong = 10 * right + right % 10
    counts.loc[row, "plants_alive"] = wrong
    site, plot, day = counts.loc[row, ["site", "plot", "counted_on"]]
    return counts, pd.DataFrame(
        [
            {
                "table": "stand_counts",
                "key": f"{site}/{plot}/{day:%Y-%m-%d}",
                "column": "plants_alive",
                "old_value": wrong,
                "new_value": right,
                "by": "demo",
                "on": pd.Timestamp(2025, 10, 20),
                "why": "last digit typed twice; the paper sheet says so",
            }
        ]
    )


def leave_out(frame, plots):
    """Leave out the rows of plots that were damaged or given up for an outside cause."""
    of_plot = _status_of(frame, plots)
    outside = (of_plot["status"] != "ok") & (of_plot["status_cause"] != "plant")
    return frame[~outside.to_numpy()].reset_index(drop=True)


def _status_of(frame, plots):
    status = plots.set_index(["site", "plot"])[["status", "status_reason", "status_cause"]]
    return status.reindex(pd.MultiIndex.from_frame(frame[["site", "plot"]]))
