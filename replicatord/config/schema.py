"""The JSON Schema of the settings file, made from its shape, so that editors complete and explain the keys.

`python -m replicatord.config.schema` prints what config/replicatord.schema.json holds.
May not say anything that the shape does not say.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from replicatord.config.shape import FileShape

if TYPE_CHECKING:
    from pydantic_core import core_schema

SCHEMA_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """Give the JSON Schema of the file. Source: JSON Schema, draft 2020-12."""
    made = FileShape.model_json_schema(by_alias=True, schema_generator=_PlainSchema)
    for group in (made, *made["$defs"].values()):
        group.pop("title")  # the name of a class of ours
    return {"$schema": SCHEMA_DIALECT, **made}


def schema_text() -> str:
    """Give the schema as the committed file holds it."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


class _PlainSchema(GenerateJsonSchema):
    """Leaves out what an editor should not offer: defaults as the program holds them, and null."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002  our descriptions say more
        return False


if __name__ == "__main__":
    print(schema_text(), end="")  # noqa: T201  printing is what this entry point is for
