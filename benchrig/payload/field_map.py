"""The description of one uplink's bytes, checked as a whole when it is built.

Owns which fields, groups and check value a payload has and where each lands. Must not know how the bytes
travelled, nor how the description was written down. Port numbers: LoRaWAN specification, application FPort
1..223.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from benchrig.errors import ConfigError
from benchrig.payload.checks import map_problems
from benchrig.payload.fields import TO_END, Crc, Field, Group, Placed


@dataclass(frozen=True, kw_only=True)
class FieldMap:
    """Bytes of a payload on one port; `length_bytes` is None when a last group repeats to the end.

    Bytes that no field, group or check value owns are sent as zero and not looked at when read.
    Raises ConfigError whose `problems` hold one sentence for every fault of the description.
    """

    name: str
    port: int
    length_bytes: int | None
    fields: tuple[Field, ...]
    groups: tuple[Group, ...] = ()
    crc: Crc | None = None

    def __post_init__(self) -> None:
        problems = map_problems(
            name=self.name,
            port=self.port,
            length_bytes=self.length_bytes,
            fields=self.fields,
            groups=self.groups,
            crc=self.crc,
        )
        if problems:
            raise ConfigError(f"field map {self.name!r}: {'; '.join(problems)}", problems)

    @property
    def open_group(self) -> Group | None:
        """The group that repeats to the end, if there is one."""
        return next((group for group in self.groups if group.count == TO_END), None)

    @property
    def tail_bytes(self) -> int:
        """Bytes at the end of a variable payload that belong to the check value."""
        return -self.crc.offset if self.crc is not None and self.crc.offset < 0 else 0

    @property
    def least_bytes(self) -> int:
        """Length of the shortest payload that follows this map."""
        if self.length_bytes is not None:
            return self.length_bytes
        group = self.open_group
        return (group.offset if group else 0) + self.tail_bytes

    def length_for(self, members: int) -> int:
        """Length of a payload in bytes whose open group has this many members."""
        group = self.open_group
        return self.least_bytes + (members * group.stride_bytes if group else 0)

    def placed(self, length_bytes: int) -> tuple[Placed, ...]:
        """Every field, group members included, of a payload of this length, in the order of the map."""
        group = self.open_group
        if group is None:
            return self._placed_fixed
        members = max(0, (length_bytes - self.least_bytes) // group.stride_bytes)
        return self._placed_fixed + _members(group, members)

    @cached_property
    def _placed_fixed(self) -> tuple[Placed, ...]:
        alone = tuple(Placed(name=one.name, field=one, offset=one.offset) for one in self.fields)
        counted = ((group, group.count) for group in self.groups)
        return alone + tuple(
            placed for group, count in counted if isinstance(count, int) for placed in _members(group, count)
        )


def _members(group: Group, count: int) -> tuple[Placed, ...]:
    return tuple(
        Placed(
            name=f"{group.name}[{index}].{one.name}",
            field=one,
            offset=group.offset + index * group.stride_bytes + one.offset,
        )
        for index in range(count)
        for one in group.fields
    )
