"""Intensity of selection: printed tables, an independent integral, simulation, edge inputs."""

import numpy as np
import pytest

from culmbook.stats.extremes import finite_intensity, intensity
from two_stages import two_stage_gain


@pytest.mark.parametrize(
    ("share", "published"),
    [(0.01, 2.665), (0.05, 2.063), (0.10, 1.755), (0.20, 1.400), (0.25, 1.271), (0.50, 0.798)],
)
def test_intensity_matches_falconer_mackay_1996_table_a(share, published):
    # values from memory, recomputed with R 4.2.2: dnorm(qnorm(p)) / p
    assert intensity(share) == pytest.approx(published, abs=5e-4)


def test_order_statistics_match_harter_1961():
    # values from memory, recomputed with R 4.2.2: integrate() of x times the density of the r-th
    # largest
    published = np.array([1.53875, 1.00136, 0.65606, 0.37576, 0.12267])
    means = [finite_intensity(k, 10) for k in range(1, 6)]
    assert means == pytest.approx(published.cumsum() / np.arange(1, 6), abs=1e-5)
    largest = {5: 1.16296, 20: 1.86748, 50: 2.24907, 100: 2.50759}
    assert {n: finite_intensity(1, n) for n in largest} == pytest.approx(largest, abs=1e-5)


@pytest.mark.parametrize(
    ("kept", "entries", "published"),
    [(1, 10, 1.54), (2, 10, 1.27), (5, 10, 0.74), (1, 20, 1.87), (2, 20, 1.64), (10, 50, 1.37)],
)
def test_finite_intensity_matches_falconer_mackay_1996_table_b(kept, entries, published):
    # values from memory (also in Becker 1984), recomputed with R 4.2.2 as above
    assert finite_intensity(kept, entries) == pytest.approx(published, abs=0.005)


def test_finite_intensity_is_below_that_without_end_by_the_correction_of_burrows_1975():
    # i - (n - k) / (2 k (n + 1) i), Burrows (1975) Biometrics 31:125-133, an approximation; from
    # memory
    for kept, entries in ((10, 50), (50, 200), (8, 50)):
        i = intensity(kept / entries)
        near = i - (entries - kept) / (2 * kept * (entries + 1) * i)
        assert finite_intensity(kept, entries) == pytest.approx(near, abs=0.003)
        assert finite_intensity(kept, entries) < i


def test_single_stage_at_five_per_cent_is_the_correlation_times_the_intensity():
    # 0.8 * 2.0627: the printed intensity at 5 %
    for shares in ((0.05, 1.0), (1.0, 0.05)):
        assert two_stage_gain(0.8, 0.8, 0.64, *shares) == pytest.approx(1.6502, abs=1e-4)


TWO_STAGES = [
    ((0.6, 0.8, 0.48, 0.25, 0.2), 1.6673163),
    ((0.5, 0.85, 0.6, 0.25, 0.1), 1.9300272),
    ((0.7, 0.9, 0.7, 0.25, 0.2), 1.8416729),
]


@pytest.mark.parametrize(("plan", "reference"), TWO_STAGES)
def test_two_stages_match_the_integral_over_the_truncated_normal(plan, reference):
    # computed with R 4.2.2: double integrate() of b1 x1 + b2 x2 over both thresholds (b the
    # regression of the
    # true value on the criteria), the second threshold by uniroot(); no published number was seen
    assert two_stage_gain(*plan) == pytest.approx(reference, abs=1e-6)


@pytest.mark.parametrize(("plan", "reference"), TWO_STAGES)
def test_two_stages_match_simulated_selection(plan, reference):
    r1, r2, rho, share1, share2 = plan
    covariance = [[1, r1, r2], [r1, 1, rho], [r2, rho, 1]]
    rng = np.random.default_rng(11)
    gains = []
    for _ in range(200):
        g, x1, x2 = rng.multivariate_normal(np.zeros(3), covariance, size=20_000).T
        first = np.argsort(-x1)[: int(20_000 * share1)]
        kept = first[np.argsort(-x2[first])[: int(20_000 * share1 * share2)]]
        gains.append(g[kept].mean())
    error = np.std(gains, ddof=1) / np.sqrt(len(gains))
    assert error < 0.003
    assert two_stage_gain(*plan) == pytest.approx(np.mean(gains), abs=3 * error + 5e-4)


def test_second_stage_that_tells_nothing_new_selects_as_one_stage_would():
    # both criteria nearly the same: selection of 5 % in two steps is selection of 5 %
    assert two_stage_gain(0.8, 0.8, 0.999999, 0.25, 0.2) == pytest.approx(0.8 * 2.0627, abs=2e-3)


def test_edges_are_exact_or_refused():
    assert intensity(1.0) == 0 and finite_intensity(7, 7) == 0
    assert two_stage_gain(0.5, 0.6, 0.3, 1.0, 1.0) == 0
    assert intensity(1e-12) == pytest.approx(
        7.171402, abs=1e-5
    )  # R 4.2.2: dnorm(qnorm(1e-12)) / 1e-12
    for share in (0, -0.1, 1.01, np.nan):
        with pytest.raises(ValueError, match="share"):
            intensity(share)
    for kept, entries in ((0, 5), (6, 5)):
        with pytest.raises(ValueError, match="kept"):
            finite_intensity(kept, entries)
    with pytest.raises(ValueError, match="no three quantities"):
        two_stage_gain(0.9, 0.9, -0.5, 0.25, 0.2)
    with pytest.raises(ValueError, match="each lies"):
        two_stage_gain(0.9, 1.1, 0.9, 0.25, 0.2)
    with pytest.raises(ValueError, match="shares"):
        two_stage_gain(0.9, 0.9, 0.8, 0.0, 0.2)
