"""The regions that are supported, as data: EU868 and US915.

Owns the numbers and where each comes from. Must not know what they are used for.
Sources, with marks. Seen: LoRa Alliance RP002-1.0.1 (2020), sections 2.4 (EU868) and 2.5 (US915): channels, data
rates, payloads, windows, powers. Seen second hand: duty cycles of ETSI EN 300 220-2 V3.2.1 Annex B and ERC/REC 70-03
annex 1, through Lora-net/LoRaMac-node `RegionEU868`. From memory: radiated power of 863-865, 865-868 and
869.7-870 MHz; data rate offsets of both regions; number of power steps. The gaps between EU bands belong to alarms.
"""

from __future__ import annotations

from fractions import Fraction
from types import MappingProxyType

from benchrig.protocol.region import Band, Channel, DataRate, Region

_KHZ = 1000


def _rates(*rates: DataRate) -> MappingProxyType[int, DataRate]:
    return MappingProxyType({rate.number: rate for rate in rates})


def _lora(
    number: int, factor: int, khz: int, bit_rate: int, longest: tuple[int, int], *, way: str = "both"
) -> DataRate:
    return DataRate(
        number=number,
        spreading_factor=factor,
        bandwidth_hz=khz * _KHZ,
        bit_rate=bit_rate,
        longest_payload=longest[0],
        behind_repeater=longest[1],
        uplink=way != "down",
        downlink=way != "up",
    )


# RP002-1.0.1 tables 6 (data rates), 9 and 10 (payloads); DR7 is FSK of 50 kbit/s, about 125 kHz wide (from memory).
_EU868_RATES = _rates(
    _lora(0, 12, 125, 250, (51, 51)),
    _lora(1, 11, 125, 440, (51, 51)),
    _lora(2, 10, 125, 980, (51, 51)),
    _lora(3, 9, 125, 1760, (115, 115)),
    _lora(4, 8, 125, 3125, (242, 222)),
    _lora(5, 7, 125, 5470, (242, 222)),
    _lora(6, 7, 250, 11000, (242, 222)),
    _lora(7, 0, 125, 50000, (242, 222)),
)

# EN 300 220-2 V3.2.1 Annex B, ERC/REC 70-03 annex 1. 869.7-870 MHz has no duty cycle at 5 mW or less (from memory):
# the stricter rule is kept.
_EU868_BANDS = tuple(
    Band(low_hz=low * _KHZ, high_hz=high * _KHZ, duty=Fraction(thousandths, 1000), max_erp_mw=milliwatt)
    for low, high, thousandths, milliwatt in (
        (863_000, 865_000, 1, 25),
        (865_000, 868_000, 10, 25),
        (868_000, 868_600, 10, 25),
        (868_700, 869_200, 1, 25),
        (869_400, 869_650, 100, 500),
        (869_700, 870_000, 10, 25),
    )
)

EU868 = Region(
    name="EU868",
    source="RP002-1.0.1 section 2.4; EN 300 220-2 V3.2.1 Annex B",
    edges_hz=(863_000_000, 870_000_000),
    rates=_EU868_RATES,
    channels=tuple(Channel(number, 868_100_000 + 200_000 * number, 0, 5) for number in range(3)),
    rx1_rates=MappingProxyType({(up, off): max(up - off, 0) for up in range(8) for off in range(6)}),
    rx2_frequency_hz=869_525_000,
    rx2_rate=0,
    max_eirp_dbm=16.0,
    power_steps=7,
    channel_list_type=0,
    bands=_EU868_BANDS,
)

# RP002-1.0.1 table 13 (data rates) and 17 (payloads); the uplink payloads are those that stay below 400 ms on air.
_US915_RATES = _rates(
    _lora(0, 10, 125, 980, (11, 11), way="up"),
    _lora(1, 9, 125, 1760, (53, 53), way="up"),
    _lora(2, 8, 125, 3125, (125, 125), way="up"),
    _lora(3, 7, 125, 5470, (242, 222), way="up"),
    _lora(4, 8, 500, 12500, (242, 222), way="up"),
    _lora(8, 12, 500, 980, (53, 33), way="down"),
    _lora(9, 11, 500, 1760, (129, 109), way="down"),
    _lora(10, 10, 500, 3900, (242, 222), way="down"),
    _lora(11, 9, 500, 7000, (242, 222), way="down"),
    _lora(12, 8, 500, 12500, (242, 222), way="down"),
    _lora(13, 7, 500, 21900, (242, 222), way="down"),
)

US915 = Region(
    name="US915",
    source="RP002-1.0.1 section 2.5",
    edges_hz=(902_000_000, 928_000_000),
    rates=_US915_RATES,
    channels=(
        *(Channel(number, 902_300_000 + 200_000 * number, 0, 3) for number in range(64)),
        *(Channel(64 + number, 903_000_000 + 1_600_000 * number, 4, 4) for number in range(8)),
    ),
    rx1_rates=MappingProxyType({(up, off): min(max(up + 10 - off, 8), 13) for up in range(5) for off in range(4)}),
    rx2_frequency_hz=923_300_000,
    rx2_rate=8,
    max_eirp_dbm=30.0,
    power_steps=14,
    channel_list_type=1,
    down_channels_hz=tuple(923_300_000 + 600_000 * number for number in range(8)),
    dwell_s=0.4,
)

REGIONS = MappingProxyType({region.name: region for region in (EU868, US915)})


def region_named(name: str) -> Region:
    """The region of this name. Raises ValueError that lists those supported."""
    if name not in REGIONS:
        raise ValueError(f"region {name!r}; accepted: {', '.join(REGIONS)}")
    return REGIONS[name]
