"""The OpenAPI document, made from the same operations and models that answer."""

import re
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from gateway.outlets.page.calls import TOKEN_HEADER, Op
from gateway.outlets.page.shapes import Problem

REF = "#/components/schemas/{model}"
_PLACE = re.compile(r"\{(\w+)\}")


def document(ops: Sequence[Op], version: str) -> dict[str, Any]:
    """OpenAPI 3.1 of these operations."""
    asked = {m for op in ops for m in (op.query, op.body) if m is not None}
    answers = {m for op in ops if (m := op.answer) is not None} | {Problem}
    modes: list[Any] = [(m, "validation") for m in asked] + [(m, "serialization") for m in answers]
    modes.sort(key=lambda pair: pair[0].__name__)
    names, schemas = models_json_schema(modes, ref_template=REF)
    ref = {(model, mode): schema["$ref"] for (model, mode), schema in names.items()}
    paths: dict[str, dict[str, Any]] = {}
    for op in ops:
        paths.setdefault(op.path, {})[op.method.lower()] = _operation(op, ref)
    return {
        "openapi": "3.1.0",
        "info": {"title": "camdrift", "version": version, "description": "The page's own interface."},
        "paths": paths,
        "components": {
            "schemas": schemas.get("$defs", {}),
            "securitySchemes": {
                "login": {"type": "apiKey", "in": "cookie", "name": "camdrift"},
                "token": {"type": "apiKey", "in": "header", "name": TOKEN_HEADER},
            },
        },
    }


def _operation(op: Op, ref: dict[Any, str]) -> dict[str, Any]:
    content: dict[str, Any] = {media: {} for media in op.media_types}
    if op.answer is not None:
        content = {media: {"schema": {"$ref": ref[(op.answer, "serialization")]}} for media in op.media_types}
    refused = {"application/json": {"schema": {"$ref": ref[(Problem, "serialization")]}}}
    found: dict[str, Any] = {
        "summary": op.summary,
        "parameters": list(_parameters(op)),
        "responses": {
            "200": {"description": "done", "content": content},
            "4XX": {"description": "not done, and why", "content": refused},
        },
    }
    if op.body is not None:
        schema = {"$ref": ref[(op.body, "validation")]}
        found["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    if op.takes:
        binary = {"schema": {"type": "string", "format": "binary"}}
        found["requestBody"] = {"required": True, "content": dict.fromkeys(op.takes, binary)}
    if op.who == "actor":
        found["security"] = [{"login": [], "token": []}]
    return found


def _parameters(op: Op) -> Iterable[dict[str, Any]]:
    for name in _PLACE.findall(op.path):
        yield {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}
    if op.query is None:
        return
    schema: dict[str, Any] = _inlined(op.query)
    for name, field in schema.get("properties", {}).items():
        yield {"name": name, "in": "query", "required": name in schema.get("required", []), "schema": field}


def _inlined(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(mode="validation")
