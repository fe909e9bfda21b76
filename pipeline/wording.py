"""What is wrong in a file that a person wrote, in sentences: found, and what is allowed.

Translates what pydantic reports of any model, by that model's own JSON Schema. Knows no model.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from pipeline.errors import InvalidInput, Problem
from pipeline.yamlfile import Document, Place

Locate = Callable[[Place], tuple[Document, Place]]
"""Where a place of the validated value was written: a document and a place in it."""

MAX_SHOWN = 60


def refusal(found: str, allowed: str) -> PydanticCustomError:
    """What a model's own validator raises, so that both halves reach the person."""
    # the texts go in as context, where braces stay braces
    return PydanticCustomError("refusal", "{found}", {"found": found, "allowed": allowed})


def shown(value: object) -> str:
    """A value as a person would call it."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case str():
            text = value if len(value) <= MAX_SHOWN else f"{value[:MAX_SHOWN]}..."
            # what cannot be printed must not reach the terminal
            return f'"{text}"' if text.isprintable() else ascii(text)
        case Mapping():
            return f"a mapping of {listed(value)}" if value else "an empty mapping"
        case tuple() | list():
            return f"a list of {len(value)}"
        case _:
            return str(value)


def listed(names: Iterable[object]) -> str:
    """Names one after the other."""
    return ", ".join(str(name) for name in names)


def closest(name: str, names: Iterable[str]) -> str | None:
    """The name that is most like a misspelt one, if any is."""
    return next(iter(difflib.get_close_matches(name, list(names), n=1)), None)


def or_did_you_mean(name: str, names: Iterable[str]) -> str:
    """A question to hang on a misspelt name, or nothing."""
    close = closest(name, names)
    return f", did you mean {close}?" if close else ""


def problems(
    error: ValidationError,
    model: type[BaseModel],
    value: object,
    locate: Locate,
    only: Collection[Place] | None = None,
) -> Iterator[Problem]:
    """Every problem of ``value``, which ``model`` refused; or those at the places in ``only``."""
    schema = model.model_json_schema()
    for detail in error.errors(include_url=False):
        if only is None or detail["loc"] in only:
            yield _problem(detail, schema, value, locate)


def _problem(
    detail: ErrorDetails, schema: Mapping[str, Any], value: object, locate: Locate
) -> Problem:
    kind, place = detail["type"], detail["loc"]
    if kind not in ("missing", "extra_forbidden"):
        place = _written_part(value, place)
    document, where = locate(place)
    context = detail.get("ctx", {})
    found, allowed = shown(detail["input"]), described(_at(schema, place), schema)
    if kind == "refusal":
        found, allowed = context["found"], context["allowed"]
    elif kind in ("value_error", "assertion_error"):
        found, allowed = str(context["error"]), ""
    elif kind == "extra_forbidden":
        keys = _at(schema, place[:-1]).get("properties", {})
        found, allowed = f"unknown key{or_did_you_mean(str(place[-1]), keys)}", listed(keys)
    elif kind == "missing":
        found = "missing"
    elif detail["loc"][-1:] == ("[key]",):
        names = _at(schema, place[:-1]).get("propertyNames", {})
        found, allowed = "not a name", str(names.get("description", ""))
    elif kind == "string_type" and isinstance(detail["input"], int | float):
        allowed = f"{allowed or 'text'}, in quotes where it looks like a number"
    return document.problem(where, found, allowed)


def _written_part(value: Any, place: Place) -> Place:
    """The part of pydantic's location that exists in the value; the rest names its own branches."""
    for depth, part in enumerate(place):
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return place[:depth]
    return place


def _at(root: Mapping[str, Any], place: Place) -> Mapping[str, Any]:
    """The part of a JSON Schema that speaks of a place; empty where none does."""
    schema = _resolved(root, root)
    for part in place:
        ways = (_resolved(way, root) for way in schema.get("anyOf", ()))
        schema = next((way for way in ways if part in way.get("properties", ())), schema)
        below: Any
        if isinstance(part, int):
            prefix = schema.get("prefixItems", [])
            below = prefix[part] if part < len(prefix) else schema.get("items")
        else:
            patterns = schema.get("patternProperties", {}).values()
            others = next(iter(patterns), schema.get("additionalProperties"))
            below = schema.get("properties", {}).get(part, others)
        schema = _resolved(below, root) if isinstance(below, Mapping) else {}
    return schema


def _resolved(schema: Mapping[str, Any], root: Mapping[str, Any]) -> Mapping[str, Any]:
    """A schema behind its reference, and without the null that stands for "not given"."""
    if "anyOf" in schema:
        others = [other for other in schema["anyOf"] if other != {"type": "null"}]
        if len(others) == 1:
            rest = {key: value for key, value in schema.items() if key != "anyOf"}
            schema = {**rest, **_resolved(others[0], root)}
    if "$ref" in schema:
        schema = root.get("$defs", {}).get(schema["$ref"].rpartition("/")[2], {})
    return schema


def described(schema: Mapping[str, Any], root: Mapping[str, Any]) -> str:
    """What a JSON Schema allows, in words; nothing where it allows everything."""
    schema = _resolved(schema, root)
    words = ""
    match schema.get("type"):
        case _ if "anyOf" in schema:
            words = " or ".join(described(way, root) for way in schema["anyOf"])
        case _ if "enum" in schema or "const" in schema:
            values = schema.get("enum", [schema.get("const")])
            words = listed("true" if value is True else value for value in values)
        case "number" | "integer" as kind:
            words = f"a {'whole ' if kind == 'integer' else ''}number{_range(schema)}"
        case "boolean":
            words = "true or false"
        case "string":
            words = str(schema["description"]) if "pattern" in schema else "text"
        case "array" if "prefixItems" in schema:
            first = described(schema["prefixItems"][0], root)
            words = f"a list of {len(schema['prefixItems'])}, each {first}"
        case "array":
            least, most = schema.get("minItems", 0), schema.get("maxItems", "")
            if most:
                most = f" of {least} to {most}" if least > 1 else f" of at most {most}"
            each = described(schema.get("items", {}), root)
            words = f"a list{most}" + (f", each {each}" if each else "")
        case "object":
            keys = listed(schema.get("properties", ()))
            words = "a mapping" + (f" with the keys {keys}" if keys else "")
    return words


def _range(schema: Mapping[str, Any]) -> str:
    low, high = schema.get("minimum"), schema.get("maximum")
    above, below = schema.get("exclusiveMinimum"), schema.get("exclusiveMaximum")
    parts = [
        f" from {low:g}" if low is not None else "",
        f" above {above:g}" if above is not None else "",
        f" to {high:g}" if high is not None else "",
        f" below {below:g}" if below is not None else "",
    ]
    return "".join(parts)


MOST_SAID = 500
"""Characters of what a person says with an option."""


def said(option: str, text: str) -> str:
    """What a person said with an option of the command line, as one line that can be printed.

    Raises ``InvalidInput``.
    """
    line = " ".join(text.split())
    if not line or len(line) > MOST_SAID or not line.isprintable():
        found = f"{len(line)} characters" if line.isprintable() else "characters not to be printed"
        raise InvalidInput([Problem(option, 0, "", found, f"1 to {MOST_SAID} that can be printed")])
    return line


def counted(number: int, thing: str) -> str:
    """A number of things, in words."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
