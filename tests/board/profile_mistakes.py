"""One mistake at a time in the demo profile, and how the sentence about it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from .profile_edits import GONE

if TYPE_CHECKING:
    from _pytest.mark.structures import ParameterSet

_SOURCE: Final = {"unit": "V", "source": "invented"}


def case(name: str, place: str, value: object, says: str, *, at: str = "") -> ParameterSet:
    """A value put at a place; what is told about it stands at the same place, or at another one."""
    return pytest.param(place, value, f"{at or place}: {says}", id=name)


MISTAKES: Final = [
    # keys and tables
    case("unknown key", "power.nominal_V", 3.7, "unknown key (nearest known: nominal_v)"),
    case("unknown table", "swep", {}, "unknown key (nearest known: sweep)"),
    case("unknown key, nothing near", "zzz", 1, "unknown key (known here: "),
    case("unknown console key", "console.bauds", 9600, "unknown key (nearest known: baud)"),
    case("unknown question key", "console.questions.battery.timeout", 1.0, "unknown key (nearest known: timeout_s)"),
    case("newer schema", "schema", 2, "2 is not a whole number from 1 to 1"),
    case("no name", "name", GONE, "this key is missing"),
    case("no maximum", "maxima.voltage_v", GONE, "this key is missing"),
    case("number for a table", "power", 3.7, "3.7 is not a table"),
    case("region", "region", "EU88", "'EU88' is not one of: EU868, US915 (nearest known: EU868)"),
    # absolute maxima rule over everything
    case(
        "sweep point above the maximum",
        "sweep.points_v",
        [3.3, 3.6, 4.31],
        "4.31 V is above the absolute maximum of 4.3 V (table maxima)",
    ),
    case(
        "rail point above the maximum",
        "rail.points_v",
        [3.6, 5.5],
        "5.5 V is above the absolute maximum of 4.3 V (table maxima)",
    ),
    case(
        "current limit", "power.current_limit_a", 0.51, "0.51 A is above the absolute maximum of 0.5 A (table maxima)"
    ),
    case(
        "protection above the maximum",
        "power.protection_v",
        4.31,
        "4.31 V is above the absolute maximum of 4.3 V (table maxima)",
    ),
    case(
        "first touch", "first_touch.current_limit_a", 0.6, "0.6 A is above the absolute maximum of 0.5 A (table maxima)"
    ),
    case("data rate", "transmit.spreading_factor", 6, "6 is not a whole number from 7 to 12"),
    case("coding rate", "transmit.coding_rate", 4, "4 is not a whole number from 5 to 8"),
    case("frame too short", "transmit.phy_payload_bytes", 9, "9 is not a whole number from 12 to 255"),
    case("trips", "power.protection_v", 4.2, "4.2 V is not above sweep.points_v (4.2 V), rail.points_v (4.2 V)"),
    case("two", "sweep.points_v", [3.3, 3.6], "2 different points; at least 3 are needed"),
    case("repeated", "sweep.points_v", [3.3, 3.3, 3.6], "2 different points; at least 3 are needed"),
    case("zero volts", "sweep.points_v", [0.0, 3.3, 3.6], "0 V: a sweep point is above 0"),
    case("one number", "sweep.points_v", 3.7, "3.7 is not an array of finite numbers"),
    case(
        "steps",
        "first_touch.short_below_v",
        1.3,
        "accepted: short_below_v < reversed_below_v < voltage_v",
        at="first_touch",
    ),
    case("negative voltage", "power.nominal_v", -3.7, "-3.7 is not a number above 0"),
    # limits
    case("reversed", "limits.rail.voltage.low", 3.5, "3.5 is above high = 3.399"),
    case(
        "quantity",
        "limits.rail.voltage.unit",
        "mA",
        "'mA' is a unit of another quantity; accepted: V, with an SI prefix",
    ),
    case("unit", "limits.rail.voltage.unit", "Volt", "unknown unit 'Volt'; known: V, A, "),
    case("no unit", "limits.rail.voltage.unit", "", "'' is not a text that says"),
    case("no source", "limits.rail.voltage.source", GONE, "this key is missing"),
    case("no side", "limits.rail.voltage", _SOURCE, "a limit has low, high or both"),
    case(
        "beyond a float",
        "limits.rail.voltage",
        _SOURCE | {"high": 1e308, "unit": "GV"},
        "1e+308 GV is beyond all that is measured; accepted: up to 1000 V",
        at="limits.rail.voltage.high",
    ),
    case("bare number", "limits.rail.voltage", 3.3, "3.3 is not a table"),
    case("bare text", "limits.rail", "none", "'none' is not a table"),
    case("unknown check", "limits.rial", {}, "unknown check (nearest known: rail); known: first_touch, "),
    case(
        "value",
        "limits.rail.voltag",
        _SOURCE | {"high": 3.3},
        "this check measures no such value (nearest known: voltage); known: voltage",
    ),
    case(
        "value of a check of facts",
        "limits.identity_end.boots",
        _SOURCE | {"high": 3.3},
        "this check measures no such value; known: none",
    ),
    case(
        "rule",
        "limits.rail.voltage.rule",
        "gaurded",
        "unknown decision rule 'gaurded'; known: simple, guarded, ",
    ),
    # required checks
    case(
        "unknown required check",
        "required.production",
        ["rail", "tempreature"],
        "'tempreature' is not one of: first_touch, ",
    ),
    case("use", "required.prodction", ["rail"], "unknown key (nearest known: production)"),
    case("none required", "required", {}, "no use requires any check; name them for: production, "),
    case(
        "required is no check of the powered board",
        "required.production",
        ["output_off"],
        "'output_off' alone say who the board is and that it can be switched, not that it works; require at least one",
    ),
    case(
        "required is who it is alone",
        "required.signoff",
        ["first_touch", "identity_start", "identity_end", "output_off"],
        "'first_touch', 'identity_start', 'identity_end', 'output_off' alone say who the board is",
    ),
    case(
        "required without a limit",
        "limits.rail",
        GONE,
        "'rail' has no limit to judge by; give one in limits.rail, of: voltage",
        at="required.production",
    ),
    case(
        "required with an empty table of limits",
        "limits.transmit",
        {},
        "'transmit' has no limit to judge by; give one in limits.transmit, of: peak, plateau, duration, charge",
        at="required.production",
    ),
    case("own check's name", "own_checks", ["rail"], "'rail' is a check of the shipped suites"),
    case("own check as a text", "own_checks", "siren", "'siren' is not an array of texts"),
    # thresholds and coming back
    case("search above the maximum", "thresholds.restart_v", [2.4, 4.5], "4.5 V is above the absolute maximum of 4.3"),
    case("search upside down", "thresholds.reset_v", [3.2, 2.3], "[3.2, 2.3] is no range; accepted: two voltages"),
    case("search of three", "thresholds.reset_v", [2.3, 2.5, 3.2], "[2.3, 2.5, 3.2] is no range"),
    case("confirmed too briefly", "thresholds.confirm_dwell_s", 0.1, "0.1 s is shorter than dwell_s = 0.2 s"),
    case("restart from above", "thresholds.restart_from_v", 2.4, "2.4 V is not below the search at restart_v"),
    case("unknown key of a search", "thresholds.dwel_s", 0.1, "unknown key (nearest known: dwell_s)"),
    case("floor above the ramp", "coming_back.floors_v", [1.0, 3.2], "3.2 V is not below from_v = 3.2 V"),
    case("ramp from above the maximum", "coming_back.from_v", 4.5, "4.5 V is above the absolute maximum of 4.3 V"),
    case("plateau above the maximum", "coming_back.plateaus_v", [4.5], "4.5 V is above the absolute maximum of 4.3 V"),
    case("no slope at all", "coming_back.slopes_v_per_s", [], "[] is not accepted; accepted: different numbers"),
    case("slope of nothing", "coming_back.slopes_v_per_s", [0.0, 1.0], "0 is not accepted; accepted: 1e-06 and more"),
    case("dwell twice", "coming_back.dwells_s", [1.0, 1.0], "[1.0, 1.0] is not accepted; accepted: different numbers"),
    case("steps too small to keep", "coming_back.largest_step_v", 0.01, "0.01 V is less than step_v = 0.02 V"),
    # the console
    case(
        "pattern",
        "console.questions.battery.answer",
        "BATT (",
        "'BATT (' is not a regular expression: missing ), unterminated",
    ),
    case("notice", "console.notices.woke", "[", "'[' is not a regular expression"),
    case("empty", "console.questions.sleep.answer", ".*", "question 'sleep': pattern '.*' matches an", at="console"),
    case("no send", "console.questions.sleep.send", "", "'' is not a text that"),
    case(
        "no ASCII",
        "console.questions.sleep.send",
        "schlaf\N{LATIN SMALL LETTER E WITH ACUTE}",
        "question 'sleep' sends",
        at="console",
    ),
    case("one brace", "console.questions.sleep.send", "sleep {", "question 'sleep' sends 'sleep {'", at="console"),
    case(
        "placeholder",
        "console.questions.sleep.send",
        "sleep {for_s}",
        "this question is asked as it stands: no {placeholder} is",
    ),
    case("needed question", "console.questions.temperature", GONE, "this entry is missing"),
    case("no questions", "console.questions", GONE, "this key is missing"),
    case("boot notice", "console.notices.boot", GONE, "this entry is missing"),
    case("woke notice", "console.notices.woke", GONE, "this entry is missing"),
    case("done", "console.notices.report_done", GONE, "this entry is missing"),
    case("no notices", "console.notices", GONE, "this key is missing"),
    case("line end", "console.line_end", "\n\r", "'\\n\\r' is not one of:"),
    case("baud", "console.baud", 10, "10 is not a whole number from 300 to 4000000"),
    case(
        "ambiguous CRC",
        "console.checksum.crc",
        "CRC-16/CCITT",
        "CRC name 'CRC-16/CCITT' is ambiguous, it is used for CRC-16/IBM-3740 and for CRC-16/KERMIT;",
        at="console.checksum",
    ),
    case(
        "CRC name",
        "console.checksum.crc",
        "CRC-16/IBM-3741",
        "unknown CRC name 'CRC-16/IBM-3741'; the nearest is CRC-16/IBM-3740; accepted: ",
        at="console.checksum",
    ),
    case("no CRC name", "console.checksum.crc", GONE, "this key is missing"),
    case("separator", "console.checksum.separator", "**", "checksum separator '**': one", at="console.checksum"),
    case("yes", "console.checksum.on_commands", "yes", "'yes' is not true or"),
    case("modem pattern", "modem.frame", "AT+(", "'AT+(' is not a regular expression"),
    case(
        "modem pattern for an empty line",
        "modem.frame",
        "(?P<port>.*)(?P<payload>.*)",
        "pattern '(?P<port>.*)(?P<payload>.*)' matches an empty line; accepted: a regular expression for a whole line",
    ),
    case("modem answer", "modem.accepted", ["SENT", "("], "pattern '(' is no regular expression"),
    case("modem refusal", "modem.refused", ["X*"], "pattern 'X*' matches an empty line"),
    case("modem busy", "modem.busy", "WAIT", "'WAIT' is not an array of texts"),
    case("modem line unasked", "modem.unsolicited", {"told": "["}, "pattern '['", at="modem.unsolicited.told"),
    case("modem time-out", "modem.answer_timeout_s", 0, "0 is not a number above 0 and at most 600"),
    case("modem key", "modem.acepted", ["SENT"], "unknown key (nearest known: accepted)"),
    # the payload
    case("port", "payload.port", 224, "224 is not a whole number from 1 to 223"),
    case(
        "kind",
        "payload.fields[0].kind",
        "unsinged",
        "'unsinged' is not one of: unsigned, signed, float16, float32, flags, bool (nearest known: unsigned)",
    ),
    case("overlap", "payload.fields[1].offset", 1, "field 'temperature' overlaps field 'battery' from", at="payload"),
    case("order", "payload.fields[0].byte_order", GONE, "field 'battery': it spans 2 bytes; state", at="payload"),
    case("byte order", "payload.fields[0].byte_order", "middle", "'middle' is not one of: little, big"),
    case(
        "prefix",
        "payload.fields[0].unit",
        "mV",
        "field 'battery': unit 'mV' is not a base unit; write 'V'",
        at="payload",
    ),
    case(
        "battery in a unit of its own",
        "payload.fields[0].unit",
        "Volt",
        "field 'battery' is in 'Volt'; accepted: a field in 'V'",
        at="payload_roles.battery",
    ),
    case("none", "payload.fields[0].unit", "", "'' is not a text that says something"),
    case("empty group", "payload.groups[0].fields", [], "group 'bale': it has no field; describe", at="payload"),
    case("payload's CRC", "payload.crc.name", "CRC-8", "crc: CRC name 'CRC-8' is ambiguous", at="payload"),
    case("role", "payload_roles.battery", "batery", "'batery' is not one of: battery, temperature, "),
    case(
        "role of another unit",
        "payload_roles.battery",
        "temperature",
        "field 'temperature' is in 'degC'; accepted: a field in 'V'",
    ),
    case(
        "probe of another unit",
        "payload_roles.probes",
        ["battery"],
        "field 'battery' is in 'V'; accepted: a field in 'degC'",
    ),
    case("probe", "payload_roles.probes", ["bale[2].temperature"], "'bale[2].temp"),
]
