"""From pydantic's faults to ours: key path, what, got, expected, what to do next."""

from __future__ import annotations

import types
import typing
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from benchkit.errors import Problem, did_you_mean

_EXPECTED = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list in [ ]",
    "dict_type": "a table",
    "model_type": 'a table such as { value = 1.0, unit = "V" }',
    "date_type": "a date such as 2026-03-02",
    "finite_number": "a finite number",
}


def problem_from(error: ErrorDetails, root: type[BaseModel], origin: str) -> Problem:
    """Turn one pydantic error into a :class:`Problem`; ``origin`` is the file that was read."""
    loc = [part for part in error["loc"] if part != "[key]"]
    shown, model = _walk(loc, root)
    where = f"{origin}: {'.'.join(shown)}"
    kind = error["type"]
    if kind == "extra_forbidden":
        known = list(model.model_fields) if model else []
        hint = did_you_mean(str(loc[-1]), known)
        return Problem(where, "unknown key", expected=f"one of {', '.join(known)}", remedy=hint or "Remove it.")
    if kind == "missing":
        return Problem(where, "missing", remedy="Add this key; it has no default.")
    if kind == "enum" or kind.startswith(("literal", "union_tag")):
        expected = str(error.get("ctx", {}).get("expected") or error.get("ctx", {}).get("expected_tags", ""))
        got = error["input"].get("kind") if isinstance(error["input"], dict) else error["input"]
        words = [word.strip(" '") for word in expected.replace(" or ", ",").split(",")]
        return Problem(where, "not one of the known words", got, expected, did_you_mean(str(got), words))
    if kind == "string_pattern_mismatch" and model and str(loc[-1]) in model.model_fields:
        form = model.model_fields[str(loc[-1])].description or ""
        return Problem(where, "not of the right form", error["input"], form)
    expected = _EXPECTED.get(kind, "")
    got = error["input"] if isinstance(error["input"], (str, int, float, bool)) else type(error["input"]).__name__
    return Problem(where, error["msg"].rstrip("."), got, expected, remedy="")


def _walk(loc: Sequence[int | str], root: type[BaseModel]) -> tuple[list[str], type[BaseModel] | None]:
    """Follow a location through the models: the key path without union tags, and the model that holds its last key."""
    shown: list[str] = []
    here: list[Any] = [root]
    holder: type[BaseModel] | None = root
    for part in loc:
        models = [a for a in here if _is_model(a)]
        tagged = [m for m in models if part in _tags(m)]
        if tagged:
            here = list(tagged)
            continue
        shown.append(str(part))
        holder = models[0] if models else None
        here = [inner for annotation in here for inner in _step(annotation, part)]
    return shown, holder


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _tags(model: type[BaseModel]) -> tuple[object, ...]:
    if hasattr(model, "FORM"):
        return (model.FORM,)
    field = model.model_fields.get("kind")
    is_tag = field is not None and typing.get_origin(field.annotation) is typing.Literal
    return typing.get_args(field.annotation) if field is not None and is_tag else ()


def _step(annotation: Any, part: int | str) -> list[Any]:
    """Annotations that lie one key below ``annotation``, unions opened."""
    if _is_model(annotation):
        field = annotation.model_fields.get(str(part))
        return _open(field.annotation) if field else []
    if typing.get_origin(annotation) in (dict, list):
        return _open(typing.get_args(annotation)[-1])
    return []


def _open(annotation: Any) -> list[Any]:
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _open(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [inner for part in typing.get_args(annotation) for inner in _open(part)]
    return [annotation]
