"""Traces as an instrument sends them: a block of binary samples.

Owns the choice of the byte order where nothing says it. The block itself (IEEE 488.2, 8.7.9 and 8.7.10) is parsed by
`protocol.scpi`. Samples are binary32 in ampere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

import numpy as np

from benchrig.errors import ConfigError
from benchrig.protocol.scpi import Encoding, NeedMore, decode_block, decode_samples

if TYPE_CHECKING:
    from benchrig.protocol.scpi import Samples

_PLAUSIBLE_A = (1e-15, 1e4)
"""Currents that a recorder can show, 0 besides; in the wrong byte order few samples lie in between. Own choice."""

_ORDERS: tuple[Encoding, ...] = ("float32-be", "float32-le")
_SURELY = 0.999
_HARDLY = 0.9


def read_block(data: bytes, *, encoding: str | None, file: str) -> tuple[Samples, tuple[str, ...]]:
    """The samples of a block, and how they were read. Raises ConfigError when it is none or its order is not clear."""
    try:
        payload = decode_block(data)
    except ValueError as wrong:
        raise ConfigError(f"trace {file}: {wrong}") from wrong
    if isinstance(payload, NeedMore):
        raise ConfigError(f"trace {file}: the block is cut: {payload.missing} bytes or more are missing at its end")
    if not payload:
        raise ConfigError(f"trace {file}: the block holds no sample")
    known: tuple[Encoding, ...] = get_args(Encoding)
    chosen = [one for one in known if one == encoding]
    if encoding is not None and not chosen:
        raise ConfigError(f"trace {file}: encoding {encoding!r}; accepted: {', '.join(known)}")
    try:
        if chosen:
            return decode_samples(payload, encoding=chosen[0]), _of_codes(chosen[0])
        return _likely(payload, file)
    except ValueError as wrong:
        raise ConfigError(f"trace {file}: {wrong}") from wrong


def _of_codes(encoding: Encoding) -> tuple[str, ...]:
    return ("samples are whole numbers, with no scale in the block: taken as ampere",) if "int" in encoding else ()


def _likely(payload: bytes, file: str) -> tuple[Samples, tuple[str, ...]]:
    """In the byte order in which the samples are currents, if they are none in the other one."""
    read = {order: decode_samples(payload, encoding=order) for order in _ORDERS}
    shares = {order: _plausible(samples) for order, samples in read.items()}
    best = max(_ORDERS, key=lambda order: shares[order])
    other = min(_ORDERS, key=lambda order: shares[order])
    if shares[best] < _SURELY or shares[other] > _HARDLY:
        told = ", ".join(f"{shares[order]:.1%} as {order}" for order in _ORDERS)
        raise ConfigError(f"trace {file}: the byte order cannot be told (currents: {told}); say it (--encoding)")
    return read[best], (f"byte order found from the samples: {best}",)


def _plausible(samples: Samples) -> float:
    """The share of samples that are currents or marks."""
    with np.errstate(invalid="ignore"):  # in the wrong byte order samples may be signalling NaNs
        sizes = np.abs(samples.values.astype(np.float64))
    low, high = _PLAUSIBLE_A
    return float(np.mean(samples.invalid | (sizes == 0.0) | ((sizes >= low) & (sizes <= high))))
