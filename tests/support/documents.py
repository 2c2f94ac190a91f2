"""JSON documents, compared by what is in them."""

from typing import Any


def shape(value: Any) -> Any:
    """Names of the fields of each object, all through; a list stands for its first entry."""
    if isinstance(value, dict):
        return {name: shape(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [shape(value[0])] if value else []
    return None
