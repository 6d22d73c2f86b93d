"""A JSON Schema of inspection plans, for editors. `load` is stricter: it also checks what belongs together."""

from __future__ import annotations

from typing import Any

from capture.domain.decision import ABSOLUTE, GUARD_BAND, INCLUSIVE, ROUNDING, SIMPLE, STRICT
from capture.domain.derived import RULES
from capture.domain.form import SENSES
from capture.domain.groups import CONSEQUENCES
from capture.domain.plan import STANDINGS
from capture.domain.rounding import MODES
from capture.domain.spoken import LARGEST_COUNT
from capture.domain.stages import STAGES
from capture.domain.thermal import COEFFICIENTS
from capture.domain.units import UNIT_NAMES
from capture.domain.verdicts import KINDS

_NUMBER = {"type": "string", "pattern": r"^-?(0|[1-9][0-9]*)(\.[0-9]+)?$", "description": "exact digits, as a text"}
_TEXT = {"type": "string", "minLength": 1}
_ID = {"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"}
_WORDS = {"type": "string", "pattern": "^[a-z']+( [a-z']+)*$", "description": "words as they are said"}
_UNIT = {"enum": list(UNIT_NAMES)}
_MATERIAL = {"enum": list(COEFFICIENTS)}


def _object(needed: str, properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "additionalProperties": False,
        "required": needed.split(),
        "properties": properties,
    }


def _array(items: dict[str, Any], least: int = 0) -> dict[str, Any]:
    return {"type": "array", "items": items, "minItems": least}


def _limits() -> dict[str, Any]:
    numbers = "lower upper lower_rate upper_rate lower_base upper_base nominal plus minus plus_minus".split()
    own: dict[str, Any] = {"per": _ID, "code": _TEXT, "nominal_unit": _UNIT, "source": _TEXT}
    return _object("source standing", {**dict.fromkeys(numbers, _NUMBER), **own, "standing": {"enum": list(STANDINGS)}})


def _decision() -> dict[str, Any]:
    return _object(
        "rule",
        {
            "rule": {"enum": [SIMPLE, GUARD_BAND]},
            "edges": {"enum": [INCLUSIVE, STRICT]},
            "method": {"enum": [ABSOLUTE, ROUNDING]},
            "round_to": _NUMBER,
            "mode": {"enum": list(MODES)},
            "k": _NUMBER,
        },
    )


def _characteristic() -> dict[str, Any]:
    return _object(
        "id title groups unit decimals",
        {
            "id": _ID,
            "title": _TEXT,
            "spoken": _WORDS,
            "groups": _array(_ID, 1),
            "unit": _UNIT,
            "decimals": {"type": "integer", "minimum": 0, "maximum": 6},
            "signed": {"type": "boolean"},
            "counted": {"type": "boolean"},
            "as_left": {"type": "boolean"},
            "limit_gauge": {"enum": ["bore", "shaft"]},
            "yes_no": _object("yes no", {"yes": _WORDS, "no": _WORDS}),
            "gauge": _ID,
            "beside": _ID,
            "plausible": _object("lower upper", {"lower": _NUMBER, "upper": _NUMBER}),
            "limits": _limits(),
            "decision": _decision(),
            "repeats": _object(
                "count", {"count": {"type": "integer", "minimum": 1, "maximum": 20}, "at": _array(_TEXT, 1)}
            ),
            "temperature": _object(
                "material",
                {
                    "material": _MATERIAL,
                    "gauge_material": _MATERIAL,
                    "corrects": {"type": "boolean"},
                    "within_degc": _NUMBER,
                },
            ),
        },
    )


def _derived() -> dict[str, Any]:
    heat: dict[str, Any] = {
        "bore_material": _MATERIAL,
        "shaft_material": _MATERIAL,
        "temperature_unit": {"enum": ["degC", "degF"]},
    }
    heat |= {"bore_temperature": _NUMBER, "shaft_temperature": _NUMBER}
    names = {"anyOf": [_ID, _array(_ID, 1), _array(_array(_ID, 1), 1)]}
    return _object(
        "id title rule groups unit inputs",
        {
            "id": _ID,
            "title": _TEXT,
            "rule": {"enum": list(RULES)},
            "groups": _array(_ID, 1),
            "unit": _UNIT,
            "inputs": {"type": "object", "additionalProperties": names},
            "limits": _limits(),
            "decision": _decision(),
            "sense": {"enum": list(SENSES)},
            "target": _NUMBER,
            "hot": _object("bore_material shaft_material bore_temperature shaft_temperature", heat),
        },
    )


_SOURCE: dict[str, Any] = {"source": _TEXT, "standing": {"enum": list(STANDINGS)}}


def _group() -> dict[str, Any]:
    names: dict[str, Any] = {"id": _ID, "spoken": _WORDS, "plural": _WORDS, "face": _WORDS, "place": _WORDS}
    count = {"type": "integer", "minimum": 1, "maximum": LARGEST_COUNT}
    flags = {"mark": {"type": "boolean"}, "stays": {"type": "boolean"}}
    return _object("id spoken", {**names, "count": count, "facing": _array(_WORDS, 2), **flags})


def _consequence() -> dict[str, Any]:
    words = dict.fromkeys(("severities", "extents", "faces"), _array(_WORDS, 1))
    then: dict[str, Any] = {"finding": _ID, "then": {"enum": list(CONSEQUENCES)}}
    return _object("finding then source standing", {**then, **words, **_SOURCE})


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a plan file."""
    gauge = dict.fromkeys("lower upper uncertainty k".split(), _NUMBER)
    plan = _object(
        "id title machine unit_system",
        {"id": _ID, "title": _TEXT, "machine": _TEXT, "unit_system": {"enum": ["inch", "metric"]}},
    )
    finding = _object(
        "id spoken",
        {
            "id": _ID,
            "spoken": _WORDS,
            "severities": _array(_WORDS, 1),
            "extents": _array(_WORDS, 1),
            "faces": _array(_WORDS, 1),
            "answer": _TEXT,
            "source": _TEXT,
            "standing": {"enum": list(STANDINGS)},
        },
    )
    example = _object(
        "id of readings verdict",
        {
            "id": _ID,
            "of": _ID,
            "verdict": {"enum": list(KINDS)},
            "value": _NUMBER,
            "readings": {
                "type": "object",
                "additionalProperties": {"anyOf": [_TEXT, _array(_TEXT, 1)]},
            },
        },
    )
    whole = _object(
        "schema plan group characteristic",
        {
            "schema": {"const": 1},
            "plan": plan,
            "decision": _decision(),
            "overhaul": _object("stages", {"stages": _array({"enum": list(STAGES)}, 1)}),
            "gauging": _object("ratio", {"ratio": _NUMBER}),
            "caution": _array(_object("text", {"text": _TEXT})),
            "group": _array(_group(), 1),
            "mark": _array(_object("id spoken", {"id": _ID, "spoken": _WORDS})),
            "cleaning": _array(_object("id spoken source standing", {"id": _ID, "spoken": _WORDS, **_SOURCE})),
            "gauge": _array(
                _object(
                    "id title unit resolution",
                    {"id": _ID, "title": _TEXT, "unit": _UNIT, "resolution": _NUMBER, **gauge, "due": _TEXT},
                )
            ),
            "characteristic": _array(_characteristic(), 1),
            "derived": _array(_derived()),
            "finding": _array(finding),
            "consequence": _array(_consequence()),
            "example": _array(example),
        },
    )
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Benchcall inspection plan", **whole}
