"""The JSON schema of the build file, made from the model: keys, units and what each is for."""

from typing import Any

from loopwarden_build.model import BuildFile


def build_schema() -> dict[str, Any]:
    """Return the schema (JSON Schema 2020-12) that editors for TOML read."""
    schema = BuildFile.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "Loopwarden build file"}
