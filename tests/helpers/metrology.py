"""Published and computed figures of metrology by name, each with its source."""

import functools
import json
from pathlib import Path
from typing import Any

FILE = Path(__file__).parents[2] / "fixtures" / "vectors" / "metrology-vectors.json"


@functools.cache
def _all() -> dict[str, dict[str, Any]]:
    return {vector["id"]: vector for vector in json.loads(FILE.read_text(encoding="utf-8"))["vectors"]}


def vector(name: str) -> dict[str, Any]:
    """One vector: `input`, `expected`, `source`, `tolerance`, `status`."""
    return _all()[name]
