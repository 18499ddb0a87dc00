"""Sentences on establishment, losses and stand agree with their numbers; what cannot be answered
is refused.
"""

import numpy as np
import pandas as pd
import pytest

from culmbook.sheets.settings import StandSettings
from culmbook.stand import counts, losses, model, treatments, words
from culmbook.text.refusal import Refusal
from stand_frames import make_counts, make_gaps, make_hybrids, make_plots

HYBRIDS = "ABCDEF"
SPREAD = dict(zip(HYBRIDS, (0.7, 0.72, 0.97, 0.3, 0.68, 0.75)))
CROSSED = tuple((method, film) for method in ("machine", "hand") for film in ("film", "none"))
RULES = StandSettings()


def stand_of(plots, seed=1, share=None, **given):
    rng = np.random.default_rng(seed)
    if share is not None:
        planted = plots["plants_planted"].astype(int)
        autumn = rng.binomial(planted, plots["hybrid"].map(share))
        given = {"autumn": list(autumn), "summer": list(rng.binomial(autumn, 0.9))} | given
    return counts.plot_stand(plots, make_counts(plots, **given), 2025)


def cells_of(stand, event="establishment"):
    return counts.model_cells(stand, make_hybrids(sorted(stand["hybrid"].unique())), event)


# -- what cannot be answered ----------------------------------------------------------------------


@pytest.mark.parametrize("event", ["establishment", "overwinter", "stand"])
@pytest.mark.parametrize(("plots", "given", "text"), [
    (make_plots().iloc[:0], {}, "No plot has the counts"),
    (make_plots(), {}, "No plot has the counts"),
    (make_plots().assign(status="damaged"), {"autumn": 30, "summer": 20}, "No plot has the counts"),
    (make_plots(), {"autumn": 40, "summer": 40}, "all were alive"),
    (make_plots("A"), {"autumn": 30, "summer": 20}, "Only one hybrid"),
])  # fmt: skip
def test_a_stand_that_cannot_be_modelled_is_refused_in_a_sentence(plots, given, text, event):
    with pytest.raises(Refusal, match=text) as refused:
        model.fit_stand(cells_of(stand_of(plots, **given), event))
    assert str(refused.value).endswith(".")


def test_no_plant_left_is_refused():
    dead = stand_of(make_plots(), autumn=0, summer=0)
    with pytest.raises(Refusal, match="Of 360 plants in 9 plots all were dead"):
        model.fit_stand(cells_of(dead))


def test_a_network_without_control_is_not_compared():
    fit = model.fit_stand(cells_of(stand_of(make_plots(HYBRIDS, 4), share=SPREAD)))
    with pytest.raises(Refusal, match="names no control, so"):
        model.against_control(fit, "")


def test_planting_that_is_not_there_is_an_error_and_names_those_that_are():
    stand = stand_of(make_plots(), autumn=30)
    assert len(counts.planting_of(stand, 0, 2026)) == 9  # the newest where none is the season's own
    with pytest.raises(ValueError, match="planting=2019: .* there are plantings of 2025"):
        counts.planting_of(stand, 2019, 2025)


# -- shares and treatments ------------------------------------------------------------------------


def test_shares_over_sites_name_the_extremes():
    sites = [make_plots(HYBRIDS, 3, site=site) for site in ("S1", "S2")]
    stand = stand_of(
        pd.concat([*sites, make_plots("ABC", 3, site="S3")], ignore_index=True), share=SPREAD
    )
    cells = cells_of(stand)
    shares = model.hybrid_shares(model.fit_stand(cells))
    first, second = words.shares(cells, shares, "By then, {} of the plants planted lived")
    plain = stand.groupby("site")["alive_autumn"].sum() / (40 * stand.groupby("site").size())
    low, high = plain.idxmin(), plain.idxmax()
    total = stand["alive_autumn"].sum()
    assert first.startswith(f"By then, {100 * total / 1800:.0f} % of the plants planted lived (")
    assert "in 45 plots at 3 sites); hybrids ranged from" in first and shares["hybrid"][0] in first
    lowest, highest = f"{100 * plain[low]:.0f} % ({low})", f"{100 * plain[high]:.0f} % ({high})"
    assert second == f"Sites ranged from {lowest} to {highest}."


@pytest.mark.parametrize(("film", "start"), [
    (0.2, "The share established was {} points higher with film than without"),
    (-0.2, "The share established was {} points lower with film than without"),
    (0.0, "No clear effect of film: the share established was {} points"),
])  # fmt: skip
def test_film_sentence_agrees_with_the_effect(film, start):
    plots = make_plots(HYBRIDS, 4, treatments=CROSSED)
    rng = np.random.default_rng(5)
    main = dict(zip(plots["main_plot"].unique(), rng.normal(0, 0.02, 16)))
    share = 0.7 + film * plots["film"].eq("film") + plots["main_plot"].map(main)
    stand = stand_of(plots, autumn=list(rng.binomial(40, share)))
    effects = treatments.fit_treatments(cells_of(stand)).effects
    row = effects.set_index("effect").loc["film"]
    said = next(text for text in words.treatments(effects, 0.95) if "with film" in text)
    assert said.startswith(start.format(f"{abs(100 * row['difference']):.1f}"))
    assert ("higher" in said) == (row["difference"] > 0) and (row["p_value"] < 0.05) == (film != 0)
    assert f"; {row['df']} df" in said


def test_the_worst_site_is_named_beside_the_mean_of_sites():
    sites = pd.DataFrame(
        {"site": ["COLD", "MILD"], "share": [0.48, 0.97], "minimum_c": [-6.1, np.nan]}
    )
    rows = [("COLD", "A", 0.1, 0.4), ("COLD", "B", -0.4, -0.1), ("COLD", "D", -0.1, 0.1)]
    rows = pd.DataFrame(
        [*rows, ("MILD", "A", 0.1, 0.2)], columns=["site", "hybrid", "lower", "upper"]
    )
    assert words.worst_site(sites, rows, "C") == [
        "The mean hides the sites: at COLD, at −6.1 °C, 48 % lived; there 1 hybrid survived better (A) "
        "and 1 hybrid survived worse (B) than the control C."
    ]
    assert "there too no hybrid differs clearly" in words.worst_site(sites, rows[2:], "C")[0]
    assert "cannot be compared there" in words.worst_site(sites, rows[3:], "C")[0]
    assert words.worst_site(sites[:1], rows, "C") == []


# -- losses and gaps ------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "text"), [
    ({"autumn": 30, "summer": 26}, "126 plants went missing between planting and the last count, most of "
     "them (71 %) in the interval that ended with the autumn count."),
    ({"after_planting": 38, "autumn": 35, "spring": 33, "summer": 31}, "81 plants went missing between "
     "planting and the last count, the largest part of them (33 %) in the interval that ended with the "
     "autumn count."),
    ({"autumn": 40, "summer": [39] + [40] * 8}, "1 plant went missing between planting and the last count, "
     "and that in the interval that ended with the early summer count."),
    ({"autumn": 30, "summer": 30}, "90 plants went missing between planting and the last count, all of them "
     "in the interval that ended with the autumn count."),
    ({"autumn": 30}, "90 plants went missing between planting and the autumn count."),
    ({"after_planting": 39}, "9 plants went missing between planting and the first count."),
    ({"autumn": 40, "summer": 40}, "No plant was lost between the counts."),
])  # fmt: skip
def test_sentence_of_losses(given, text):
    history = counts.stand_history(stand_of(make_plots(), **given), make_hybrids())
    assert words.losses(losses.life_table(losses.plot_intervals(history))) == text


def test_life_table_ends_at_the_stand():
    stand = stand_of(make_plots(HYBRIDS, 4), share=SPREAD)
    table = losses.life_table(
        losses.plot_intervals(counts.stand_history(stand, make_hybrids(HYBRIDS)))
    )
    assert table["survival"].iloc[-1] == pytest.approx(
        stand["alive_summer"].sum() / (40 * len(stand))
    )
    assert table["lost"].sum() == 40 * len(stand) - stand["alive_summer"].sum()


def test_losses_without_a_count_and_of_one_hybrid():
    with pytest.raises(Refusal, match="losses have no date"):
        losses.plot_intervals(counts.stand_history(stand_of(make_plots()), make_hybrids()))
    one = counts.stand_history(stand_of(make_plots("A"), autumn=30, summer=20), make_hybrids("A"))
    intervals = losses.plot_intervals(one)
    assert losses.fit_hazards(intervals)["hazard"].tolist() == pytest.approx([0.25, 1 / 3])
    with pytest.raises(Refusal, match="two plots each of two hybrids"):
        losses.inflation(intervals)


def scattered(plot):
    return {(plot, r, (3 * r) % 8 + 1) for r in range(1, 6)}


def row_gone(plot):
    return {(plot, 2, position) for position in range(1, 7)}


def test_gaps_are_said_site_by_site_with_those_not_tested():
    plots = [(site, f"{site}{i}") for site in ("S1", "S2", "S3") for i in range(12)]
    together = set().union(*(row_gone(f"S1{i}") for i in range(12)))
    apart = set().union(*(scattered(f"S2{i}") for i in range(12)))
    tests = losses.clustering(make_gaps(plots, together | apart), permutations=199)
    first, second, third = words.clustering(tests)
    assert first.startswith(
        "S1: missing plants lie together more than chance would have it, so look"
    )
    assert second.startswith("S2: missing plants lie together no more than chance")
    assert third == "Not tested at S3: no plot there has two missing and two living plants."
    one = words.clustering(losses.clustering(make_gaps(plots[:12], together), permutations=199))
    assert "72 missing in 12 plots tested, 60 neighbouring pairs against" in one[0]
    assert one[0].startswith("Missing plants lie") and "longest run 6)." in one[0]


def test_one_missing_plant_and_no_record_are_refused():
    plots = [("S1", f"{i:02d}") for i in range(12)]
    with pytest.raises(Refusal, match="nothing to arrange"):
        losses.clustering(make_gaps(plots, {("00", 1, 1)}))
    with pytest.raises(Refusal, match="no gap records of this planting"):
        losses.clustering(make_gaps([], []))


def test_first_gap_record_of_the_season_is_looked_at():
    stand = stand_of(make_plots("A", 1), autumn=30, summer=20)
    plot = [("S1", stand.loc[0, "plot"])]
    days = (("2024-10-05", 2024), ("2025-10-05", 2025), ("2026-06-24", 2025))
    gaps = pd.concat([make_gaps(plot, [], day=d, season=s) for d, s in days], ignore_index=True)
    assert losses.first_gaps(gaps, stand, 2025)["counted_on"].eq(pd.Timestamp("2025-10-05")).all()


# -- verdicts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("summer", "text"), [
    ([40] * 9, ["Of 9 plots judged by the last count: 9 good."]),
    ([30] * 8 + [20], ["Of 9 plots judged by the last count: 8 to fill, 1 to replant.",
                       "1 of them stands below 60 %: its yield counts per planted area as it is and is not reckoned to a full stand."]),
    ([20] * 9, ["Of 9 plots judged by the last count: 9 to replant.",
                "9 of them stand below 60 %: their yield counts per planted area as it is and is not reckoned to a full stand."]),
])  # fmt: skip
def test_verdicts_on_plots_are_counted(summer, text):
    stand = stand_of(make_plots(), autumn=40, summer=summer)
    assert (
        words.verdicts(
            counts.judge_plots(stand, losses.longest_runs(make_gaps([], [])), RULES), RULES
        )
        == text
    )


def test_plots_without_a_count_have_no_verdict():
    with pytest.raises(Refusal, match="No plot has a count"):
        counts.judge_plots(stand_of(make_plots()), losses.longest_runs(make_gaps([], [])), RULES)


def test_future_stand_names_the_sure_ones_only():
    chances = pd.DataFrame(
        {"hybrid": list("ABCD"), "verdict": ["good", "fill gaps", "replant", "undecided"]}
    )
    assert words.future(chances, RULES) == (
        "A future plot's stand is, with a chance of 80 % or more, at 85 % or more for A; at 70 % or more "
        "for B; below 70 % for C."
    )
    assert words.future(chances[3:], RULES).startswith(
        "For no hybrid is the stand of a future plot"
    )
