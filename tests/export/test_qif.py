"""QIF results of a record: valid against the standard's own schema, values as said, nothing called good that is not."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from capture.domain.record import InspectionRecord, fold
from capture.export.qif import NAMESPACE, qif_xml
from tests.domain.conftest import PLAN_TEXT, Shift

SCHEMA = Path(__file__).parents[2].parent / "shared" / "qif" / "schema" / "QIFDocument.xsd"
RING = "inboard-seal-ring"
T = {"t": NAMESPACE}
GUARDED = PLAN_TEXT.replace(
    "[[caution]]",
    """[[gauge]]
id = "shoe-micrometer"
title = "micrometer one to two inches"
unit = "in"
resolution = "0.001"
lower = "1"
upper = "2"
uncertainty = "0.0005"

[[caution]]""",
    1,
).replace(
    'spoken = "thickness"',
    'spoken = "thickness"\ngauge = "shoe-micrometer"\ndecision = { rule = "guard band", k = "2" }',
    1,
)


def record(text: str = PLAN_TEXT) -> InspectionRecord:
    """Return a record with readings inside, outside and undecided, a computed value, as found and as left."""
    shift = Shift()
    shift.open(text=text)
    gauge: dict[str, Any] = {"gauge": "shoe-micrometer"} if "[[gauge]]" in text else {}
    for number, value in ((1, "1.250"), (2, "1.261"), (3, "1.254")):
        shift.read(f"outboard-shoe-{number}", "shoe-thickness", value, plan_text=text, **gauge)
    shift.read("outboard-shoe-2", "shoe-thickness", "1.250", plan_text=text, stage="as left")
    shift.read(RING, "seal-bore", "5.5108", plan_text=text)
    shift.read(RING, "seal-shaft", "5.4999", plan_text=text)
    return fold(shift.events)["J1"]


def parsed(made: InspectionRecord) -> ET.Element:
    return ET.fromstring(qif_xml(made, last_hash="ab" * 32))


def measured(made: InspectionRecord) -> list[tuple[str, str, str | None]]:
    """Return (value, the standard's word, unit) of every measured length, in the order of the document."""
    found = parsed(made).findall(".//t:UserDefinedLinearCharacteristicMeasurement", T)
    return [
        (
            one.findtext("t:Value", "", T),
            one.findtext("t:Status/t:CharacteristicStatusEnum", "", T),
            one.find("t:Value", T).get("linearUnit"),  # type: ignore[union-attr]
        )
        for one in found
    ]


@pytest.mark.parametrize("text", [PLAN_TEXT, GUARDED], ids=["simple acceptance", "guard band"])
def test_the_document_is_valid_against_the_published_schema(text: str) -> None:
    if not SCHEMA.exists():
        pytest.skip("../shared is not here: the published schema of QIF 3.0 is not part of this repository")
    from lxml import etree  # type: ignore[import-untyped]

    schema = etree.XMLSchema(etree.parse(SCHEMA))
    document = etree.fromstring(qif_xml(record(text), last_hash="ab" * 32))
    assert schema.validate(document), schema.error_log
    assert not schema.validate(etree.fromstring(b'<QIFDocument xmlns="%s"/>' % NAMESPACE.encode()))


def test_a_value_is_the_digits_that_were_said_in_the_unit_they_were_said_in() -> None:
    assert measured(record())[:3] == [("1.250", "PASS", "in"), ("1.261", "FAIL", "in"), ("1.254", "PASS", "in")]
    assert ("0.0109", "PASS", "in") in measured(record())


def test_as_found_and_as_left_are_results_of_their_own() -> None:
    sets = parsed(record()).findall(".//t:MeasurementResults", T)
    stages = [one.find("t:Attributes/t:AttributeStr", T).get("value") for one in sets]  # type: ignore[union-attr]
    overall = [one.findtext("t:InspectionStatus/t:InspectionStatusEnum", "", T) for one in sets]
    assert (stages, overall) == (["as found", "as left"], ["FAIL", "PASS"])


def test_what_is_undecided_is_never_called_good_and_its_uncertainty_is_given() -> None:
    made = record(GUARDED)
    (undecided,) = [one for one in made.entries if one.position == "outboard-shoe-3"]
    assert undecided.verdict.kind == "undecided" and undecided.verdict.expanded is not None
    (at,) = [n for n, one in enumerate(made.entries) if one is undecided]
    assert measured(made)[at][1] == "INDETERMINATE"
    value = parsed(made).findall(".//t:UserDefinedLinearCharacteristicMeasurement/t:Value", T)[at]
    stated = Fraction(value.get("combinedUncertainty", "0")) * 2
    assert undecided.verdict.expanded <= stated <= undecided.verdict.expanded * Fraction(101, 100)


def test_a_document_of_the_same_log_is_the_same_to_the_byte() -> None:
    assert qif_xml(record(), last_hash="ab" * 32) == qif_xml(record(), last_hash="ab" * 32)
    assert qif_xml(record(), last_hash="ab" * 32) != qif_xml(record(), last_hash="cd" * 32)


def test_a_job_without_readings_is_still_a_valid_document() -> None:
    shift = Shift()
    shift.open()
    document = parsed(fold(shift.events)["J1"])
    assert document.find("t:Results", T) is None and document.get("idMax") == "1"


def test_text_that_no_xml_can_hold_is_replaced_and_marked() -> None:
    shift = Shift()
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", by="T\x00M\x1b<&>")
    said = [one.get("value") for one in parsed(fold(shift.events)["J1"]).findall(".//t:AttributeStr", T)]
    assert "T\ufffdM\ufffd<&>" in said
