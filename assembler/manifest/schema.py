"""JSON Schemas: of the manifest, for editors that check while the user types, and of tables."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from assembler.manifest.model import Manifest
from assembler.manifest.section import Section


def manifest_schema() -> dict[str, Any]:
    """Return the manifest's schema (JSON Schema, draft 2020-12), each key with its description."""
    return schema_of(Manifest)


def schema_of(section: type[Section]) -> dict[str, Any]:
    """Return the schema of a section and of those in it, each key with its description."""
    schema = section.model_json_schema(mode="validation")
    parts = {section.__name__: schema, **schema.get("$defs", {})}
    for model in _models(Section):
        for key, text in _descriptions(model).items():
            field = parts.get(model.__name__, {}).get("properties", {}).get(key)
            if field is not None:
                field["description"] = text
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _models(base: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for model in base.__subclasses__():
        yield model
        yield from _models(model)


def _descriptions(model: type[BaseModel]) -> dict[str, str]:
    """Return the docstring of each attribute of a model, inherited ones too, by its key.

    The source is read only when a schema is needed: pydantic would do it at every start.
    """
    texts: dict[str, str] = {}
    for base in reversed(model.__mro__):
        if not issubclass(base, Section):
            continue
        (tree,) = ast.parse(textwrap.dedent(inspect.getsource(base))).body
        body = tree.body if isinstance(tree, ast.ClassDef) else []
        for node, after in pairwise(body):
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                match after:
                    case ast.Expr(value=ast.Constant(value=str(text))):
                        field = model.model_fields[node.target.id]
                        texts[field.alias or node.target.id] = " ".join(text.split())
    return texts
