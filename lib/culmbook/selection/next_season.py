"""What would be known after another season: the records that a plan adds and the uncertainty it leaves.

Given the variances, what new records do to the joint uncertainty of the hybrids follows from the layout
alone, yields unseen.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws
from culmbook.consistency.model import RESIDUAL, SeasonsFit, season_records
from culmbook.mixed import Model
from culmbook.selection.gains import covariance_at

NEW = "+"


@dataclass(frozen=True)
class Plan:
    """What is cut next: ``seasons`` more of the plots of last season, with ``sites`` and ``replicates`` more.

    New sites and replicates have as many plots of every hybrid as is usual, resp. one more at every site;
    they are taken as established, so they must have been planted in time.
    """

    label: str
    seasons: int = 1
    sites: int = 0
    replicates: int = 0


ONE_SEASON = Plan("one more season")
PLANS = (
    ONE_SEASON,
    Plan("one more season, with one more replicate at every site", replicates=1),
    Plan("one more season, with one more site", sites=1),
    Plan("two more seasons", seasons=2),
)


def plan_records(records: pd.DataFrame, plan: Plan, hybrids=None) -> pd.DataFrame:
    """Records that a plan would add, yields left at 1.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.
    plan : Plan
    hybrids : collection of str, optional
        The only ones that are cut again; without it all that stand.

    Returns
    -------
    DataFrame
        Records of both, old ones first, with a column ``is_new``. Cut again are the plots of each hybrid and
        trial that were cut in the last season, those that were missing in it included.
    """
    last = records["growing_season"].max()
    standing = _standing(records, last)
    if hybrids is not None:
        standing = standing[standing["hybrid"].isin(set(hybrids))]
    if plan.replicates:
        one = standing.drop_duplicates(["place", "hybrid"])
        standing = pd.concat([standing, *(_named(one, r) for r in range(plan.replicates))])
    plots = [standing, *(_site(records, standing, s) for s in range(plan.sites))]
    plots = pd.concat(plots, ignore_index=True)
    new = [
        plots.assign(growing_season=last + y, crop_year=plots["crop_year"] + y, is_new=True)
        for y in range(1, plan.seasons + 1)
    ]
    both = pd.concat([records.assign(is_new=False), *new], ignore_index=True)
    return season_records(both.assign(dry_yield_t_ha=1.0, left_out=None), first_crop_year=1)


def _standing(records, last):
    """The newest record of every plot whose hybrid was cut in its trial in the last season."""
    own = records["place"].astype("str") + "/" + records["hybrid"].astype("str")
    cut = own.isin(own[records["growing_season"] == last])
    newest = records[cut].sort_values("growing_season", kind="stable").groupby("plot_key").tail(1)
    return newest.assign(crop_year=newest["crop_year"] + last - newest["growing_season"])


def _named(plots, replicate):
    """Plots of a new replicate."""
    name = f"{NEW}{replicate}"
    plot = name + "-" + plots["trial"].astype("str") + "-" + plots["hybrid"].astype("str")
    return plots.assign(replicate=name, block=name, main_plot=None, plot=plot)


def _site(records, standing, number):
    """A new site of the usual number of replicates, every hybrid that stands anywhere in each of them."""
    usual = int(round(records.groupby(["place", "hybrid"])["plot_key"].nunique().median()))
    columns = ["planting_method", "film"]
    treatment = standing[columns].mode().iloc[0]
    one = standing.drop_duplicates("hybrid").assign(
        site=f"{NEW}{number}", trial=NEW, crop_year=standing["crop_year"].min(), **treatment
    )
    return pd.concat([_named(one, r) for r in range(usual)])


def spreads(
    seasons: SeasonsFit, drawn: SeasonDraws, plan: Plan | None = None, hybrids=None
) -> pd.DataFrame:
    """Covariance of what lasts of each hybrid, now or once the plan has been carried out.

    Parameters
    ----------
    seasons : SeasonsFit
    drawn : SeasonDraws
        Of the same fit: the variances are their medians.
    plan : Plan, optional
        Without it, now.
    hybrids : collection of str, optional
        As in :func:`plan_records`.

    Returns
    -------
    DataFrame
        Hybrids x hybrids, squared unit of the response; only differences mean something.
    """
    variances = drawn.sets.median()
    frame = seasons.records.assign(is_new=False)
    if plan is not None:
        frame = plan_records(seasons.records, plan, hybrids)
    conditions = pd.get_dummies(frame["condition"], dtype=float).add_prefix("condition ")
    kinds = pd.get_dummies(frame["hybrid"].astype("str").map(seasons.groups), dtype=float)
    kinds = kinds.sort_index(axis=1).iloc[:, 1:].add_prefix("group ")
    known = _error_variances(seasons, frame, variances)
    model = Model(
        frame.assign(known=known, response=0.0),
        "response",
        pd.concat([conditions, kinds], axis=1),
        list(seasons.terms),
        "reml",
        None,
        "known",
        residual=True,
    )
    theta = variances[list(seasons.terms)].to_numpy(float) / model.scale**2
    factor = model.problem.structure.factor(theta, model.problem.known)
    return covariance_at(model, theta, factor, seasons.groups)


def remembered_spreads(seasons: SeasonsFit, drawn: SeasonDraws):
    """:func:`spreads` of one fit as a function of plan and hybrids that computes each of them once."""
    known = {}

    def spread(plan: Plan | None = None, hybrids=None) -> pd.DataFrame:
        key = plan, None if hybrids is None else frozenset(hybrids)
        if key not in known:
            known[key] = spreads(seasons, drawn, plan, hybrids)
        return known[key]

    return spread


def _error_variances(seasons, frame, variances):
    """Residual variance of each record; new ones have that of the records at hand on average."""
    fit = seasons.conditional
    own = (
        fit.data["known"].to_numpy(float) if RESIDUAL not in fit.variances else variances[RESIDUAL]
    )
    values = np.full(len(frame), variances[RESIDUAL], float)
    values[~frame["is_new"].to_numpy(bool)] = own
    return values


def refusal(seasons: SeasonsFit, plan: Plan) -> str:
    """Why the records at hand do not tell what a plan would bring; blank where they do."""
    sites, years = (seasons.records[column].nunique() for column in ("site", "season"))
    if not {"hybrid_season", "hybrid_site_season"} & set(seasons.terms):
        cut = (
            "one season was cut after establishment"
            if years == 1
            else "no hybrid was cut twice at a site"
        )
        return f"{cut}: it does not tell what another season will do"
    if plan.sites and "hybrid_site" not in seasons.terms:
        cut = "one site was cut" if sites == 1 else "no hybrid was cut at two sites"
        return f"{cut}: nothing tells how hybrids change from site to site"
    return ""
