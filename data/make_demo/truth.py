"""What is true in an invented network: traits of hybrids, sites, seasons and their shares."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from make_demo.scenario import (
    CLONE,
    DEMO_SEED,
    FINE,
    GROWING_SEASONS,
    PLANTS_PER_PLOT,
    SITES,
    STANDARD,
    TALL,
    candidate_codes,
    entries_of,
    part_rng,
    treatments_of,
)
from make_demo.weather_series import network_weather, winter_minimum

TRAITS = (
    "stems",
    "height",
    "diameter",
    "flowering",
    "moisture",
    "lt50",
    "stem_k",
    "ash",
    "emergence",
    "establishment",
    "tenderness",
)
# sds between hybrids: log scale for stems, height, diameter and stem_k; days, points, °C and
# logits for the others. Establishment and tenderness are assumptions.
TRAIT_SD = dict(zip(TRAITS, (0.20, 0.10, 0.09, 14.0, 5.0, 0.8, 0.06, 0.5, 5.0, 0.55, 0.8)))
TRAIT_CORRELATION = {
    ("stems", "diameter"): -0.5,
    ("stems", "height"): -0.1,
    ("height", "diameter"): 0.5,
    ("height", "flowering"): 0.4,
    ("diameter", "flowering"): 0.3,
    ("moisture", "flowering"): 0.6,
    ("moisture", "diameter"): 0.4,
    ("moisture", "height"): 0.3,
    ("lt50", "flowering"): 0.4,
    ("lt50", "diameter"): 0.2,
    ("lt50", "moisture"): 0.3,
}
# plateau stems per plant, height [cm] and diameter [mm]; fine hybrids carry more, thinner stems
PLATEAU = {TALL: (26.0, 230.0, 9.2), FINE: (50.0, 165.0, 6.0)}
STEM_K = 0.13
CROP_YEAR_LOG = {1: np.log(0.21), 2: np.log(0.78), 3: 0.0, 4: 0.0, 5: 0.0}
FILM_LOG_YIELD = {1: 0.52, 2: 0.40, 3: 0.31, 4: 0.22}
FILM_LOGIT = logit(0.92) - logit(0.80)
MACHINE_LOGIT = -0.3
BASE_SHARE = {"plug": 0.80, "rhizome": 0.75}
OVERWINTER_BASE = 0.97
OVERWINTER_BASE_ESTABLISHED = 0.995
# rhizomes sit deeper after the first year, where winters are milder
ESTABLISHED_SHELTER_C = 2.0
COLD_SLOPE = 2.0
LT50_MEAN_C = -3.5


@dataclass(frozen=True)
class StandSds:
    """Random-effect sds of the stand on the logit scale, and of overwintering.

    `plot` is the overdispersion among plots of one block; plants of a plot share its faults.
    """

    main_plot: float = 0.25
    block: float = 0.20
    plot: float = 0.40
    winter_block: float = 0.15
    winter_plot: float = 0.30

    def establishment(self, split_plot):
        """Sd of a plot's logit around its expectation, over main plots, blocks and plots."""
        main = self.main_plot if split_plot else 0.0
        return float(np.sqrt(main**2 + self.block**2 + self.plot**2))

    def overwinter(self):
        """Sd of a plot's overwinter logit, over blocks and plots."""
        return float(np.hypot(self.winter_block, self.winter_plot))


@dataclass(frozen=True)
class Truth:
    """The truth of one network.

    Attributes
    ----------
    seed : int
    sds : StandSds
    hybrids : pandas.DataFrame
        Index ``hybrid``; `role`, `propagation`, `crop_type` and one column for each trait:
        `stems`, `height`, `diameter`, `stem_k` (deviations on the log scale), `height_cm`,
        `diameter_mm`, `stems_per_plant` (plateau values), `flowering` (day of year), `moisture`
        (points), `lt50` [°C], `ash` [%], `emergence` (days), `establishment` and `tenderness`
        (logits).
    sites : pandas.DataFrame
        Index ``site``; `establishment` [logit], `log_yield`, `moisture`, `emergence`, `flowering`.
    establishment : pandas.DataFrame
        One row for each hybrid, site, trial, planting method and film: `logit` at the median
        plot and `share`, the mean over main plots, blocks and plots.
    overwinter : pandas.DataFrame
        One row for each hybrid, site, trial and winter (the growing season it ends):
        `soil_min_c`, `logit`, and `share`, the mean over blocks and plots.
    environments : pandas.DataFrame
        One row for each site, planting year and growing season: log yield effect `log_yield`.
    interactions : pandas.DataFrame
        One row for each hybrid, site and growing season: `log_yield`.
    yields : pandas.DataFrame
        One row for each hybrid, site, trial, growing season, planting method and film: crop year,
        and stems per plant, height [cm], diameter [mm], stem mass [g] and yield [dry t/ha] of a
        median plot with every plant alive, cut on 15 February.
    """

    seed: int
    sds: StandSds
    hybrids: pd.DataFrame
    sites: pd.DataFrame
    establishment: pd.DataFrame
    overwinter: pd.DataFrame
    environments: pd.DataFrame
    interactions: pd.DataFrame
    yields: pd.DataFrame


@lru_cache(maxsize=4)
def truth(seed=DEMO_SEED):
    """The truth behind the network of this seed, with the winters its weather brings.

    Returns
    -------
    Truth
        Do not write into its frames: they are shared.
    """
    return draw_truth(seed, winter_minima(seed))


def winter_minima(seed):
    """Lowest soil temperature of each winter at each site: columns site, winter, soil_min_c."""
    parts = []
    for site, weather in network_weather(seed).items():
        minima = winter_minimum(weather).reset_index()
        parts.append(minima.assign(site=site))
    return pd.concat(parts, ignore_index=True)[["site", "winter", "soil_min_c"]]


def draw_truth(seed, winters, sds=StandSds()):
    """Draw a network's truth.

    Parameters
    ----------
    seed : int
    winters : pandas.DataFrame
        ``site``, ``winter`` and ``soil_min_c`` [°C] of every winter in the trials' life.
    sds : StandSds

    Returns
    -------
    Truth
    """
    hybrids = draw_hybrids(part_rng(seed, "hybrids"))
    sites = draw_sites(part_rng(seed, "sites"))
    environments = _environments(sites, part_rng(seed, "seasons"))
    interactions = _interactions(hybrids, part_rng(seed, "interactions"))
    return Truth(
        seed=seed,
        sds=sds,
        hybrids=hybrids,
        sites=sites,
        establishment=_establishment(hybrids, sites, sds, part_rng(seed, "establishment")),
        overwinter=_overwinter(hybrids, winters, sds),
        environments=environments,
        interactions=interactions,
        yields=_yields(hybrids, environments, interactions),
    )


def mean_share(eta, sd, nodes=41):
    """Mean of expit(eta + e) with e normal: the share that an average of plots shows.

    Parameters
    ----------
    eta : array_like
        Logit of the median plot.
    sd : array_like
        Sd of the plots' logits.

    Returns
    -------
    numpy.ndarray
        Shares, 0–1, by Gauss–Hermite quadrature.
    """
    x, weight = np.polynomial.hermite_e.hermegauss(nodes)
    values = expit(np.asarray(eta, dtype=float)[..., None] + np.asarray(sd)[..., None] * x)
    return values @ weight / weight.sum()


def draw_hybrids(rng):
    """Correlated traits of the candidates and both controls; index ``hybrid``."""
    codes = candidate_codes() + [STANDARD, CLONE]
    # Cholesky by hand: an eigenvector's sign may differ between machines
    draws = rng.normal(size=(len(codes), len(TRAITS))) @ np.linalg.cholesky(_correlation()).T
    frame = pd.DataFrame(draws, columns=list(TRAITS), index=pd.Index(codes, name="hybrid"))
    frame = frame * pd.Series(TRAIT_SD)
    # an unselected standard and clone: near the middle of the candidates in every trait
    frame.loc[[STANDARD, CLONE]] *= 0.4
    fine = [i % 5 in (2, 4) for i in range(len(codes) - 2)] + [False, False]
    frame["crop_type"] = np.where(fine, FINE, TALL)
    frame["role"] = ["candidate"] * (len(codes) - 2) + ["control"] * 2
    frame["propagation"] = ["plug"] * (len(codes) - 1) + ["rhizome"]
    return _named_extremes(_absolute_traits(frame))


def _correlation():
    matrix = np.eye(len(TRAITS))
    for (a, b), r in TRAIT_CORRELATION.items():
        i, j = TRAITS.index(a), TRAITS.index(b)
        matrix[i, j] = matrix[j, i] = r
    return matrix


def _absolute_traits(frame):
    plateau = pd.DataFrame(
        [PLATEAU[t] for t in frame["crop_type"]],
        index=frame.index,
        columns=["stems", "height", "diameter"],
    )
    return frame.assign(
        stems_per_plant=plateau["stems"] * np.exp(frame["stems"]),
        height_cm=plateau["height"] * np.exp(frame["height"]),
        diameter_mm=plateau["diameter"] * np.exp(frame["diameter"]),
        flowering=frame["flowering"] + 246,
        lt50=frame["lt50"] + LT50_MEAN_C,
        ash=np.clip(frame["ash"] + 2.7, 1.3, None),
    )


def _named_extremes(frame):
    """A poor seed lot, a nearly perfect one, a frost-tender and a very hardy hybrid."""
    frame = frame.copy()
    frame.loc["H07", "establishment"] = -2.3
    frame.loc["H18", "establishment"] = 2.6
    frame.loc["H11", "lt50"] = -1.9
    frame.loc["H15", "lt50"] = -6.1
    return frame


def draw_sites(rng):
    """Site effects: establishment [logit], log yield, moisture [points], emergence and flowering
    [days].
    """
    codes = pd.Index([s.code for s in SITES], name="site")
    n = len(codes)
    return pd.DataFrame(
        {
            "establishment": rng.normal(0, 0.5, n),
            "log_yield": rng.normal(0, 0.25, n),
            "moisture": rng.normal(0, 6, n) * 0.6,
            # warm sites emerge and flower early
            "emergence": [-1.0, 4.0, -14.0, 2.0, 0.0],
            "flowering": [0.0, -6.0, -2.0, 12.0, 18.0],
        },
        index=codes,
    )


def _establishment(hybrids, sites, sds, rng):
    base = hybrids["propagation"].map(BASE_SHARE).map(logit) + hybrids["establishment"]
    parts = []
    for site in SITES:
        local = pd.Series(rng.normal(0, 0.2, len(hybrids)), index=hybrids.index)
        entries = entries_of(site)
        for year in site.plantings:
            eta = (
                (base + local)[entries]
                + sites.loc[site.code, "establishment"]
                + rng.normal(0, 0.25)
            )
            for method, film in treatments_of(site):
                treatment = MACHINE_LOGIT * (method == "machine") + FILM_LOGIT * (film == "film")
                parts.append(
                    pd.DataFrame(
                        {
                            "hybrid": entries,
                            "site": site.code,
                            "trial": trial_code(site, year),
                            "planting_method": method,
                            "film": film,
                            "logit": (eta + treatment).to_numpy(),
                            "sd": sds.establishment(site.split_plot),
                        }
                    )
                )
    frame = pd.concat(parts, ignore_index=True)
    return frame.assign(share=mean_share(frame["logit"], frame["sd"])).drop(columns="sd")


def trial_code(site, planting_year):
    """Code of the trial planted in a year at a site, such as ``MELDO25``."""
    return f"{site.code}{planting_year % 100}"


def survival_logit(lt50, soil_min_c, first_winter):
    """Logit of a plant's winter survival from the coldest soil it met.

    P = base / (1 + exp(-2 (T - LT50))); plants past their first winter are sheltered by depth.
    """
    shelter = 0.0 if first_winter else ESTABLISHED_SHELTER_C
    base = OVERWINTER_BASE if first_winter else OVERWINTER_BASE_ESTABLISHED
    return logit(base * expit(COLD_SLOPE * (soil_min_c + shelter - lt50)))


def _overwinter(hybrids, winters, sds):
    soil = winters.set_index(["site", "winter"])["soil_min_c"]
    parts = []
    for site in SITES:
        entries = entries_of(site)
        for year in site.plantings:
            for winter in range(year, GROWING_SEASONS[-1] + 1):
                cold = soil[site.code, winter]
                eta = survival_logit(hybrids.loc[entries, "lt50"].to_numpy(), cold, winter == year)
                parts.append(
                    pd.DataFrame(
                        {
                            "hybrid": entries,
                            "site": site.code,
                            "trial": trial_code(site, year),
                            "winter": winter,
                            "soil_min_c": cold,
                            "logit": eta,
                        }
                    )
                )
    frame = pd.concat(parts, ignore_index=True)
    return frame.assign(share=mean_share(frame["logit"], sds.overwinter()))


def _environments(sites, rng):
    """Log yield of each site, planting and season: site, season, cohort and their interactions."""
    season = {y: rng.normal(0, 0.17) for y in GROWING_SEASONS}
    cohorts = {year for site in SITES for year in site.plantings}
    cohort = {y: rng.normal(0, 0.05) for y in sorted(cohorts)}
    rows = []
    for site in SITES:
        local = {y: rng.normal(0, 0.09) for y in GROWING_SEASONS}
        for year in site.plantings:
            for grown in range(year, GROWING_SEASONS[-1] + 1):
                effect = sites.loc[site.code, "log_yield"] + season[grown] + local[grown]
                effect += cohort[year] + rng.normal(0, 0.07)
                rows.append((site.code, trial_code(site, year), grown, grown - year + 1, effect))
    return pd.DataFrame(rows, columns=["site", "trial", "growing_season", "crop_year", "log_yield"])


def _interactions(hybrids, rng):
    """Log yield of each hybrid by site (.10), season (.06) and site-season (.08)."""
    season = rng.normal(0, 0.06, (len(hybrids), len(GROWING_SEASONS)))
    frames = []
    for site in SITES:
        local = rng.normal(0, 0.10, (len(hybrids), 1))
        effect = local + season + rng.normal(0, 0.08, season.shape)
        wide = pd.DataFrame(effect, index=hybrids.index, columns=list(GROWING_SEASONS))
        long = wide.rename_axis(columns="growing_season").stack().rename("log_yield").reset_index()
        frames.append(long.assign(site=site.code))
    return pd.concat(frames, ignore_index=True)[["hybrid", "site", "growing_season", "log_yield"]]


def _yields(hybrids, environments, interactions):
    frame = environments.rename(columns={"log_yield": "environment"}).merge(
        interactions, on=["site", "growing_season"]
    )
    grown = [pd.DataFrame({"site": s.code, "hybrid": entries_of(s)}) for s in SITES]
    treated = [
        pd.DataFrame(treatments_of(s), columns=["planting_method", "film"]).assign(site=s.code)
        for s in SITES
    ]
    frame = frame.merge(pd.concat(grown), on=["site", "hybrid"]).merge(
        pd.concat(treated), on="site"
    )
    film = frame["crop_year"].map(FILM_LOG_YIELD).where(frame["film"] == "film", 0.0)
    frame["effect"] = (
        frame["environment"] + frame["log_yield"] + frame["crop_year"].map(CROP_YEAR_LOG) + film
    )
    return _components(frame, hybrids).drop(columns=["environment", "log_yield", "effect"])


# how an environment's effect on yield is shared out: stems, height, and diameter counted twice
EFFECT_ON = {"stems": 0.55, "height": 0.25, "diameter": 0.10}


def _components(frame, hybrids):
    traits = hybrids.loc[frame["hybrid"]].reset_index(drop=True)
    frame = frame.reset_index(drop=True)
    frame["stems"] = traits["stems_per_plant"] * np.exp(EFFECT_ON["stems"] * frame["effect"])
    frame["stem_height_cm"] = traits["height_cm"] * np.exp(EFFECT_ON["height"] * frame["effect"])
    frame["stem_diameter_mm"] = traits["diameter_mm"] * np.exp(
        EFFECT_ON["diameter"] * frame["effect"]
    )
    diameter_cm = frame["stem_diameter_mm"] / 10
    frame["stem_dry_mass_g"] = (
        STEM_K * np.exp(traits["stem_k"]) * diameter_cm**2 * frame["stem_height_cm"]
    )
    density = traits["crop_type"].map(PLANTS_PER_PLOT) / 24
    frame["dry_yield_t_ha"] = density * frame["stems"] * frame["stem_dry_mass_g"] / 100
    return frame
