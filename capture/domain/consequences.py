"""What a finding leads to by the rules of its plan; in doubt it is always "ask the lead"."""

from __future__ import annotations

from dataclasses import dataclass

from capture.domain.groups import ASK_THE_LEAD, IN_DOUBT, Rule
from capture.domain.plan import InspectionPlan


@dataclass(frozen=True, slots=True)
class Consequence:
    """What is to be done, "" when the plan says nothing; `source` and `standing` of who says so.

    `doubt` says what was not clear, "" when all was: then the lead is asked whatever the rules say.
    """

    text: str
    source: str = ""
    standing: str = ""
    doubt: str = ""


def consequence_of(
    plan: InspectionPlan, finding: str, severity: str | None, extent: str | None = None, face: str | None = None
) -> Consequence:
    """Return what a finding leads to: the first rule that holds, else the finding's own answer.

    A rule that may or may not hold, because a word it hangs on was not said, leaves it in doubt when it could
    change the answer.

    """
    kind = next((one for one in plan.findings if one.id == finding), None)
    if kind is None:
        return Consequence("")
    if severity == IN_DOUBT:
        return Consequence(ASK_THE_LEAD, "in doubt the lead is asked", "common practice", "it was called in doubt")
    said = {"severity": severity, "extent": extent, "face": face}
    open_rules: list[tuple[Rule, str]] = []
    certain = Consequence(kind.answer, kind.source, kind.standing)
    for rule in plan.rules:
        if rule.finding != finding:
            continue
        held, unsaid = _holds(rule, said)
        if held and not unsaid:
            certain = Consequence(rule.then, rule.source, rule.standing)
            break
        if held:
            open_rules.append((rule, unsaid))
    unclear = next((unsaid for rule, unsaid in open_rules if rule.then != certain.text), "")
    if not unclear:
        return certain
    return Consequence(ASK_THE_LEAD, "in doubt the lead is asked", "common practice", f"its {unclear} was not said")


def _holds(rule: Rule, said: dict[str, str | None]) -> tuple[bool, str]:
    """Return whether a rule holds or may hold, and the first word it hangs on that was not said, "" for none."""
    unsaid = ""
    for name, wanted in (("severity", rule.severities), ("extent", rule.extents), ("face", rule.faces)):
        if not wanted or said[name] in wanted:
            continue
        if said[name] is not None:
            return False, ""
        unsaid = unsaid or name
    return True, unsaid
