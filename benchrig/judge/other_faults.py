"""Causes that show in words: the ones that no number of the circuit stands for.

Owns the list and what a sound board shows in words. Must not know the circuit nor what was measured. Weights as in
`circuit_faults`: common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.judge.circuit_faults import OFTEN, SELDOM, SOMETIMES
from benchrig.judge.hypothesis import Hypothesis
from benchrig.judge.sensor_faults import probe_faults, sensor_faults

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from benchrig.judge.hypothesis import Side

SOUND_WORDS: Final[Mapping[str, str]] = {
    "first touch": "sound",
    "start": "speaks",
    "serial number": "as labelled",
    "firmware": "as named",
    "load": "draws",
    "over the sweep": "lives",
    "codes": "follow",
    "bits": "all move",
    "battery bytes": "same",
    "temperature byte": "same",
    "frame": "sound",
    "wakes seen": "some",
    "wakes again": "yes",
    "transmissions": "one",
    "reset": "none",
    "console": "clean",
    "bench": "sound",
    "other checks": "passed",
}

# key, cause, side, weight, what it shows, what a further measurement would tell
_Row = tuple[str, str, "Side", float, dict[str, str], dict[str, str]]

_OHMS_IN: Final = "ohms at the battery input, board off the bench"
_RESEAT: Final = "re-seat the board and run again"
_SCOPE: Final = "rail on a scope while it transmits"
_CAUSE: Final = "the cause of reset in the boot notice"
_BYTES: Final = "'wrong bytes explained' above"
_SWAP_ADAPTER: Final = "the same board on another adapter and lead"

_ROWS: Final[tuple[_Row, ...]] = (
    # power
    (
        "input bridge",
        "a bridge across the battery input",
        "board",
        OFTEN,
        {"first touch": "short"},
        {_OHMS_IN: "near 0"},
    ),
    (
        "input part shorted",
        "a capacitor or protection part at the input is shorted",
        "board",
        SOMETIMES,
        {"first touch": "short"},
        {_OHMS_IN: "near 0"},
    ),
    (
        "bench lead shorted",
        "lead or contacts of the bench touch each other",
        "bench",
        SELDOM,
        {"first touch": "short"},
        {_OHMS_IN: "high"},
    ),
    (
        "board turned",
        "board or battery lead is turned round",
        "board",
        OFTEN,
        {"first touch": "reversed"},
        {_RESEAT: "passes when turned"},
    ),
    (
        "protection reversed",
        "a protection part is fitted the wrong way",
        "board",
        SOMETIMES,
        {"first touch": "reversed"},
        {_RESEAT: "the same"},
    ),
    (
        "fuse open",
        "the fuse, or a part in series with the input, is open",
        "board",
        OFTEN,
        {"first touch": "open"},
        {_RESEAT: "the same"},
    ),
    (
        "pin beside its pad",
        "a contact pin touches for the meter and not for the current",
        "bench",
        SOMETIMES,
        {"first touch": "open"},
        {_RESEAT: "passes"},
    ),
    (
        "overload",
        "a part at input or rail draws too much: reversed, damaged, or a load that should be off",
        "board",
        OFTEN,
        {"first touch": "overload"},
        {},
    ),
    (
        "contact open",
        "a battery contact is open, or no board lies there",
        "bench",
        OFTEN,
        {"bench": "no contact"},
        {_RESEAT: "passes"},
    ),
    (
        "pads covered",
        "flux or coating on the battery pads",
        "board",
        SOMETIMES,
        {"bench": "no contact"},
        {_RESEAT: "the same"},
    ),
    # start
    (
        "firmware hangs",
        "the firmware hangs before it speaks, or is not there",
        "board",
        OFTEN,
        {"start": "silent"},
        {_SWAP_ADAPTER: "silent"},
    ),
    (
        "console open",
        "the console's line is open on the board",
        "board",
        SOMETIMES,
        {"start": "silent"},
        {_SWAP_ADAPTER: "silent"},
    ),
    (
        "console lead",
        "adapter or lead of the console is not connected",
        "bench",
        SOMETIMES,
        {"start": "silent"},
        {_SWAP_ADAPTER: "speaks"},
    ),
    ("label", "label and board do not belong together", "board", OFTEN, {"serial number": "another"}, {}),
    (
        "identity memory",
        "the identity was not written, or another's",
        "board",
        SOMETIMES,
        {"serial number": "another"},
        {},
    ),
    ("old firmware", "another firmware was flashed", "board", OFTEN, {"firmware": "another"}, {}),
    # resets and silence
    (
        "stops below a voltage",
        "the processor's brown-out level is too high, or the firmware stops itself",
        "board",
        SOMETIMES,
        {"over the sweep": "falls silent"},
        {"rail where it falls silent": "still there"},
    ),
    (
        "joint in the sweep",
        "a joint of the supply opens now and then",
        "board",
        SOMETIMES,
        {"reset": "in the sweep", "reset cause": "supply"},
        {_CAUSE: "brown-out", _RESEAT: "the same"},
    ),
    (
        "watchdog in the sweep",
        "the firmware resets itself",
        "board",
        SOMETIMES,
        {"reset": "in the sweep", "reset cause": "watchdog"},
        {_CAUSE: "watchdog", _RESEAT: "the same"},
    ),
    (
        "contact in the sweep",
        "a contact opens now and then",
        "bench",
        SOMETIMES,
        {"reset": "in the sweep", "reset cause": "supply"},
        {_CAUSE: "brown-out", _RESEAT: "another place"},
    ),
    (
        "rail capacitor open",
        "the rail's output capacitor is open or too small",
        "board",
        OFTEN,
        {"reset": "in transmit", "reset cause": "supply"},
        {_CAUSE: "brown-out", _SCOPE: "dips"},
    ),
    (
        "watchdog in transmit",
        "the watchdog bites while the radio works",
        "board",
        SOMETIMES,
        {"reset": "in transmit", "reset cause": "watchdog"},
        {_CAUSE: "watchdog", _SCOPE: "flat"},
    ),
    (
        "lead in transmit",
        "lead or contact cannot carry the transmit current",
        "bench",
        SOMETIMES,
        {"reset": "in transmit", "reset cause": "supply"},
        {_CAUSE: "brown-out", _SCOPE: "dips", _RESEAT: "passes"},
    ),
    # payload
    (
        "battery bytes swapped",
        "the firmware sends the battery's bytes in the other order",
        "board",
        OFTEN,
        {"battery bytes": "far off"},
        {_BYTES: "names the order of bytes"},
    ),
    (
        "battery field wrong",
        "the firmware's battery field has another place, width or scale",
        "board",
        SOMETIMES,
        {"battery bytes": "far off"},
        {_BYTES: "names place, width or scale"},
    ),
    (
        "stale sample",
        "the frame carries the sample before",
        "board",
        OFTEN,
        {"battery bytes": "a step off"},
        {_BYTES: "names the sample before"},
    ),
    (
        "battery rounding",
        "the frame rounds or averages the battery otherwise than the console",
        "board",
        SOMETIMES,
        {"battery bytes": "a step off"},
        {_BYTES: "names a rounding"},
    ),
    (
        "temperature byte",
        "the firmware's temperature byte has another offset, sign or scale",
        "board",
        OFTEN,
        {"temperature byte": "off"},
        {},
    ),
    (
        "check value",
        "the firmware's check value is computed otherwise",
        "board",
        OFTEN,
        {"frame": "check value"},
        {_BYTES: "names a check value"},
    ),
    (
        "modem line",
        "the line to the modem is disturbed",
        "board",
        SELDOM,
        {"frame": "check value"},
        {_BYTES: "explains nothing"},
    ),
    ("port", "the firmware sends on another port", "board", OFTEN, {"frame": "port"}, {}),
    (
        "modem line open",
        "the line to the modem is open, on the board",
        "board",
        SOMETIMES,
        {"frame": "none"},
        {_SWAP_ADAPTER: "none"},
    ),
    (
        "tap lead",
        "the tap on the modem's line is not connected",
        "bench",
        SOMETIMES,
        {"frame": "none"},
        {_SWAP_ADAPTER: "frames"},
    ),
    # sleep and radio
    (
        "never wakes",
        "the timer that wakes the board does not run: its crystal, its settings",
        "board",
        OFTEN,
        {"wakes again": "no", "wakes seen": "none"},
        {},
    ),
    (
        "wake line",
        "the console does not wake the board",
        "board",
        SOMETIMES,
        {"wakes again": "no"},
        {_SWAP_ADAPTER: "does not wake"},
    ),
    (
        "wake adapter",
        "the adapter's line did not come back after its release",
        "bench",
        SELDOM,
        {"wakes again": "no"},
        {_SWAP_ADAPTER: "wakes"},
    ),
    (
        "radio silent",
        "the radio gets no supply, or does not start",
        "board",
        OFTEN,
        {"transmissions": "none"},
        {"what the modem answers": "nothing"},
    ),
    (
        "modem refuses",
        "the modem refuses to send: not joined, no channel free, settings",
        "board",
        SOMETIMES,
        {"transmissions": "none"},
        {"what the modem answers": "an error"},
    ),
    (
        "repeats",
        "the radio repeats its transmission: no answer came, or settings",
        "board",
        SOMETIMES,
        {"transmissions": "several"},
        {},
    ),
    # console
    (
        "console clock",
        "the board's console clock is off, or its driver weak",
        "board",
        SOMETIMES,
        {"console": "damaged"},
        {_SWAP_ADAPTER: "damaged"},
    ),
    (
        "console lead noisy",
        "adapter or lead of the console is disturbed",
        "bench",
        SOMETIMES,
        {"console": "damaged"},
        {_SWAP_ADAPTER: "clean"},
    ),
    # the bench's own words
    (
        "contact worn",
        "lead or contact has resistance",
        "bench",
        OFTEN,
        {"bench": "lost on the way"},
        {_RESEAT: "another drop"},
    ),
    (
        "supply or meter",
        "supply and meter disagree: one of the two is off",
        "bench",
        OFTEN,
        {"bench": "supply against meter"},
        {"a third meter at the terminals": "names the one"},
    ),
    ("supply off set-point", "the supply does not reach or take its settings", "bench", OFTEN, {"bench": "supply"}, {}),
    ("meter failed", "the meter gives no usable reading", "bench", OFTEN, {"bench": "meter"}, {}),
    (
        "thermometer failed",
        "the bench's thermometer gives no usable reading",
        "bench",
        OFTEN,
        {"bench": "thermometer"},
        {},
    ),
    ("recorder failed", "the recorder gives no usable samples", "bench", OFTEN, {"bench": "recorder"}, {}),
    (
        "adapter feeds board",
        "the serial adapter, or a source besides the supply, feeds the board",
        "bench",
        OFTEN,
        {"bench": "fed besides"},
        {},
    ),
    ("adapter lost", "the console's adapter vanished", "bench", OFTEN, {"bench": "port"}, {}),
)


def other_faults(probes: Sequence[str], *, told: Collection[str] = ()) -> tuple[Hypothesis, ...]:
    """Every cause that shows in words or as a temperature, for a board with these probes.

    `told` names the words that were seen: what they say already is no further measurement.
    """
    known = {_CAUSE} if "reset cause" in told else set()
    return (
        *(
            Hypothesis(
                key=key,
                cause=cause,
                side=side,
                prior=prior,
                words=words,
                tells={name: tell for name, tell in tells.items() if name not in known},
            )
            for key, cause, side, prior, words, tells in _ROWS
        ),
        *sensor_faults(probes),
        *(fault for probe in probes for fault in probe_faults(probe)),
    )
