"""Which limits a bench can decide, from two files alone: lost checks, vain values, and what would do better."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from benchrig.bench.air_tables import NetworkSpec
from benchrig.bench.bench_file import BenchSpec, read_bench_file
from benchrig.bench_fitness import AIR_CHECKS, BenchFitness, Eyes, bench_fitness
from benchrig.board.profile import read_board_profile
from benchrig.cli import main
from benchrig.errors import ConfigError
from benchrig.judge.fitness import Usefulness
from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.protocol.broker_json import REQUIRED_FIELDS, DownlinkTemplate, UplinkMap

BENCHES = Path(__file__).parents[1] / "fixtures/benches"
STAMP_U_S = 0.0115


def fitness_of(bench: BenchSpec, *, today: date | None = None) -> BenchFitness:
    """Fitness of the bench's first slot."""
    slot = bench.slots["1"]
    return bench_fitness(Eyes(bench, slot, read_board_profile(slot.profile), STAMP_U_S, today))


def bench(name: str) -> BenchSpec:
    return read_bench_file(BENCHES / f"{name}.toml")


def with_meter(spec: BenchSpec, terms: AccuracyTerms) -> BenchSpec:
    """The bench with another meter."""
    meter = replace(spec.instruments["meter"], accuracy={**spec.instruments["meter"].accuracy, "voltage": terms})
    return replace(spec, instruments={**spec.instruments, "meter": meter})


def row(found: BenchFitness, name: str) -> tuple[Usefulness, str]:
    chosen = next(one for one in found.all_rows if one.name == name)
    return chosen.usefulness, chosen.why


@pytest.mark.parametrize("name", ["simulated", "simulated-single-inputs"])
def test_whole_benches_lose_nothing_but_the_air(name: str) -> None:
    """Without a gateway the checks of the air are lost, each with what to give; every other limit can be decided."""
    found = fitness_of(bench(name))

    assert found.lost == dict.fromkeys(AIR_CHECKS, found.lost["join"])
    assert "give the bench file [gateway] or [network], and slots.N.radio" in found.lost["join"]
    assert not found.vain
    assert _decided(found) == _limited(name, without=AIR_CHECKS)


def test_bench_with_gateways_loses_nothing() -> None:
    """The bench with a radio can decide every limit of the demo board."""
    found = fitness_of(bench("simulated-air"))

    assert not found.lost
    assert not found.vain
    assert _decided(found) == _limited("simulated-air")


@pytest.mark.parametrize(
    ("way", "lost"),
    [
        pytest.param(
            "broker",
            dict.fromkeys(("join", "join_backoff"), "a network behind a broker answers joins by itself"),
            id="a broker",
        ),
        pytest.param(
            "deaf broker",
            {
                "join": "a network behind a broker answers joins",
                "downlink": "how the network takes a downlink",
                "join_backoff": "a network behind a broker answers joins",
            },
            id="a broker that takes no downlinks",
        ),
        pytest.param("no pin", {"downlink": "no meter sees the pin that a downlink"}, id="nobody sees the pin"),
    ],
)
def test_half_an_air_loses_what_it_cannot_see(way: str, lost: dict[str, str]) -> None:
    """Each check of the air needs its own part; the others stay."""
    found = fitness_of(_with_air(way))

    assert list(found.lost) == list(lost)
    assert all(says in found.lost[check] for check, says in lost.items())


def _with_air(way: str) -> BenchSpec:
    """The bench with a radio, by another way or without its pin."""
    spec = bench("simulated-air")
    slot = spec.slots["1"]
    if way == "no pin":
        meters = {net: wiring for net, wiring in slot.meters.items() if net != "pin"}
        return replace(spec, slots={"1": replace(slot, meters=meters)})
    network = NetworkSpec(
        host="localhost",
        port=1883,
        tls=False,
        ca=None,
        user="",
        password="",
        uplink_topic="up",
        uplink=UplinkMap({name: name for name in REQUIRED_FIELDS}),
        downlink_topic="down",
        downlink=None if way == "deaf broker" else DownlinkTemplate('{"data": "{payload_hex}"}'),
    )
    return replace(spec, gateway=None, network=network)


def _decided(found: BenchFitness) -> int:
    return len(found.all_rows) + len(found.unknown)


def _limited(name: str, *, without: tuple[str, ...] = ()) -> int:
    limits = read_board_profile(bench(name).slots["1"].profile).limits
    return sum(len(values) for check, values in limits.items() if check not in without)


def test_without_a_recorder() -> None:
    """A bench without a current recorder loses the checks of currents, each with what to wire."""
    found = fitness_of(bench("simulated-no-recorder"))

    assert {"floor_current", "transmit"} <= set(found.lost)
    assert "slots.N.recorder" in found.lost["floor_current"]
    assert "rail" not in found.lost


def test_supply_alone() -> None:
    """With a coarse read-back for its only eye, a bench says which values no reading of it can decide."""
    found = fitness_of(bench("simulated-supply-only"))

    assert {"rail", "temperature", "floor_current", "transmit"} <= set(found.lost)
    assert {"error", "gain_error", "offset"} <= set(found.vain["battery_sweep"])
    assert "no value can pass" in found.vain["battery_sweep"]["error"]


def test_uncertainty_is_that_of_the_accuracy_terms() -> None:
    """The rail's uncertainty follows from the meter's stated accuracy (GUM 4.3.7: half width by root 3)."""
    found = fitness_of(with_meter(bench("simulated"), AccuracyTerms(floor=0.010)))
    rail = next(one for one in found.all_rows if one.name == "rail.voltage")

    assert rail.standard_uncertainty == pytest.approx(0.010 / 3**0.5)
    assert rail.ratio == pytest.approx(0.099 / (2 * 0.010 / 3**0.5))


@pytest.mark.parametrize(
    ("half_width_v", "usefulness"),
    [(0.001, Usefulness.USEFUL), (0.030, Usefulness.DOUBTFUL), (0.090, Usefulness.VAIN)],
)
def test_usefulness_follows_the_meter(half_width_v: float, usefulness: Usefulness) -> None:
    """A worse meter makes a limit doubtful, then vain; the check is lost then, and the wanted accuracy named."""
    found = fitness_of(with_meter(bench("simulated"), AccuracyTerms(floor=half_width_v)))

    assert row(found, "rail.voltage")[0] is usefulness
    assert ("rail" in found.lost) is (usefulness is Usefulness.VAIN)
    if usefulness is Usefulness.VAIN:
        assert "such as an instrument or range that is good to" in found.lost["rail"]


def test_clipped_points_spoil_no_figure() -> None:
    """Points beyond the converter's top code are left out; where too few are left, nothing is foretold from them."""
    spec = bench("simulated")
    slot = spec.slots["1"]
    sound = read_board_profile(slot.profile)

    def found(*, top_code: int = 4095, points_v: tuple[float, ...] = sound.sweep.points_v) -> BenchFitness:
        converter, sweep = replace(sound.converter, top_code=top_code), replace(sound.sweep, points_v=points_v)
        profile = replace(sound, converter=converter, sweep=sweep)
        return bench_fitness(Eyes(spec, slot, profile, STAMP_U_S), checks=("battery_sweep",))

    # by hand: 3700 codes are 3.97 V, so that 4.05 V and 4.20 V are clipped
    clipped = found(top_code=3700)
    assert clipped.all_rows == found(points_v=tuple(volts for volts in sound.sweep.points_v if volts < 3.97)).all_rows
    assert clipped.all_rows != found().all_rows
    assert "battery_sweep.residual" in found(top_code=3300).unknown


def test_a_finer_range_is_named() -> None:
    """Where the same recorder would do on a finer range, the answer says so."""
    spec = bench("simulated")
    recorder = replace(spec.instruments["recorder"], accuracy={"current": AccuracyTerms(of_range=0.0005)})
    found = fitness_of(replace(spec, instruments={**spec.instruments, "recorder": recorder}))

    assert "recorder on a 0.001 A range, if it has one" in row(found, "floor_current.floor")[1]


def test_age_of_calibration_counts() -> None:
    """A drift per year widens the uncertainty with the days since the calibration."""
    spec = with_meter(bench("simulated"), AccuracyTerms(of_reading=1e-4, drift_per_year=1e-3))
    young = fitness_of(spec, today=date(2026, 3, 3))
    old = fitness_of(spec, today=date(2029, 3, 2))

    def rail_u(found: BenchFitness) -> float:
        return next(one for one in found.all_rows if one.name == "rail.voltage").standard_uncertainty

    assert rail_u(old) > 10 * rail_u(young)


def test_calibration_in_the_future_is_refused() -> None:
    """A calibration that lies ahead of today is a mistake in the bench file or in the computer's date."""
    with pytest.raises(ConfigError, match=r"instruments\.\w+\.calibrated: 2026-03-02 lies ahead of today, 2020-01-01"):
        fitness_of(bench("simulated"), today=date(2020, 1, 1))


def without_accuracy(spec: BenchSpec, instrument: str, quantity: str) -> BenchSpec:
    """The bench with an instrument of which one quantity is not stated; no bench file can say that."""
    one = spec.instruments[instrument]
    accuracy = {name: terms for name, terms in one.accuracy.items() if name != quantity}
    return replace(spec, instruments={**spec.instruments, instrument: replace(one, accuracy=accuracy)})


@pytest.mark.parametrize(
    ("instrument", "quantity", "checks"),
    [
        pytest.param("meter", "voltage", {"rail", "battery_sweep", "output_off"}, id="meter"),
        pytest.param("meter", "temperature", {"temperature"}, id="thermometer"),
        pytest.param("recorder", "current", {"floor_current", "transmit"}, id="recorder"),
        pytest.param("supply", "current", {"first_touch"}, id="supply"),
    ],
)
def test_unstated_accuracy_is_no_perfect_one(instrument: str, quantity: str, checks: set[str]) -> None:
    """What would be read by an instrument of which nothing is stated is lost, with what to state."""
    found = fitness_of(without_accuracy(bench("simulated"), instrument, quantity))

    assert checks <= set(found.lost)
    for check in checks:
        assert f"give instruments.{instrument}.accuracy.{quantity} in the bench file" in found.lost[check]


def test_line_of_the_modem_that_is_not_heard_is_told() -> None:
    """Without modem_reply the checks that would look there say what they do not see; with it they do not."""
    deaf, whole = fitness_of(bench("simulated")), fitness_of(bench("simulated-air"))

    assert list(deaf.unseen) == ["payload_bytes"]
    assert "payload_bytes: not seen: what the modem answers" in deaf.table()
    assert any("slots.N.serial.modem_reply" in text for text in deaf.warnings())
    assert deaf.can_decide(("payload_bytes",))
    assert not whole.unseen


def with_slot(name: str, **parts: object) -> BenchSpec:
    """The bench with another first slot."""
    spec = bench(name)
    return replace(spec, slots={"1": replace(spec.slots["1"], **parts)})  # type: ignore[arg-type]


def test_probes_are_not_seen_without_a_tap() -> None:
    """What probes say stands in the frame alone: without the tap that value is vain, and the others are not."""
    slot = bench("simulated").slots["1"]
    lines = {line: wiring for line, wiring in slot.serial.items() if line == "console"}
    found = fitness_of(with_slot("simulated", serial=lines))

    assert list(found.vain["temperature"]) == ["probe_error"]
    (line,) = [one for one in found.table().split("\n") if one.startswith("temperature.probe_error: ")]
    assert line.endswith("where the probes are told; wire slots.N.serial.modem_uart")
    assert "payload_bytes" in found.lost


@pytest.mark.parametrize(
    ("part", "vain"),
    [
        # by hand: 70 mA and 60 mA are beyond 50 mA, the charge is not a current
        pytest.param("transmit", {"transmit": ["peak", "plateau"]}, id="recorder while it transmits"),
        pytest.param("rail", {"rail": None}, id="meter at the rail"),
        pytest.param(
            "terminals", {"battery_sweep": ["error", "offset", "residual", "nonlinearity", "hysteresis"]}, id="meter"
        ),
    ],
)
def test_range_that_ends_below_the_limit_decides_nothing(part: str, vain: dict[str, list[str] | None]) -> None:
    """A range that clips below a limit cannot see it kept; the answer names the range to correct."""
    slot = bench("simulated").slots["1"]
    assert slot.recorder is not None
    meters = {net: replace(one, range=1.0) if net == part else one for net, one in slot.meters.items()}
    recorder = replace(slot.recorder, transmit_range_a=0.05) if part == "transmit" else slot.recorder
    found = fitness_of(with_slot("simulated", meters=meters, recorder=recorder))

    for check, values in vain.items():
        told = found.lost[check] if values is None else " ".join(found.vain[check].values())
        assert "is beyond the range of" in told
        assert "correct slots.N." in told
        assert set(values or ()) <= set(found.vain.get(check, {}))


def test_gateways_of_another_region() -> None:
    """Gateways and board of two regions never hear each other: every check of the air is lost."""
    spec = bench("simulated-air")
    assert spec.gateway is not None
    found = fitness_of(replace(spec, gateway=replace(spec.gateway, region="US915")))

    assert all("the gateways are of US915 and the board is of EU868" in found.lost[check] for check in AIR_CHECKS)


def test_calibration_that_is_over_is_told_before_power() -> None:
    """An instrument beyond its day is a warning and a line of the table; within it there is none."""
    spec = bench("simulated")
    late = fitness_of(spec, today=date(2036, 3, 2))

    assert [one.partition(":")[0] for one in late.cautions] == ["supply supply", "meter meter", "recorder recorder"]
    assert "meter meter: its calibration was due on 2036-03-01, 1 day before this run of 2036-03-02" in late.table()
    assert set(late.cautions) <= set(late.warnings())
    assert not fitness_of(spec, today=date(2036, 3, 1)).cautions


def test_empty_sweep_is_no_traceback() -> None:
    """Plans that no file can hold, an empty sweep and limits before the beginning, end in no traceback."""
    spec = bench("simulated")
    slot = spec.slots["1"]
    sound = read_board_profile(slot.profile)
    duration = replace(sound.limits["transmit"]["duration"], low=-0.065, high=0.065)
    limits = {**sound.limits, "transmit": {**sound.limits["transmit"], "duration": duration}}
    profile = replace(sound, sweep=replace(sound.sweep, points_v=()), limits=limits)

    found = bench_fitness(Eyes(spec, slot, profile, STAMP_U_S))

    assert "battery_sweep.error" in found.unknown
    assert next(one for one in found.all_rows if one.name == "transmit.charge").standard_uncertainty > 0.0


def test_command_prints_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    """The command needs no hardware, and exits as a board would that cannot pass there."""
    assert main(["fitness", str(BENCHES / "simulated.toml"), "--slot", "1"]) == 0
    printed = capsys.readouterr().out
    assert "rail.voltage" in printed
    # who reads the last line knows what the figures are worth
    assert printed.splitlines()[-1] == "figures of a perfect board on this bench; a real one adds its own noise"
    assert main(["fitness", str(BENCHES / "simulated-supply-only.toml")]) == 10
    assert "rail: CANNOT RUN: no meter sees the rail" in capsys.readouterr().out


def test_command_speaks_json(capsys: pytest.CaptureFixture[str]) -> None:
    """A program gets the same figures."""
    main(["fitness", str(BENCHES / "simulated-supply-only.toml"), "--json"])
    data = json.loads(capsys.readouterr().out)["slot 1"]

    assert data["cannot_run"].keys() >= {"rail", "temperature", "floor_current", "transmit"}
    assert {one["verdict"] for one in data["limits"]} == {"adequate", "marginal", "inadequate"}


def test_unknown_slot(capsys: pytest.CaptureFixture[str]) -> None:
    """A slot that the bench does not have is bad input."""
    assert main(["fitness", str(BENCHES / "simulated.toml"), "--slot", "9"]) == 4
    assert "--slot 9: no such slot" in capsys.readouterr().err
