"""The payload room: one field map describes the bytes of an uplink, reads them, makes them and compares them.

Offered here for other rooms; modules inside import their siblings, never this file.
"""

from benchrig.payload.codec import Decoded, DecodedValue, decode
from benchrig.payload.compare import FieldDifference, compare
from benchrig.payload.crc import CATALOGUE, CrcAlgorithm, compute_crc, find_crc
from benchrig.payload.describe import describe
from benchrig.payload.encode import encode
from benchrig.payload.field_map import FieldMap
from benchrig.payload.fields import Crc, Field, Group

__all__ = [
    "CATALOGUE",
    "Crc",
    "CrcAlgorithm",
    "Decoded",
    "DecodedValue",
    "Field",
    "FieldDifference",
    "FieldMap",
    "Group",
    "compare",
    "compute_crc",
    "decode",
    "describe",
    "encode",
    "find_crc",
]
