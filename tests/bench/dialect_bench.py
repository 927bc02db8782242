"""A bench with one slot for each supply dialect, and every meter and recorder dialect in it, as a bench file."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Slot:
    """One slot: the tables that its instruments use, and the channels that these need."""

    supply: str
    meter: str
    recorder: str
    channel: str = ""
    meter_channel: str = ""


SLOTS = {
    "1": Slot("supply-channel-list", "meter-scan-list", "recorder-block", ", channel = 2", ", channel = 101"),
    "2": Slot("supply-channel-select", "meter-configure-read", "recorder-ascii", ", channel = 2"),
    "3": Slot("supply-one-channel", "meter-function-fetch", "recorder-block"),
}

_INSTRUMENT = """
[instruments.{name}]
kind = "{kind}"
table = "{table}"
resource = "simulated"
maker = "Simulated Instruments"
model = "M-{name}"
serial = "SN-{name}"
accuracy = {accuracy}
"""
_ACCURACY = {
    "supply": "{ voltage = { fixed = 0.002 }, current = { fixed = 0.0005 } }",
    "meter": "{ voltage = { of_reading_percent = 0.0035, of_range_percent = 0.0007 } }",
    "thermometer": "{ temperature = { fixed = 0.1 } }",
    "recorder": "{ current = { of_reading_percent = 0.05 } }",
}
_SLOT = """
[slots.{slot}]
profile = "board.toml"
battery = {{ instrument = "supply-{slot}"{channel}, lead_ohm = 0.05, contact_ohm = 0.02 }}
recorder = {{ instrument = "recorder-{slot}", channel = 1 }}
[slots.{slot}.meters]
terminals = {{ instrument = "meter-{slot}"{meter_channel}, range = 10.0 }}
temperature = {{ instrument = "thermometer-{slot}"{meter_channel} }}
[slots.{slot}.serial]
console = {{ port = "simulated" }}
"""


def dialect_bench(*, faults: tuple[str, ...] = ()) -> str:
    """The text of the bench file; each instrument is simulated in the dialect that its table is written for."""
    models, instruments, slots = [], [], []
    for slot, tables in SLOTS.items():
        used = {
            "supply": tables.supply,
            "meter": tables.meter,
            "thermometer": tables.meter,
            "recorder": tables.recorder,
        }
        for word, table in used.items():
            name, kind = f"{word}-{slot}", "meter" if word == "thermometer" else word
            models.append(f'"{name}" = "{table}"')
            instruments.append(_INSTRUMENT.format(name=name, kind=kind, table=table, accuracy=_ACCURACY[word]))
        slots.append(_SLOT.format(slot=slot, channel=tables.channel, meter_channel=tables.meter_channel))
    head = f'schema = 1\nname = "every dialect"\n[simulation]\nscale = 20.0\nseed = 3\nfaults = {list(faults)}\n'
    return head + "[simulation.models]\n" + "\n".join(models) + "\n" + "".join(instruments) + "".join(slots)
