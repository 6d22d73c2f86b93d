"""Verdicts with uncertainty, repeats and temperatures: what is said, what would settle it, by rows and by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.decision import ABSOLUTE, GUARD_BAND, ROUNDING, STRICT, DecisionRule, decide
from capture.domain.gauges import Gauge
from capture.domain.intervals import from_feelers
from capture.domain.limits import bounds
from capture.domain.plan import Characteristic, Derived, Expansion, InspectionPlan, Limits, Repeats, load
from capture.domain.uncertainty import Budget, Contribution, from_resolution
from capture.domain.units import Quantity, convert, exact_text
from capture.domain.verdicts import (
    CONFORMING,
    NO_LIMITS,
    NONCONFORMING_ABOVE,
    NONCONFORMING_BELOW,
    UNDECIDED,
    Temperatures,
    Verdict,
    budget_of,
    check,
    check_derived,
    check_interval,
    derived_value,
    disagreement,
    gauge_share,
    probability_of_conformity,
)
from tests.cases.carry import rows
from tests.domain.conftest import PLAN_TEXT
from tests.domain.test_limits import absolute, measured

MIKE = Gauge("mike", "micrometer", "in", Fraction("0.0001"), Fraction(0), Fraction(6), Fraction("0.0002"))
BAND = DecisionRule(kind=GUARD_BAND, k=Fraction(2))


@pytest.fixture
def shop(plan: InspectionPlan) -> InspectionPlan:
    """The demo plan with a micrometer and a guard band."""
    return replace(plan, gauges=(MIKE,), decision=BAND)


def sized(lower: str | None, upper: str | None, **more: Any) -> Characteristic:
    return replace(measured("in", absolute("in", lower, upper)), gauge="mike", **more)


@pytest.mark.parametrize("row", rows("rounding", "conform"))
def test_rounding_method_and_absolute_method_differ_as_published(row: dict[str, Any], plan: InspectionPlan) -> None:
    said, out = row["in"], row["out"]
    ends = (said["limit"], None) if said["kind"] == "min" else (None, said["limit"])
    one = measured("1", absolute("1", *ends))
    value = Quantity(said["observed"], "1")
    rounding = DecisionRule(method=ROUNDING, round_to=Fraction(said["step"]), mode=said["mode"])
    assert (check(value, one, plan, {}).kind == CONFORMING) == out["absolute_method"]
    rounded = check(value, replace(one, decision=rounding), plan, {})
    assert (rounded.kind == CONFORMING) == out["rounding_method"]
    assert f"rounded to {Fraction(out['rounded'])}" in rounded.working or f"rounded to {out['rounded']}" in (
        rounded.working.replace("rounded to 2.5 ", "rounded to 2.500 ")
    )


@pytest.mark.parametrize("row", rows("clearance", "sleeve_rule"))
def test_a_base_and_a_rate_give_the_rule_of_thumb(row: dict[str, Any]) -> None:
    limits = Limits(
        unit=row["unit"],
        lower=None,
        upper=None,
        source=row["source"],
        standing=row["standing"],
        upper_rate=Fraction(row["in"]["rate"]),
        upper_base=Fraction(row["in"]["base"]),
        per="shaft",
        upper_text=row["in"]["rate"],
    )
    held = bounds(limits, {"shaft": Quantity(row["in"]["diameter"], row["unit"])})
    assert held.upper == Fraction(row["out"]["diametral"]) and held.lower is None


GUARDED = [
    ("1.2457", NONCONFORMING_BELOW),  # more than U = 0.00021 below
    ("1.2458", UNDECIDED),
    ("1.2460", UNDECIDED),
    ("1.2462", UNDECIDED),
    ("1.2463", CONFORMING),
    ("1.2537", CONFORMING),
    ("1.2538", UNDECIDED),
    ("1.2542", UNDECIDED),
    ("1.2543", NONCONFORMING_ABOVE),
]


@pytest.mark.parametrize(("text", "kind"), GUARDED)
def test_a_reading_within_its_uncertainty_of_a_limit_is_undecided(text: str, kind: str, shop: InspectionPlan) -> None:
    """U: resolution 0.0001 (0.0000289), certificate 0.0002 at k 2 (0.0001); root of squares times 2 = 0.00020817."""
    verdict = check(Quantity(text, "in"), sized("1.246", "1.254"), shop, {})
    assert verdict.kind == kind
    assert verdict.expanded == Fraction("0.00021")
    assert "U 0.00021 in considered (resolution 0.0001 in, calibration U 0.0002 in)" in verdict.working
    assert ("would settle it" in verdict.working) == (kind == UNDECIDED and text not in ("1.2460", "1.2540"))


def test_exactly_on_a_limit_no_gauge_settles_it(shop: InspectionPlan) -> None:
    verdict = check(Quantity("1.2540", "in"), sized("1.246", "1.254"), shop, {})
    assert verdict.kind == UNDECIDED
    assert verdict.settle == "exactly on the limit, so no gauge settles it; ask the lead"
    assert verdict.said == "undecided, too near a stated limit"


def test_both_edge_readings_are_modes_of_the_plan(shop: InspectionPlan) -> None:
    exact = replace(MIKE, resolution=Fraction("0.0003"), uncertainty=None)  # U = 2 * 0.0003 / sqrt 12, stated 0.00018
    shop = replace(shop, gauges=(exact,))
    one, strict = sized(None, "1.0000"), sized(None, "1.0000", decision=replace(BAND, edges=STRICT))
    edge = Quantity("0.99982", "in")
    assert check(edge, one, shop, {}).kind == CONFORMING
    assert check(edge, strict, shop, {}).kind == UNDECIDED
    assert "edges strict" in check(edge, strict, shop, {}).working
    outer = Quantity("1.00018", "in")
    assert check(outer, one, shop, {}).kind == check(outer, strict, shop, {}).kind == UNDECIDED
    assert check(Quantity("1.00019", "in"), strict, shop, {}).kind == NONCONFORMING_ABOVE


def test_simple_acceptance_is_a_plan_option_and_says_so(shop: InspectionPlan) -> None:
    verdict = check(Quantity("1.2540", "in"), sized("1.246", "1.254", decision=DecisionRule()), shop, {})
    assert verdict.kind == CONFORMING and verdict.expanded is None
    assert verdict.working.endswith("within the stated limits, uncertainty not considered")


def test_undecided_names_a_gauge_or_more_repeats_that_would_settle_it(shop: InspectionPlan) -> None:
    coarse = replace(MIKE, resolution=Fraction("0.001"), uncertainty=Fraction("0.0001"))
    shop = replace(shop, gauges=(coarse,))
    verdict = check(Quantity("1.2536", "in"), sized("1.246", "1.254"), shop, {})
    assert verdict.settle == "U of at most 0.0004 in would settle it, for example a gauge of resolution 0.0005 in"
    finer = replace(shop, gauges=(replace(coarse, resolution=Fraction("0.0005")),))
    assert check(Quantity("1.2536", "in"), sized("1.246", "1.254"), finer, {}).kind == CONFORMING
    texts = ["1.2530", "1.2538", "1.2534", "1.2536"]
    said = [Quantity(text, "in") for text in texts]
    one = sized("1.246", "1.2538", repeats=Repeats(4))
    verdict = check(said[-1], one, replace(shop, gauges=(MIKE,)), {}, repeats=said)
    assert verdict.kind == UNDECIDED and "for example 6 repeats in all" in verdict.settle


def with_resolution(shop: InspectionPlan, settle: str) -> InspectionPlan:
    """Return the shop with its micrometer as fine as `settle` names it."""
    named = settle.partition("a gauge of resolution ")[2].split()[0]
    return replace(shop, gauges=(replace(shop.gauges[0], resolution=Fraction(named)),))


@pytest.mark.parametrize("edges", ["inclusive", STRICT])
def test_a_gauge_that_is_named_settles_what_was_undecided(edges: str, plan: InspectionPlan) -> None:
    coarse = replace(MIKE, resolution=Fraction("0.001"), uncertainty=Fraction("0.0001"))
    shop = replace(plan, gauges=(coarse,), decision=replace(BAND, edges=edges))
    one, named = sized("1.246", "1.254"), 0
    for count in range(200):
        said = Quantity(f"1.25{200 + 2 * count:03d}", "in")
        verdict = check(said, one, shop, {})
        if "a gauge of" in verdict.settle:
            named += 1
            assert check(said, one, with_resolution(shop, verdict.settle), {}).kind != UNDECIDED, verdict.working
    assert named > 20


def test_a_gauge_that_is_named_settles_a_clearance_that_both_parts_make(plan: InspectionPlan) -> None:
    coarse = replace(MIKE, resolution=Fraction("0.0005"), uncertainty=None)
    gauged = tuple(replace(one, gauge="mike") for one in plan.characteristics)
    shop = replace(plan, gauges=(coarse,), decision=BAND, characteristics=gauged)
    (clearance,) = [one for one in plan.derived if one.rule == "clearance"]
    named = 0
    for count in range(120):
        read = {"seal-bore": Quantity(f"5.5{20 + count:03d}", "in"), "seal-shaft": Quantity("5.5000", "in")}
        verdict = check_derived(clearance, shop, read)
        if verdict is not None and "a gauge of" in verdict.settle:
            named += 1
            again = check_derived(clearance, with_resolution(shop, verdict.settle), read)
            assert again is not None and again.kind != UNDECIDED, verdict.working
    assert named > 5


def test_outside_a_limit_the_uncertainty_must_be_below_the_distance(shop: InspectionPlan) -> None:
    verdict = check(Quantity("1.2542", "in"), sized("1.246", "1.254"), shop, {})
    assert verdict.settle.startswith("U below 0.0002 in would settle it")
    assert decide(Fraction("1.2542"), None, Fraction("1.254"), Fraction("0.0002")) == UNDECIDED


def test_repeats_are_checked_by_their_mean_once_all_are_there(shop: InspectionPlan) -> None:
    one = sized("1.246", "1.254", repeats=Repeats(3, ("top", "middle", "end")))
    said = [Quantity(text, "in") for text in ("1.2498", "1.2500", "1.2499")]
    short = check(said[1], one, shop, {}, repeats=said[:2])
    assert short.kind == UNDECIDED and short.said == "2 of 3 repeats read" and short.settle
    whole = check(said[-1], one, shop, {}, repeats=said)
    assert whole.kind == CONFORMING
    assert whole.working.startswith("mean of 1.2498 in, 1.2500 in, 1.2499 in = 1.2499 in, range 0.0002 in; limits")
    assert "repeatability of 3" in whole.working
    assert [check(said[i], one, shop, {}, repeats=said).kind for i in range(3)] == [CONFORMING] * 3


def test_an_odd_repeat_is_pointed_at_and_asked_for_again(shop: InspectionPlan) -> None:
    one = sized("1.246", "1.254", repeats=Repeats(4))
    said = [Quantity(text, "in") for text in ("1.2498", "1.2599", "1.2499", "1.2498")]
    verdict = check(said[-1], one, shop, {}, repeats=said)
    assert verdict.kind == UNDECIDED
    assert verdict.settle == "reading 2, 1.2599 in, stands apart from the others; read it again"


digits = st.from_regex(r"1\.2[0-9]{3}", fullmatch=True)


@given(st.lists(digits, min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_repeats_never_changes_the_verdict(texts: list[str], random: Any) -> None:
    plan = replace(load(PLAN_TEXT), gauges=(MIKE,), decision=BAND)
    said = [Quantity(text, "in") for text in texts]
    one = sized("1.246", "1.254", repeats=Repeats(len(said)))
    shuffled = list(said)
    random.shuffle(shuffled)
    a, b = (check(order[-1], one, plan, {}, repeats=order) for order in (said, shuffled))
    assert (a.kind, a.by, a.expanded) == (b.kind, b.by, b.expanded)


STEEL = Expansion(Fraction("11.5"), Fraction(0), "carbon and low-alloy steel")


def test_a_called_temperature_corrects_the_length_and_is_said(plan: InspectionPlan) -> None:
    """Row steel-shaft-35C of the pack: 200.0345 mm at 35 degC is 200.0000 mm at 20 degC."""
    one = replace(measured("mm", absolute("mm", "199.99", "200.01")), expansion=STEEL)
    warm = Temperatures(Quantity("35", "degC"), Quantity("20", "degC"))
    verdict = check(Quantity("200.0345", "mm"), one, plan, {}, temperatures=warm)
    assert verdict.kind == CONFORMING
    assert verdict.working.startswith("200.0345 mm at 35 degC = 200.0000 mm at 20 degC (carbon and low-alloy steel);")
    assert check(Quantity("200.0345", "mm"), one, plan, {}).kind == NONCONFORMING_ABOVE
    fahrenheit = Temperatures(Quantity("95", "degF"), Quantity("68", "degF"))
    assert check(Quantity("200.0345", "mm"), one, plan, {}, temperatures=fahrenheit).kind == CONFORMING


def test_correction_switched_off_by_the_plan_is_said(plan: InspectionPlan) -> None:
    one = replace(measured("mm", absolute("mm", "199.99", "200.01")), expansion=replace(STEEL, corrects=False))
    warm = Temperatures(Quantity("35", "degC"))
    verdict = check(Quantity("200.0345", "mm"), one, plan, {}, temperatures=warm)
    assert verdict.kind == NONCONFORMING_ABOVE and "not corrected to 20 degC as the plan says" in verdict.working


def test_temperature_is_in_the_budget(shop: InspectionPlan) -> None:
    near = sized("1.246", "1.254", expansion=replace(STEEL, within_degc=Fraction(10)))
    budget = budget_of(near, shop, [Quantity("1.2500", "in")], "in", Fraction("1.25"))
    assert budget is not None and [part.name for part in budget.contributions][-1] == "temperature"
    assert budget.contributions[-1].variance == (Fraction("1.25") * Fraction("11.5") / 10**6 * 10) ** 2 / 3
    warm = Temperatures(Quantity("30", "degC"))
    budget = budget_of(near, shop, [Quantity("1.2500", "in")], "in", Fraction("1.25"), warm)
    assert budget is not None
    assert budget.contributions[-1].variance == (Fraction("1.25") * Fraction("11.5") / 10**6) ** 2 / 3


def test_clearance_carries_the_uncertainty_of_both_parts(shop: InspectionPlan) -> None:
    parts = tuple(replace(one, gauge="mike") for one in shop.characteristics)
    shop = replace(shop, characteristics=parts)
    derived = shop.derived_by_id("seal-clearance")
    readings = {"seal-bore": Quantity("5.5108", "in"), "seal-shaft": Quantity("5.4999", "in")}
    verdict = check_derived(derived, shop, readings)
    assert verdict is not None and verdict.kind == UNDECIDED
    assert verdict.expanded == Fraction("0.0003")  # root 2 times 0.00020817, stated 0.0003
    assert "too near a stated limit to decide" in verdict.working
    far = {**readings, "seal-bore": Quantity("5.5070", "in")}
    decided = check_derived(derived, shop, far)
    assert decided is not None and decided.kind == CONFORMING


def test_a_counted_characteristic_has_no_uncertainty(shop: InspectionPlan) -> None:
    one = replace(measured("1", absolute("1", "8", "8")), decimals=0, counted=True)
    verdicts = [check(Quantity(text, "1"), one, shop, {}) for text in ("7", "8", "9")]
    assert [verdict.kind for verdict in verdicts] == [NONCONFORMING_BELOW, CONFORMING, NONCONFORMING_ABOVE]
    assert verdicts[0].working == (
        "7; limits 8 to 8 (constructed, plan author); outside the stated limits, below by 1, uncertainty not considered"
    )


def test_probability_and_share_are_given_on_request(shop: InspectionPlan) -> None:
    held = bounds(absolute("in", "1.246", "1.254"), {})
    one = sized("1.246", "1.254")
    budget = budget_of(one, shop, [Quantity("1.2540", "in")], "in", Fraction("1.254"))
    assert budget is not None
    assert probability_of_conformity(Fraction("1.254"), budget, held) == pytest.approx(0.5)
    assert gauge_share(MIKE, held, BAND) == 1 - 2 * Fraction("0.00021") / Fraction("0.008")
    assert gauge_share(MIKE, bounds(absolute("in", None, "1"), {}), BAND) is None


def test_an_interval_reading_has_a_verdict_with_its_working(plan: InspectionPlan) -> None:
    one = measured("in", absolute("in", "0.004", "0.008"))
    held = from_feelers(Quantity("4", "thou"), Quantity("9", "thou"), "in")
    verdict = check_interval(held, one, {})
    assert verdict.kind == UNDECIDED
    assert verdict.working.startswith(
        "4 thou goes, 9 thou does not; limits 0.004 to 0.008 in (constructed, plan author);"
    )
    assert "would settle it" in verdict.working
    assert check_interval(held, replace(one, limits=None), {}).kind == NO_LIMITS


def test_a_disagreement_of_computed_and_direct_clearance_is_said() -> None:
    held = from_feelers(Quantity("4", "thou"), Quantity("5", "thou"), "in")
    assert disagreement(Fraction("0.0045"), held, "joint") == ""
    assert disagreement(Fraction("0.0062"), held, "joint") == (
        "joint: computed 0.0062 in, but 4 thou goes, 5 thou does not; measure both again"
    )


@given(digits, st.sampled_from(["in", "mm", "thou", "um"]))
def test_a_guarded_verdict_is_the_same_in_every_unit_of_the_limits(text: str, unit: str) -> None:
    plan = replace(load(PLAN_TEXT), gauges=(MIKE,), decision=BAND)
    ends = [exact_text(convert(Fraction(end), "in", unit), 0) for end in ("1.24600", "1.25400")]
    there = replace(sized("1.246", "1.254"), unit=unit, limits=absolute(unit, *ends))
    here = check(Quantity(text, "in"), sized("1.246", "1.254"), plan, {})
    other = check(Quantity(text, "in"), there, plan, {})
    if here.kind != other.kind:  # U is rounded up to two digits in each unit, which may only make it undecided
        assert UNDECIDED in (here.kind, other.kind)
        assert {here.kind, other.kind} != {UNDECIDED} and (here.by is None or here.by < Fraction("0.0003"))
    simple = replace(plan, decision=DecisionRule())
    assert (
        check(Quantity(text, "in"), there, simple, {}).kind
        == check(Quantity(text, "in"), sized("1.246", "1.254"), simple, {}).kind
    )


def test_a_hot_clearance_is_always_an_interval(plan: InspectionPlan) -> None:
    """Row bronze-on-steel-60C of the pack: 0.0630360 mm, here within ten per cent of each coefficient."""
    constants = (
        ("bore_alpha", Quantity("18.0", "1")),
        ("bore_temperature", Quantity("60", "degC")),
        ("shaft_alpha", Quantity("11.5", "1")),
        ("shaft_temperature", Quantity("60", "degC")),
    )
    limits = absolute("mm", "0.062", "0.070")
    derived = Derived("hot", "hot", "hot clearance", ("g",), (("bore", "b"), ("shaft", "s")), "mm", limits, constants)
    readings = {"b": Quantity("50.050", "mm"), "s": Quantity("50.000", "mm")}
    verdict = check_derived(derived, plan, readings)
    assert verdict is not None and verdict.kind == UNDECIDED
    assert " = 0.050 mm cold; hot 0.0571324 to 0.0689396 mm" in verdict.working
    wide = replace(derived, limits=absolute("mm", "0.05", "0.07"))
    decided = check_derived(wide, plan, readings)
    assert decided is not None and decided.kind == CONFORMING


def test_a_derived_value_is_exact_and_waits_for_its_inputs(plan: InspectionPlan) -> None:
    at_ring = {"seal-bore": Quantity("5.5108", "in"), "seal-shaft": Quantity("5.4999", "in")}
    assert derived_value(plan.derived[0], at_ring) == Fraction("0.0109")
    assert derived_value(plan.derived[0], {"seal-bore": at_ring["seal-bore"]}) is None


YES_OR_NO = [
    ("lower", "1", CONFORMING),
    ("lower", "0", NONCONFORMING_BELOW),
    ("upper", "0", CONFORMING),
    ("upper", "1", NONCONFORMING_ABOVE),
]


@pytest.mark.parametrize(("limits", "reading", "kind"), YES_OR_NO)
def test_a_yes_or_no_is_a_count_of_one_or_zero(plan: InspectionPlan, limits: str, reading: str, kind: str) -> None:
    ends = ("1", None) if limits == "lower" else (None, "0")
    one = replace(measured("1", absolute("1", *ends)), counted=True, decimals=0)
    assert check(Quantity(reading, "1"), one, plan, {}).kind == kind


@pytest.mark.parametrize(("count", "said"), [(20, "20 repeats in all"), (21, "")])
def test_no_more_repeats_are_asked_for_than_anybody_will_take(count: int, said: str, shop: InspectionPlan) -> None:
    """Two repeats with variance v of their mean; `count` of them bring it down to 2 v / count."""
    from capture.domain.verdicts import _more_repeats

    budget = Budget((Contribution("repeatability of 2", Fraction(1), 1),))
    needed = Fraction(2, count)
    assert _more_repeats(budget, needed, lambda with_it: with_it.variance <= needed) == said
    assert _more_repeats(budget, needed, lambda with_it: False) == ""


def test_a_limit_whose_diameter_is_not_read_yet_waits_and_says_for_what(plan: InspectionPlan) -> None:
    rate = plan.derived[0].limits
    assert rate is not None
    one = replace(plan.characteristic("seal-bore"), limits=rate)
    verdict = check(Quantity("5.5108", "in"), one, plan, {})
    why = "limits wait for the reading of seal ring shaft diameter"
    assert (verdict.kind, verdict.said, verdict.settle) == (UNDECIDED, why, why)
    assert verdict.working == f"5.5108 in; {why}" and verdict.standing == "common practice"
    assert verdict.source == rate.source and verdict.by is None


def test_a_verdict_says_nothing_that_it_was_not_given() -> None:
    bare = Verdict(UNDECIDED, "", "", "", "", None)
    assert (bare.unit, bare.said, bare.expanded, bare.settle) == ("", "", None, "")


def test_a_reading_without_limits_is_told_so(plan: InspectionPlan) -> None:
    verdict = check(Quantity("5.5108", "in"), plan.characteristic("seal-bore"), plan, {})
    assert verdict == Verdict(
        NO_LIMITS,
        "5.5108 in; no limits stated in the plan",
        "",
        "",
        "",
        None,
        "",
        "no limits stated in the plan",
    )


def test_repeats_called_to_unlike_digits_are_shown_to_the_finer_ones(plan: InspectionPlan) -> None:
    one = replace(plan.characteristic("shoe-thickness"), repeats=Repeats(2))
    said = (Quantity("1.25", "in"), Quantity("1.2560", "in"))
    verdict = check(said[1], one, plan, {}, repeats=said)
    assert verdict.working.startswith("mean of 1.25 in, 1.2560 in = 1.2530 in, range 0.0060 in; ")
    above = check(said[1], one, plan, {}, repeats=(Quantity("1.26", "in"), Quantity("1.2600", "in")))
    assert "above by 0.0060 in" in above.working


def test_a_count_has_no_budget_even_with_a_gauge_named(shop: InspectionPlan) -> None:
    one = sized("1", "3", counted=True)
    assert budget_of(one, shop, [Quantity("2", "in")], "in", Fraction(2)) is None
    assert budget_of(replace(one, counted=False), shop, [Quantity("2", "in")], "in", Fraction(2)) is not None


def test_a_disagreement_is_told_to_four_digits() -> None:
    held = from_feelers(Quantity("0.004", "in"), Quantity("0.005", "in"), "in")
    assert disagreement(Fraction("0.006"), held, "clearance").startswith("clearance: computed 0.0060 in, but ")


def test_a_step_to_round_to_counts_only_by_the_rounding_method(plan: InspectionPlan) -> None:
    one = measured("in", absolute("in", "1.246", "1.254"))
    for method, kind in ((ABSOLUTE, NONCONFORMING_ABOVE), (ROUNDING, CONFORMING)):
        rule = DecisionRule(method=method, round_to=Fraction("0.01"))
        assert check(Quantity("1.2549", "in"), replace(one, decision=rule), plan, {}).kind == kind


def test_repeats_or_a_finer_gauge_are_named_only_where_they_would_help() -> None:
    """Variances by hand: a step of 0.001 gives 0.000001 / 12; what the other parts leave must be above zero."""
    from capture.domain.verdicts import _finer_gauge, _more_repeats

    step, other = Fraction(1, 10**6) / 12, Fraction(1, 10**6)
    shows, certified = from_resolution(Fraction("0.001"), "resolution 0.001 in"), Contribution("calibration", other)
    repeated = Contribution("repeatability of 2", other, 1)

    def repeats(needed: Fraction, *parts: Contribution) -> str:
        return _more_repeats(Budget(parts), needed, lambda with_it: with_it.variance <= needed)

    def gauge(needed: Fraction, *parts: Contribution) -> str:
        return _finer_gauge(Budget(parts), needed, "in", lambda with_it: with_it.variance <= needed)

    assert shows.variance == step
    assert repeats(2 * other, shows, certified) == ""
    assert repeats(other, certified, repeated) == ""
    assert repeats(other + other / 2, certified, repeated) == "4 repeats in all"
    # Here only the rounding of U can have left it undecided: the next finer gauge, if that decides, and no other.
    assert gauge(other + step, shows, certified) == "a gauge of resolution 0.0005 in"
    assert _finer_gauge(Budget((shows, certified)), other + step, "in", lambda with_it: False) == ""
    assert gauge(other, shows, certified) == ""
    assert gauge(other + step / 4, shows, certified) == "a gauge of resolution 0.0005 in"
    # Two parts read with one gauge: each must show 0.0005 for the same sum to be a quarter.
    assert gauge(other + step / 2, shows, shows, certified) == "a gauge of resolution 0.0005 in"
    assert _finer_gauge(Budget((shows,)), step / 4, "in", lambda with_it: False) == ""
