"""The JSON Schema of the manifest, for editors that complete and check while one types."""

from __future__ import annotations

from typing import Any

from assembler.manifest.model import Manifest


def manifest_schema() -> dict[str, Any]:
    """Give the manifest's schema (JSON Schema, draft 2020-12)."""
    schema = Manifest.model_json_schema(mode="validation")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
