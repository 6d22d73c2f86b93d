"""Budgets against the GUM's own examples, scipy's t, and the package uncertainties."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import pytest
import uncertainties  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from capture.domain.quantiles import beta_below, f_above, normal_below, t_factor, t_outside
from capture.domain.statistics import root, summary
from capture.domain.uncertainty import (
    Budget,
    Contribution,
    certificate,
    correlated_variance,
    from_resolution,
    mean_covariance,
    rectangular,
    repeatability,
    scaled,
    triangular,
    u_shaped,
)
from tests.cases.carry import rows, table


def exact(number: float | str) -> Fraction:
    return Fraction(str(number))


def near(value: float | Fraction, row: dict[str, Any], key: str) -> bool:
    return bool(abs(float(value) - row["out"][key]) <= row["tol"])


@pytest.mark.parametrize("row", rows("uncertainty", "type_b"))
def test_standard_uncertainty_from_what_is_stated(row: dict[str, Any]) -> None:
    said = row["in"]
    made = {
        "resolution": lambda: from_resolution(exact(said["r"])),
        "rectangular": lambda: rectangular(exact(said["a"])),
        "triangular": lambda: triangular(exact(said["a"])),
        "u_shaped": lambda: u_shaped(exact(said["a"])),
        "normal": lambda: certificate(exact(said["U"]), exact(said["k"])),
    }[said["kind"]]()
    assert near(made.standard, row, "u")
    assert made.dof is None


@pytest.mark.parametrize("row", rows("uncertainty", "type_a"))
def test_standard_uncertainty_from_repeats(row: dict[str, Any]) -> None:
    values = [exact(x) for x in row["in"]["x"]]
    whole, made = summary(values), repeatability(values)
    assert whole.deviation is not None
    assert near(whole.mean, row, "mean") and near(whole.deviation, row, "s")
    assert near(made.standard, row, "u") and made.dof == row["out"]["nu"]


def budget(row: dict[str, Any]) -> Budget:
    pairs = zip(row["in"]["u"], row["in"]["nu"], strict=True)
    return Budget(tuple(Contribution("term", exact(u) ** 2, nu or None) for u, nu in pairs))


@pytest.mark.parametrize("row", rows("uncertainty", "effective_dof"))
def test_effective_degrees_of_freedom_after_welch_and_satterthwaite(row: dict[str, Any]) -> None:
    made = budget(row)
    assert near(made.standard, row, "uc")
    assert made.dof is not None and near(made.dof, row, "nu_eff")


@pytest.mark.parametrize("row", rows("uncertainty", "t_factor"))
def test_t_factor_is_the_tabled_one(row: dict[str, Any]) -> None:
    sigmas = {f"p{name}": math.erf(n / math.sqrt(2)) for n, name in ((1, "68_27"), (2, "95_45"), (3, "99_73"))}
    shares = {"p90": 0.90, "p95": 0.95, "p99": 0.99, **sigmas}
    for key, share in shares.items():
        assert near(t_factor(share, row["in"]["nu"] or None), row, key), key


@pytest.mark.parametrize("row", rows("uncertainty", "budget"))
def test_whole_budget_comes_out_as_published(row: dict[str, Any]) -> None:
    made, said = budget(row), row["in"]
    k = exact(said["k"]) if "k" in said else None
    assert near(made.standard, row, "uc")
    assert (float(made.dof) if made.dof else 0.0) == pytest.approx(row["out"]["nu_eff"], rel=1e-5)
    used = float(k) if k is not None else made.factor(said["p"])
    assert near(used, row, "k")
    assert near(used * float(made.standard), row, "U")
    expanded = made.expanded(k, said.get("p", 0.95))
    assert -1e-7 <= float(expanded) - row["out"]["U"] <= 0.0011 * float(made.standard) + row["tol"]
    assert expanded <= made.stated(k, said.get("p", 0.95)) <= expanded * Fraction(11, 10)


def test_gum_h1_end_gauge_is_recomputed() -> None:
    """Row h1: JCGM 100:2008, H.1; standing: published, quoted from memory."""
    (row,) = table("uncertainty")["gum_h1"]
    said = {key: exact(v) for key, v in row["in"].items() if not isinstance(v, list)}
    parts = zip([exact(x) for x in row["in"]["d_components"]], row["in"]["d_nu"], strict=True)
    d = Budget(tuple(Contribution("d", u**2, nu) for u, nu in parts))
    dalpha = scaled(rectangular(said["dalpha_half_width"], dof=row["in"]["nu_dalpha"]), said["ls"] * said["theta_mean"])
    dtheta = scaled(rectangular(said["dtheta_half_width"], dof=row["in"]["nu_dtheta"]), said["ls"] * said["alpha_s"])
    whole = Budget((Contribution("ls", said["u_ls"] ** 2, row["in"]["nu_ls"]), *d.contributions, dalpha, dtheta))
    assert said["ls"] + said["d"] == exact(row["out"]["l"])
    assert near(d.standard, row, "u_d") and d.dof is not None
    assert near(dalpha.standard, row, "u_dalpha_part") and near(dtheta.standard, row, "u_dtheta_part")
    assert near(whole.standard, row, "uc") and near(d.dof, row, "nu_d")
    # the GUM takes d as one contribution with its own effective degrees of freedom
    terms = [(float(said["u_ls"]), 18.0), (float(d.standard), float(d.dof))]
    terms += [(float(dalpha.standard), 50.0), (float(dtheta.standard), 2.0)]
    dof = float(whole.standard) ** 4 / sum(u**4 / nu for u, nu in terms)
    assert abs(dof - row["out"]["nu_eff"]) <= row["tol"]
    assert whole.dof is not None and abs(float(whole.dof) - dof) < 1e-9  # sums of d's terms are the same sum
    assert math.floor(dof) == row["out"]["nu_used"]
    k = t_factor(0.99, row["out"]["nu_used"])
    assert near(k, row, "t99") and near(k * float(whole.standard), row, "U99")
    theta = exact(row["in"]["u_theta_mean"]) ** 2 + u_shaped(said["theta_cycle_amplitude"]).variance
    second = said["ls"] ** 2 * (
        rectangular(said["dalpha_half_width"]).variance * theta
        + rectangular(said["alpha_s_half_width"]).variance * rectangular(said["dtheta_half_width"]).variance
    )
    assert near(root(whole.variance + second), row, "uc_second_order")


def test_gum_h2_correlated_inputs_are_recomputed() -> None:
    """Row h2: JCGM 100:2008, H.2; standing: published, quoted from memory."""
    (row,) = table("uncertainty")["gum_h2"]
    v, milli, phi = ([exact(x) for x in row["in"][key]] for key in ("V", "I_mA", "phi"))
    i = [x / 1000 for x in milli]
    series = (v, i, phi)
    covariance = [[mean_covariance(a, b) for b in series] for a in series]
    mv, mi, mp = (float(summary(one).mean) for one in series)
    slopes = {
        "R": (math.cos(mp) / mi, -mv * math.cos(mp) / mi**2, -mv * math.sin(mp) / mi),
        "X": (math.sin(mp) / mi, -mv * math.sin(mp) / mi**2, mv * math.cos(mp) / mi),
        "Z": (1 / mi, -mv / mi**2, 0.0),
    }
    values = {"R": mv * math.cos(mp) / mi, "X": mv * math.sin(mp) / mi, "Z": mv / mi}
    exact_slopes = {name: [Fraction(c) for c in cs] for name, cs in slopes.items()}
    u = {name: float(root(correlated_variance(cs, covariance))) for name, cs in exact_slopes.items()}
    for name in "RXZ":
        assert near(values[name], row, name) and near(u[name], row, f"u_{name}")
    names = ("V", "I", "phi")
    for a, b in ((0, 1), (0, 2), (1, 2)):
        r = float(covariance[a][b]) / math.sqrt(float(covariance[a][a] * covariance[b][b]))
        assert near(r, row, f"r_{names[a]}{names[b]}")
    for one, two in ("RX", "RZ", "XZ"):
        both = [x + y for x, y in zip(exact_slopes[one], exact_slopes[two], strict=True)]
        cross = (float(correlated_variance(both, covariance)) - u[one] ** 2 - u[two] ** 2) / 2
        assert near(cross / (u[one] * u[two]), row, f"r_{one}{two}")


@given(st.floats(0.5, 0.9999), st.floats(1, 500))
def test_t_factor_agrees_with_scipy(coverage: float, dof: float) -> None:
    assert t_factor(coverage, dof) == pytest.approx(float(stats.t.ppf(0.5 + coverage / 2, dof)), rel=1e-8)


@given(st.floats(0.01, 50), st.floats(1, 100), st.floats(1, 100))
def test_tail_probabilities_agree_with_scipy(x: float, a: float, b: float) -> None:
    assert t_outside(x, a) == pytest.approx(float(2 * stats.t.sf(x, a)), rel=1e-7, abs=1e-14)
    assert f_above(x, a, b) == pytest.approx(float(stats.f.sf(x, a, b)), rel=1e-7, abs=1e-13)
    assert normal_below(-x) == pytest.approx(float(stats.norm.cdf(-x)), rel=1e-9)
    share = x / (1 + x)
    assert beta_below(share, a, b) == pytest.approx(float(stats.beta.cdf(share, a, b)), rel=1e-8, abs=1e-13)


def test_a_coverage_or_freedom_that_makes_no_sense_is_refused() -> None:
    for coverage, dof in ((0.0, 4.0), (1.0, 4.0), (0.95, 0.0), (0.95, -1.0)):
        with pytest.raises(ValueError, match="must"):
            t_factor(coverage, dof)
    assert (beta_below(-1, 2, 3), beta_below(2, 2, 3)) == (0.0, 1.0)


numbers = st.fractions(-5, 5, max_denominator=200)


@settings(max_examples=50)
@given(st.lists(st.tuples(numbers, st.fractions(0, 2, max_denominator=200)), min_size=1, max_size=5))
def test_combining_agrees_with_the_package_uncertainties(terms: list[tuple[Fraction, Fraction]]) -> None:
    whole = Budget(tuple(scaled(Contribution("x", u * u), c) for c, u in terms))
    theirs = sum(
        (float(c) * uncertainties.ufloat(1.0, float(u) + 1e-300) for c, u in terms), uncertainties.ufloat(0, 1e-300)
    )
    assert float(whole.standard) == pytest.approx(theirs.std_dev, rel=1e-9, abs=1e-12)


@settings(max_examples=50)
@given(st.lists(st.fractions(-3, 3, max_denominator=100), min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_permuting_repeats_changes_nothing(values: list[Fraction], random: Any) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)
    assert summary(shuffled) == summary(values)
    assert repeatability(shuffled) == repeatability(values)


@given(st.fractions(0, 10**6, max_denominator=10**6))
def test_a_root_squares_back_to_its_value(value: Fraction) -> None:
    assert abs(root(value) ** 2 - value) <= value * Fraction(1, 10**38)
    assert root(value * value) == value


def test_repeatability_needs_two_and_pairs_need_partners() -> None:
    with pytest.raises(ValueError, match="at least two"):
        repeatability([Fraction(1)])
    with pytest.raises(ValueError, match="at least two"):
        mean_covariance([Fraction(1)], [Fraction(1)])
    with pytest.raises(ValueError, match="no square root"):
        root(Fraction(-1))


def test_two_results_together_have_both_budgets() -> None:
    one, two = Budget((Contribution("a", Fraction(9)),)), Budget((Contribution("b", Fraction(16)),))
    assert one.together(two).standard == 5
    assert one.stated(Fraction(2)) == 6
