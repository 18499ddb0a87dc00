"""Published numbers that the mixed models must meet, and what they give today."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from culmbook.mixed import (
    compare_together,
    fit_binomial,
    fit_gaussian,
    fit_ordinal,
    kenward_roger,
    mean_weights,
    over,
    slopes,
)

PRINTED = "printed there"
MEMORY = "from memory, recomputed in R"
R_ONLY = "computed in R"
SCIPY = "from memory, recomputed with scipy"
_BLOOD = {
    "control": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
    "A": [9.76, 8.80, 7.68, 9.36],
    "B": [12.80, 9.68, 12.16, 9.20, 10.55],
}


@dataclass(frozen=True)
class Check:
    """One published analysis: its numbers with their tolerances, and how ours are found.

    Attributes
    ----------
    title : str
        What is analysed.
    source : str
        Author, year, place.
    seen : str
        Where the number comes from: printed in the source, from memory, or from R alone.
    expected : dict of str to tuple
        Published value and tolerance by quantity.
    found : callable
        From a function that reads a published data set to our values, in the order of ``expected``.
    """

    title: str
    source: str
    seen: str
    expected: dict
    found: Callable = field(repr=False)


def _dyestuff(read):
    fit = fit_gaussian(read("davies_1972_dyestuff"), "Yield", "1", ["Batch"])
    return [*fit.variances, fit.criterion, np.sqrt(fit.covariance.iloc[0, 0])]


def _dyestuff2(read):
    fit = fit_gaussian(read("box_1973_dyestuff2"), "Yield", "1", ["Batch"])
    return [*fit.variances, fit.coefficients.iloc[0]]


def _penicillin(read):
    fit = fit_gaussian(read("davies_1972_penicillin"), "diameter", "1", ["plate", "sample"])
    return [*np.sqrt(fit.variances), fit.criterion]


def _pastes(read):
    fit = fit_gaussian(read("davies_1972_pastes"), "strength", "1", ["batch:cask", "batch"])
    return [*fit.variances]


def _oats(read):
    oats = read("yates_1935_oats").assign(nitrogen=lambda t: t["nitrogen"].astype(str))
    full = fit_gaussian(oats, "yield", "variety * nitrogen", ["block", "block:variety"])
    additive = fit_gaussian(oats, "yield", "variety + nitrogen", ["block", "block:variety"])
    return [*full.variances, additive.f_test(_rows(additive, "variety")).f]


def _sleep(read):
    fit = fit_gaussian(
        read("belenky_2003_sleepstudy"), "reaction", "day", [slopes("subject", "day")]
    )
    return [*np.sqrt(fit.variances), *fit.coefficients]


def _wheat(read):
    wheat = read("stroup_1994_wheat2").assign(field="field")
    trend = over("field", ("latitude", "longitude"), "rational quadratic")
    fit = fit_gaussian(wheat, "yield", "0 + variety", [trend])
    return [
        np.exp(fit.shapes.iloc[0]),
        fit.variances["residual"] / fit.variances.sum(),
        -fit.criterion / 2,
    ]


def _beets(read):
    fit = fit_gaussian(
        read("halekoh_2014_beets"), "sugpct", "block + sow + harvest", ["block:harvest"]
    )
    harvest, sow = (kenward_roger(fit, _rows(fit, name)) for name in ("harvest", "sow"))
    return [harvest.f, harvest.df_denominator, harvest.p, sow.f, sow.df_denominator]


def _children(read):
    frame = read("potthoff_1964_orthodont").assign(occasion=lambda t: (t["age"] - 6) // 2)
    free = fit_gaussian(
        frame, "distance", "age * Sex", [over("Subject", "age", "unstructured")], residual=False
    )
    ar1 = fit_gaussian(
        frame,
        "distance",
        "age * Sex",
        [over("Subject", "occasion", "autoregressive")],
        residual=False,
    )
    return [free.criterion, ar1.criterion, ar1.shapes.iloc[0]]


def _herds(read):
    herds = read("lesnoff_2004_cbpp")
    fit = fit_binomial(
        herds, alive="incidence", total="size", fixed="C(period)", random=["herd"], method="ml"
    )
    return [np.sqrt(fit.variances["herd"]), fit.criterion]


def _wine(read):
    fit = fit_ordinal(read("randall_1989_wine"), score="rating", fixed="temp + contact")
    return [*fit.coefficients, *fit.thresholds, -fit.criterion / 2]


def _judges(read):
    fit = fit_ordinal(
        read("randall_1989_wine"),
        score="rating",
        fixed="temp + contact",
        random=["judge"],
        nodes=10,
    )
    return [*fit.coefficients, fit.variances["judge"], -fit.criterion / 2]


def _blood(read):
    frame = pd.DataFrame(
        [(group, v) for group, values in _BLOOD.items() for v in values], columns=["group", "count"]
    )
    fit = fit_gaussian(frame, "count", "group")
    means = mean_weights(fit, "group")
    return compare_together(fit, means.sub(means.loc["control"]).loc[["A", "B"]])["p"].tolist()


def _rows(fit, begin):
    names = fit.coefficients.index
    return pd.DataFrame(np.eye(len(names)), columns=names)[names.str.startswith(begin)]


CHECKS = (
    Check(
        "Dyestuff, one-way",
        "Davies & Goldsmith 1972; Bates 2010 ch. 1",
        MEMORY,
        {
            "batch variance": (1764, 0.5),
            "residual variance": (2451, 0.5),
            "REML criterion": (319.654, 5e-4),
            "standard error of the mean": (19.38, 0.005),
        },
        _dyestuff,
    ),
    Check(
        "Dyestuff 2, variance at 0",
        "Box & Tiao 1973; Bates 2010 ch. 1",
        MEMORY,
        {"batch variance": (0, 1e-3), "residual variance": (13.81, 0.005), "mean": (5.6656, 5e-5)},
        _dyestuff2,
    ),
    Check(
        "Penicillin, crossed",
        "Davies & Goldsmith 1972 s. 6.6",
        MEMORY,
        {
            "sd of plates": (0.8467, 5e-5),
            "sd of samples": (1.9316, 5e-5),
            "residual sd": (0.5499, 5e-5),
            "REML criterion": (330.9, 0.05),
        },
        _penicillin,
    ),
    Check(
        "Pastes, nested",
        "Davies & Goldsmith 1972; Bates 2010",
        MEMORY,
        {
            "cask variance": (8.434, 5e-4),
            "batch variance": (1.657, 5e-4),
            "residual variance": (0.678, 5e-4),
        },
        _pastes,
    ),
    Check(
        "Oats, split plot",
        "Yates 1935; Venables & Ripley 2002 s. 10.2",
        MEMORY,
        {
            "block variance": (214.48, 0.005),
            "main plot variance": (106.06, 0.005),
            "residual variance": (177.08, 0.005),
            "F of variety": (1.485, 5e-4),
        },
        _oats,
    ),
    Check(
        "Sleep study, random slopes",
        "Bates et al. 2015 J. Stat. Softw. 67(1)",
        PRINTED,
        {
            "sd of intercepts": (24.74, 0.005),
            "sd of slopes": (5.92, 0.005),
            "residual sd": (25.59, 0.005),
            "intercept": (251.4, 0.05),
            "slope": (10.467, 5e-4),
        },
        _sleep,
    ),
    Check(
        "Wheat, trend by distance",
        "Pinheiro & Bates 2000 s. 5.3",
        MEMORY,
        {
            "range": (13.46, 0.005),
            "nugget share": (0.1936, 5e-5),
            "log likelihood": (-532.64, 0.005),
        },
        _wheat,
    ),
    Check(
        "Beets, small-sample F",
        "Halekoh & Hojsgaard 2014 J. Stat. Softw. 59(9)",
        MEMORY,
        {
            "F of harvest": (15.21, 0.005),
            "its df": (2, 5e-3),
            "its p": (0.0599, 5e-5),
            "F of sowing": (101, 0.5),
            "df of sowing": (20, 5e-3),
        },
        _beets,
    ),
    Check(
        "Orthodont, correlated errors",
        "nlme 3.1-162 on Potthoff & Roy 1964",
        R_ONLY,
        {
            "criterion, unstructured": (424.5468, 5e-5),
            "criterion, autoregressive": (444.587449, 5e-6),
            "correlation": (0.62449, 5e-6),
        },
        _children,
    ),
    Check(
        "Cattle herds, counts",
        "Lesnoff et al. 2004; lme4's help",
        MEMORY,
        {"sd of herds": (0.6423, 5e-5), "-2 log likelihood": (184.0531, 1e-3)},
        _herds,
    ),
    Check(
        "Wine, scores",
        "Randall 1989; Christensen, clm article",
        PRINTED,
        {
            "warm": (2.5031, 5e-5),
            "contact": (1.5278, 5e-5),
            "threshold 1|2": (-1.3444, 5e-5),
            "threshold 2|3": (1.2508, 5e-5),
            "threshold 3|4": (3.4669, 5e-5),
            "threshold 4|5": (5.0064, 5e-5),
            "log likelihood": (-86.49, 0.005),
        },
        _wine,
    ),
    Check(
        "Wine, scores with judges",
        "Christensen, clmm2 tutorial",
        PRINTED,
        {
            "warm": (3.0619, 5e-4),
            "contact": (1.8334, 5e-4),
            "judge variance": (1.2877, 5e-4),
            "log likelihood": (-81.5325, 5e-4),
        },
        _judges,
    ),
    Check(
        "Blood counts against control",
        "Dunnett 1955",
        SCIPY,
        {"p of A": (0.62, 0.01), "p of B": (0.0059, 5e-4)},
        _blood,
    ),
)


def check_published() -> pd.DataFrame:
    """Analyse the published data and set our numbers beside the published ones.

    Returns
    -------
    DataFrame
        One row per number: ``analysis, quantity, published, ours, difference, tolerance`` (half the
        last printed digit where the source prints enough), ``holds, source, seen``.
    """
    folder = Path(__file__).parent / "published"

    def read(name):
        return pd.read_csv(folder / f"{name}.csv", comment="#")

    rows = []
    for check in CHECKS:
        ours = check.found(read)
        for (quantity, (published, tolerance)), own in zip(
            check.expected.items(), ours, strict=True
        ):
            rows.append(
                {
                    "analysis": check.title,
                    "quantity": quantity,
                    "published": published,
                    "ours": float(own),
                    "tolerance": tolerance,
                    "source": check.source,
                    "seen": check.seen,
                }
            )
    table = pd.DataFrame(rows)
    table["difference"] = table["ours"] - table["published"]
    return table.assign(holds=table["difference"].abs() <= table["tolerance"])
