"""JSON in one form only, so that a hash of it is the same everywhere: RFC 8785, JSON Canonicalization Scheme (JCS).

Whoever holds the same values can take the hash again, with any program that knows the scheme.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from decimal import Decimal
from typing import Any


def canonical_json(value: Any) -> str:
    """``value`` as JSON by RFC 8785: keys in order of their UTF-16 code units, numbers as ECMAScript writes them.

    Every number counts as a binary64: 140 and 140.0 are the same.

    Raises:
        ValueError: a number that is not finite, or a value that JSON does not know.
    """
    if value is None or isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int | float):
        return _number(float(value))
    if isinstance(value, Mapping):
        ordered = sorted(value.items(), key=lambda item: str(item[0]).encode("utf-16-be"))
        return "{" + ",".join(f"{canonical_json(str(key))}:{canonical_json(held)}" for key, held in ordered) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(map(canonical_json, value)) + "]"
    raise ValueError(f"JSON has no {type(value).__name__}")


def canonical_sha256(value: Any) -> str:
    """SHA-256 of the canonical JSON in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(canonical_json(value).encode("utf-8")).hexdigest()


def _number(x: float) -> str:
    """ECMA-262, Number::toString: the fewest digits that read back as ``x``, plain from 1e-6 up to below 1e21."""
    if not math.isfinite(x):
        raise ValueError(f"JSON has no {x}")
    if x == 0.0:
        return "0"  # of either sign
    shortest = repr(x)
    if 1e-6 <= abs(x) < 1e21:
        plain = format(Decimal(shortest), "f")
        return plain.removesuffix(".0")
    mantissa, _, exponent = shortest.partition("e")
    return f"{mantissa}e{int(exponent):+d}"
