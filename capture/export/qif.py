"""A record as QIF results: ISO 23952:2020, Quality Information Framework, version 3.0.

Every reading and computed value stands as a measured characteristic with its limits, unit, verdict and uncertainty,
as found and as left in results of their own. Lengths are linear characteristics in the unit they were called in; other
kinds are carried as text with their limits beside them, since the standard knows no torque and no count with limits.
Values are the digits that were said.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_UP, Context, Decimal
from fractions import Fraction
from xml.etree import ElementTree as ET

from capture.domain.decision import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED
from capture.domain.errors import DomainError
from capture.domain.events import AS_FOUND, AS_LEFT
from capture.domain.limits import Bounds, bounds
from capture.domain.plan import InspectionPlan, Limits
from capture.domain.record import InspectionRecord
from capture.domain.units import Quantity, exact_text, factor
from capture.domain.verdicts import RULE, Verdict

NAMESPACE = "http://qifstandards.org/xsd/qif3"
# What the standard has words for; the verdict itself stands beside it as an attribute.
_ENUM = {CONFORMING: "PASS", NONCONFORMING_BELOW: "FAIL", NONCONFORMING_ABOVE: "FAIL", UNDECIDED: "INDETERMINATE"}
_NO_VERDICT = "NOT_ANALYZED"
_LENGTH = "mm"
_NAME_SPACE = uuid.UUID("6f1d0f4e-2f0c-5b57-9d1e-6f8f1a3f6c11")
"""Only to derive ids that stay the same for the same log; the number itself means nothing."""


@dataclass(frozen=True, slots=True)
class _Measured:
    """One value of the record, from a reading or computed.

    `text`: the digits; `device`: the gauge's id; `k`: the coverage factor its uncertainty was expanded by, None where
    that follows from degrees of freedom.
    """

    position: str
    characteristic: str
    title: str
    stage: str
    text: str
    unit: str
    verdict: Verdict
    limits: Bounds | None
    at: str
    by: str
    events: str
    device: str = ""
    k: Fraction | None = None


class _Ids:
    """Numbers the parts of one document, the same thing the same way."""

    def __init__(self) -> None:
        self.last = 0
        self.known: dict[object, str] = {}

    def of(self, thing: object) -> str:
        if thing not in self.known:
            self.last += 1
            self.known[thing] = str(self.last)
        return self.known[thing]


def qif_xml(record: InspectionRecord, *, last_hash: str) -> bytes:
    """Return the record as a QIF document, UTF-8.

    `last_hash`: of the log's last event it was made from, kept as an attribute so that it can be traced.
    """
    ids = _Ids()
    measured = [*_readings(record), *_computed(record)]
    root = ET.Element("QIFDocument", {"xmlns": NAMESPACE, "versionQIF": "3.0.0"})
    _text(root, "QPId", str(uuid.uuid5(_NAME_SPACE, f"{record.job}\n{last_hash}")))
    _attributes(root, {"job": record.job, "plan revision": record.revision, "last hash of the log": last_hash})
    header = ET.SubElement(root, "Header")
    _text(header, "Description", f"Inspection record {record.job}: {record.machine}, {record.plan.title}")
    _text(header, "Scope", RULE)
    _standards(root, ids)
    _units(root, sorted({one.unit for one in measured if _is_length(one.unit)}))
    _devices(root, record.plan, ids)
    if measured:
        _characteristics(root, measured, ids)
        _results(root, record, measured, ids)
    root.set("idMax", str(ids.last))
    ET.indent(root, " ")
    text = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


# --- what was measured


def _readings(record: InspectionRecord) -> Iterable[_Measured]:
    known = {one.id: one for one in record.plan.characteristics}
    for entry in record.entries:
        one = known.get(entry.characteristic)
        at_place = {
            other.characteristic: other.quantity
            for other in record.entries
            if (other.position, other.stage) == (entry.position, entry.stage)
        }
        yield _Measured(
            position=entry.position,
            characteristic=entry.characteristic,
            title=one.title if one else entry.characteristic,
            stage=entry.stage,
            text=entry.quantity.text,
            unit=entry.quantity.unit,
            verdict=entry.verdict,
            limits=_bounds(one.limits if one else None, at_place, entry.quantity.unit),
            at=entry.reading.at,
            by=entry.reading.body["by"],
            events=", ".join(f"{event.bench}:{event.sequence}" for event in entry.repeats or (entry.reading,)),
            device=entry.reading.body.get("gauge") or "",
            k=((one.decision if one else None) or record.plan.decision).k,
        )


def _computed(record: InspectionRecord) -> Iterable[_Measured]:
    known = {one.id: one for one in record.plan.derived}
    entries = {(entry.reading.sequence, entry.stage): entry for entry in record.entries}
    for derived in record.derived:
        sources = [entries[(n, derived.stage)] for n in derived.inputs if (n, derived.stage) in entries]
        at_place = {entry.characteristic: entry.quantity for entry in sources}
        exact = exact_text(derived.value, 0)
        yield _Measured(
            position=derived.position,
            characteristic=derived.derived,
            title=known[derived.derived].title,
            stage=derived.stage,
            text=derived.text if exact.startswith("~") else exact,
            unit=derived.unit,
            verdict=derived.verdict,
            limits=_bounds(known[derived.derived].limits, at_place, derived.unit),
            at=max((entry.reading.at for entry in sources), default=record.opened.at),
            by="",
            events=", ".join(f"{entry.reading.bench}:{entry.reading.sequence}" for entry in sources),
            k=(known[derived.derived].decision or record.plan.decision).k,
        )


def _bounds(limits: Limits | None, readings: Mapping[str, Quantity], unit: str) -> Bounds | None:
    if limits is None:
        return None
    try:
        return bounds(limits, readings, unit)
    except DomainError:  # its diameter is not read yet, or the reading is of another kind: the verdict says so
        return None


def _is_length(unit: str) -> bool:
    try:
        factor(unit, _LENGTH)
    except DomainError:
        return False
    return True


# --- the document


def _text(parent: ET.Element, name: str, text: str) -> ET.Element:
    child = ET.SubElement(parent, name)
    child.text = _plain(text)
    return child


def _plain(text: str) -> str:
    """Return a text without what XML cannot hold."""
    return "".join(c if _fits_xml(c) else "\ufffd" for c in text)


def _fits_xml(sign: str) -> bool:
    return sign in "\t\n" or " " <= sign < "\ud800" or "\ue000" <= sign <= "\ufffd" or sign > "\uffff"


def _attributes(parent: ET.Element, named: Mapping[str, str]) -> None:
    given = {name: _plain(value) for name, value in named.items() if value}
    if not given:
        return
    box = ET.SubElement(parent, "Attributes", {"n": str(len(given))})
    for name, value in given.items():
        ET.SubElement(box, "AttributeStr", {"name": name, "value": value})


def _standards(root: ET.Element, ids: _Ids) -> None:
    box = ET.SubElement(root, "StandardsDefinitions", {"n": "1"})
    standard = ET.SubElement(box, "Standard", {"id": ids.of("standard")})
    _text(ET.SubElement(standard, "Organization"), "StandardsOrganizationEnum", "ISO")
    _text(standard, "Designator", "ISO 14253-1")
    _text(standard, "Description", "decision rules; each verdict's working says which rule was used")


def _units(root: ET.Element, lengths: list[str]) -> None:
    units = ET.SubElement(root, "FileUnits")
    _length_unit(ET.SubElement(units, "PrimaryUnits"), _LENGTH)
    others = [unit for unit in lengths if unit != _LENGTH]
    if others:
        box = ET.SubElement(units, "OtherUnits", {"n": str(len(others))})
        for unit in others:
            _length_unit(box, unit)


def _length_unit(parent: ET.Element, unit: str) -> None:
    one = ET.SubElement(parent, "LinearUnit")
    _text(one, "SIUnitName", "meter")
    _text(one, "UnitName", unit)
    _text(ET.SubElement(one, "UnitConversion"), "Factor", exact_text(factor(unit, "mm") / 1000, 0))


def _devices(root: ET.Element, plan: InspectionPlan, ids: _Ids) -> None:
    if not plan.gauges:
        return
    resources = ET.SubElement(root, "MeasurementResources")
    box = ET.SubElement(resources, "MeasurementDevices", {"n": str(len(plan.gauges))})
    for gauge in plan.gauges:
        device = ET.SubElement(box, "ManualMeasurementDevice", {"id": ids.of(("gauge", gauge.id))})
        _text(device, "Name", gauge.id)
        _text(device, "Description", f"{gauge.title}, resolution {exact_text(gauge.resolution, 0)} {gauge.unit}")


def _characteristics(root: ET.Element, measured: list[_Measured], ids: _Ids) -> None:
    """Write each characteristic three times, as the standard wants: definition, nominal, and the item at a place."""
    box = ET.SubElement(root, "Characteristics")
    _text(box, "FormalStandardId", ids.of("standard"))
    kinds = {_definition_key(one): one for one in measured}
    definitions = ET.SubElement(box, "CharacteristicDefinitions", {"n": str(len(kinds))})
    for key, one in kinds.items():
        _definition(definitions, one, ids.of(("definition", *key)))
    nominals = ET.SubElement(box, "CharacteristicNominals", {"n": str(len(kinds))})
    for key, one in kinds.items():
        nominal = ET.SubElement(nominals, f"{_kind(one)}Nominal", {"id": ids.of(("nominal", *key))})
        _text(nominal, "CharacteristicDefinitionId", ids.of(("definition", *key)))
        _text(nominal, "Name", one.title)
    items = {_item_key(one): one for one in measured}
    box = ET.SubElement(box, "CharacteristicItems", {"n": str(len(items))})
    for item_key, one in items.items():
        item = ET.SubElement(box, f"{_kind(one)}Item", {"id": ids.of(("item", *item_key))})
        _text(item, "Name", f"{one.position} {one.characteristic}")
        designator = ET.SubElement(item, "CharacteristicDesignator")
        _text(designator, "Designator", f"{one.position}/{one.characteristic}")
        if one.device and ("gauge", one.device) in ids.known:
            devices = ET.SubElement(item, "MeasurementDeviceIds", {"n": "1"})
            _text(devices, "Id", ids.of(("gauge", one.device)))
        _text(item, "CharacteristicNominalId", ids.of(("nominal", *_definition_key(one))))


def _definition_key(one: _Measured) -> tuple[object, ...]:
    limits = one.limits
    return one.characteristic, one.unit, *((limits.lower, limits.upper) if limits else (None, None))


def _item_key(one: _Measured) -> tuple[object, ...]:
    return one.position, *_definition_key(one)


def _kind(one: _Measured) -> str:
    return f"UserDefined{'Linear' if _is_length(one.unit) else 'Attribute'}Characteristic"


def _definition(parent: ET.Element, one: _Measured, its_id: str) -> None:
    definition = ET.SubElement(parent, f"{_kind(one)}Definition", {"id": its_id})
    limits = one.limits
    stated = {"limits": limits.text if limits else "", "source": one.verdict.source, "standing": one.verdict.standing}
    _attributes(definition, stated)
    _text(definition, "Name", one.characteristic)
    if _is_length(one.unit):
        ends = _ends(limits)
        if ends:
            tolerance = ET.SubElement(definition, "Tolerance")
            for name, text in ends:
                _text(tolerance, name, text).set("linearUnit", one.unit)
            _text(tolerance, "DefinedAsLimit", "true")
        else:
            _text(definition, "NonTolerance", "MEASURED")
    _text(definition, "WhatToMeasure", one.title)


def _ends(limits: Bounds | None) -> list[tuple[str, str]]:
    """Return the limits as exact digits, none where one of them has no end of digits: the attribute says them then."""
    if limits is None:
        return []
    given = (("MaxValue", limits.upper), ("MinValue", limits.lower))
    ends = [(name, exact_text(value, 0)) for name, value in given if value is not None]
    return [] if any("~" in text for _, text in ends) else ends


def _results(root: ET.Element, record: InspectionRecord, measured: list[_Measured], ids: _Ids) -> None:
    stages = [stage for stage in (AS_FOUND, AS_LEFT) if any(one.stage == stage for one in measured)]
    box = ET.SubElement(ET.SubElement(root, "Results"), "MeasurementResultsSet", {"n": str(len(stages))})
    for stage in stages:
        its = [one for one in measured if one.stage == stage]
        results = ET.SubElement(box, "MeasurementResults", {"id": ids.of(("results", stage))})
        _attributes(results, {"stage": stage})
        trace = ET.SubElement(results, "InspectionTraceability")
        _text(trace, "ReportNumber", record.job)
        _text(trace, "InspectionStart", min(one.at for one in its))
        _text(trace, "InspectionEnd", max(one.at for one in its))
        held = ET.SubElement(
            ET.SubElement(results, "MeasuredCharacteristics"), "CharacteristicMeasurements", {"n": str(len(its))}
        )
        for one in its:
            _measurement(held, one, ids)
        _text(ET.SubElement(results, "InspectionStatus"), "InspectionStatusEnum", _overall(its))


def _overall(measured: list[_Measured]) -> str:
    """Return the standard's word for a set of results; what is undecided or without limits is never called good."""
    kinds = {_ENUM.get(one.verdict.kind, _NO_VERDICT) for one in measured}
    if "FAIL" in kinds:
        return "FAIL"
    return "PASS" if kinds == {"PASS"} else "UNKNOWN"


def _measurement(parent: ET.Element, one: _Measured, ids: _Ids) -> None:
    its_id = ids.of(("measured", one.stage, *_item_key(one)))
    measurement = ET.SubElement(parent, f"{_kind(one)}Measurement", {"id": its_id})
    verdict = one.verdict
    expanded = "" if verdict.expanded is None else f"{exact_text(verdict.expanded, 0)} {verdict.unit}"
    said = {"verdict": verdict.kind, "working": verdict.working, "by": one.by, "events": one.events}
    said |= {"expanded uncertainty": expanded, "unit": "" if _is_length(one.unit) else one.unit}
    _attributes(measurement, said)
    found = ET.SubElement(measurement, "Status")
    _text(found, "CharacteristicStatusEnum", _ENUM.get(verdict.kind, _NO_VERDICT))
    _text(measurement, "CharacteristicItemId", ids.of(("item", *_item_key(one))))
    _text(measurement, "TimeStamp", one.at)
    value = _text(measurement, "Value", one.text)
    if _is_length(one.unit):
        value.set("linearUnit", one.unit)
        if "." in one.text:
            value.set("decimalPlaces", str(len(one.text.partition(".")[2])))
        if verdict.expanded is not None and one.k is not None:
            value.set("combinedUncertainty", _standard_uncertainty(verdict, one.unit, one.k))


def _standard_uncertainty(verdict: Verdict, unit: str, k: Fraction) -> str:
    """Return the combined standard uncertainty, which the coverage factor k expanded, rounded up to three digits."""
    assert verdict.expanded is not None
    exact = verdict.expanded / k * factor(verdict.unit, unit)
    rounded = Context(prec=3, rounding=ROUND_UP).divide(Decimal(exact.numerator), Decimal(exact.denominator))
    return f"{rounded:f}"
