"""The JSON Schemas that editors get: they take what we ship and refuse what the models refuse."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.job import load_job
from pipeline.steps import STEPS
from pipeline.written import MODELS, schema_of

DEMO = Path(__file__).parent.parent / "examples" / "quay-lamps"

TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
    "integer": int,
    "number": (int, float),
}
SILENT = {"$defs", "$schema", "default", "description", "pattern", "propertyNames", "title", "type"}


def valid(value: Any, schema: Any, root: dict[str, Any]) -> bool:  # noqa: PLR0912
    """As much of JSON Schema (draft 2020-12) as our schemas use; other keywords fail the test."""
    if isinstance(schema, bool):
        return schema
    if "type" in schema and (
        not isinstance(value, TYPES[schema["type"]])
        or (isinstance(value, bool) and schema["type"] != "boolean")
    ):
        return False
    for keyword, rule in schema.items():
        match keyword:
            case _ if keyword in SILENT:
                ok = True
            case "$ref":
                ok = valid(value, root["$defs"][rule.removeprefix("#/$defs/")], root)
            case "anyOf":
                ok = any(valid(value, way, root) for way in rule)
            case "enum":
                ok = value in rule
            case "const":
                ok = value == rule
            case "properties":
                ok = all(valid(value[k], s, root) for k, s in rule.items() if k in value)
            case "required":
                ok = set(rule) <= set(value)
            case "patternProperties":
                (each,) = rule.values()
                ok = all(valid(item, each, root) for item in value.values())
            case "additionalProperties" if rule is False:
                known = set(schema.get("properties", ()))
                ok = "patternProperties" in schema or set(value) <= known
            case "items":
                ok = all(valid(item, rule, root) for item in value)
            case "prefixItems":
                ok = all(valid(v, s, root) for v, s in zip(value, rule, strict=False))
            case "minimum" | "exclusiveMinimum":
                ok = value >= rule if keyword == "minimum" else value > rule
            case "maximum" | "exclusiveMaximum":
                ok = value <= rule if keyword == "maximum" else value < rule
            case "minItems" | "minLength":
                ok = len(value) >= rule
            case "maxItems" | "maxLength":
                ok = len(value) <= rule
            case _:
                raise AssertionError(f"the schema uses {keyword}, which this test does not know")
        if not ok:
            return False
    return True


def plain(value: Any) -> Any:
    return json.loads(json.dumps(value))


@pytest.mark.parametrize("kind", MODELS)
def test_the_schema_accepts_what_we_ship_and_names_every_step(kind: Any) -> None:
    schema = schema_of(kind)
    job = load_job(DEMO)
    values = {
        "job": [job.document.value],
        "recipe": [job.recipe.document.value],
        "setup": [setup.document.value for setup in job.setups.values()],
        "frame": [frame.document.value for frame in job.frames.values()],
    }[kind]
    assert values
    for value in values:
        assert valid(plain(value), schema, schema)
        assert not valid({**plain(value), "unknown": 1}, schema, schema)
    if kind != "job":
        entries = schema["$defs"]["StepEntry"]["anyOf"]
        assert [entry["required"] for entry in entries] == [[name] for name in STEPS]


def test_the_schema_refuses_what_the_models_refuse() -> None:
    frame = schema_of("frame")
    for entry, accepted in [
        ({"expose": {"stops": 1}}, True),
        ({"expose": None}, True),
        ({"name": "fill", "expose": {"stops": 1}}, True),
        ({"hue": [{"at": 40}]}, True),
        ({"balance": {"from": "as-shot"}}, True),
        ({"expose": {"stops": 99}}, False),
        ({"expose": {"stop": 1}}, False),
        ({"hue": [{"width": 40}]}, False),
        ({"expos": {}}, False),
    ]:
        assert valid({"frame": "a", "adjust": [entry]}, frame, frame) is accepted, entry
    job = schema_of("job")
    for delivery, accepted in [
        ({"format": "jpeg"}, True),
        ({"long_edge": 100}, True),
        ({"frames": "approved"}, True),
        ({"frames": ["a"]}, True),
        ({"sharpen_for": "matte"}, True),
        ({"sharpen_for": {"matte": {"ppi": 240, "distance_mm": 600}}}, True),
        ({"sharpen_for": {"satin": {}}}, False),
        ({"sharpen_for": {"matte": {"ppi": 3}}}, False),
        ({"sharpen_for": "print"}, False),
        ({"frames": "all"}, False),
        ({"quality": 101}, False),
        ({"frmat": "jpeg"}, False),
    ]:
        value = {"job": "a", "client": "b", "recipe": "c", "deliveries": {"x": delivery}}
        assert valid(value, job, job) is accepted, delivery
