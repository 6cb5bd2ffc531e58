"""The shape of a vehicle file as a JSON schema, made from the same models that read it.

An editor that knows the schema completes keys and marks what is wrong while it is typed. What needs the whole
car (a fuse that feeds an unknown module, an identifier that is taken) only the reader finds.
"""

from __future__ import annotations

from typing import Any, Final

from sim.vehicle.description import Vehicle

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def vehicle_schema() -> dict[str, Any]:
    """The JSON schema of a vehicle file (draft 2020-12)."""
    return {"$schema": DIALECT, **Vehicle.model_json_schema(by_alias=True), "title": "busbay vehicle file"}
