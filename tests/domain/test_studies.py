"""Gauge studies and chart factors against the carried rows and scipy."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from capture.domain.studies import chart_factors, gauge_study, one_way
from tests.cases.carry import rows


def close(value: float | Fraction, want: float, row: dict[str, Any]) -> bool:
    allowed = row["tol"] * abs(want) if row.get("tol_kind") == "relative" else row["tol"]
    return bool(abs(float(value) - want) <= allowed + 1e-15)


@pytest.mark.parametrize("row", rows("statistics", "oneway"))
def test_one_way_analysis_of_the_certified_set(row: dict[str, Any]) -> None:
    made, out = one_way([[Fraction(str(x)) for x in group] for group in row["in"]["groups"]]), row["out"]
    assert (made.between_dof, made.within_dof) == (out["df_between"], out["df_within"])
    assert close(made.between, out["ss_between"], row) and close(made.within, out["ss_within"], row)
    assert close(made.between / made.between_dof, out["ms_between"], row)
    assert close(made.within / made.within_dof, out["ms_within"], row)
    assert close(made.f, out["F"], row) and close(made.r_squared, out["r_squared"], row)
    assert close(made.repeatability, out["repeatability"], row)
    assert close(made.group_deviation, out["instrument_sd"], row)


@pytest.mark.parametrize("row", rows("statistics", "gauge_rr"))
def test_gauge_study_gives_the_components(row: dict[str, Any]) -> None:
    cells = [[[Fraction(x) for x in cell] for cell in part] for part in row["in"]["readings"]]
    made, out = gauge_study(cells), row["out"]
    assert made.dof == out["df"]
    for name, value in out["ss"].items():
        assert close(made.squares[name], value, row), name
    for name, value in out["ms"].items():
        assert close(made.mean_square(name), value, row), name
    assert close(made.interaction_f, out["F_interaction"], row)
    assert close(made.interaction_probability, out["p_interaction"], row)
    for key, pooled in (("components", False), ("pooled", True)):
        found, want = made.components(pooled=pooled), out[key]
        figures = {
            "var_repeat": found.repeat,
            "var_operator": found.operator,
            "var_interaction": found.interaction,
            "var_part": found.part,
            "repeatability": found.repeatability,
            "reproducibility": found.reproducibility,
            "grr": found.gauge,
            "total_sd": found.total,
            "grr_percent": found.gauge_percent,
        }
        for name, value in figures.items():
            assert close(value, want[name], row), (key, name)
        assert found.categories == want["ndc"]


@pytest.mark.parametrize("row", rows("statistics", "chart_factor"))
def test_chart_factors_are_the_tabled_ones(row: dict[str, Any]) -> None:
    made, out = chart_factors(row["in"]["n"]), row["out"]
    for name, value in {"d2": made.d2, "d3": made.d3, "A2": made.a2, "D3": made.lower, "D4": made.upper}.items():
        assert close(value, out[name], row), name
    assert close(made.c4, out["c4"], row)


values = st.fractions(-10, 10, max_denominator=50)


@given(st.integers(2, 4).flatmap(lambda n: st.lists(st.lists(values, min_size=n, max_size=n), min_size=2, max_size=5)))
def test_one_way_f_agrees_with_scipy(groups: list[list[Fraction]]) -> None:
    made = one_way(groups)
    if made.within < Fraction(1, 100) or made.between < Fraction(1, 100):
        return
    theirs = stats.f_oneway(*[[float(x) for x in group] for group in groups])
    assert float(made.f) == pytest.approx(float(theirs.statistic), rel=1e-6)
    assert made.probability == pytest.approx(float(theirs.pvalue), rel=1e-6, abs=1e-12)


def test_a_study_that_is_not_whole_is_refused() -> None:
    one = Fraction(1)
    for groups in ([[one, one]], [[one, one], [one]], [[one], [one]]):
        with pytest.raises(ValueError, match="One-way analysis needs"):
            one_way(groups)
    with pytest.raises(ValueError, match="same operators"):
        gauge_study([[[one, one], [one, one]], [[one, one]]])
    with pytest.raises(ValueError, match="at least two"):
        gauge_study([[[one, one]], [[one, one]]])
    with pytest.raises(ValueError, match="must be 2 to 25"):
        chart_factors(1)
