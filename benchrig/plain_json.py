"""JSON for other programs. Owns that whatever a command prints as JSON can be read as JSON.

RFC 8259, section 6: "Numeric values that cannot be represented in the grammar below (such as Infinity and NaN) are
not permitted" (from memory). What is no finite number is null, as in the records of a journal.
"""

from __future__ import annotations

import json
import math


def json_text(what: object, *, indent: int | None = None) -> str:
    """`what` as JSON, in which null stands for every number that is not finite. Raises TypeError for what is none."""
    return json.dumps(_plain(what), indent=indent, allow_nan=False)


def _plain(what: object) -> object:
    if isinstance(what, float):
        return what if math.isfinite(what) else None
    if isinstance(what, dict):
        return {key: _plain(value) for key, value in what.items()}
    if isinstance(what, list | tuple):
        return [_plain(one) for one in what]
    return what
