"""The production check on a board whose microcontroller runs a real image, instruction by instruction.

The image is compiled from fixtures/firmware and its regressions are planted by one define; what a run says is read from
its journal. The checksum of the image is reckoned here from the linked file by zlib, another library than the board's.
The runs are made once for the whole file, two at a time.
"""

from __future__ import annotations

import subprocess
import zlib
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import pytest

from benchrig.records import CheckFinished, FactJudged, LimitJudged, Verdict

from .runs import PRODUCTION, PROFILE, ROOT, Place

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.records import Record

FIRMWARE = ROOT / "fixtures" / "firmware"
BENCH_TEXT = (ROOT / "fixtures" / "benches" / "emulated.toml").read_text(encoding="utf-8")
START = "first_touch or identity_start or "
VOLTAGES, ASLEEP = START + "sweep or payload", START + "floor"

FOUND = {
    "byte_order": (VOLTAGES, "payload_bytes"),
    "stale_sample": (VOLTAGES, "payload_bytes"),
    "clipped_range": (VOLTAGES, "battery_sweep"),
    "never_sleeps": (ASLEEP, "floor_current"),
    "radio_standby": (ASLEEP, "floor_current"),
    "nonce_reset": (START + "join", "join"),
    "downlink_twice": (START + "join or downlink", "downlink"),
}
"""Planted regressions that a production check must find: what is run, and the check that fails."""

WITHIN_LIMITS = {"more_charge": START + "floor or transmit", "slower_wake": ASLEEP, "truncation": VOLTAGES}
"""Those that stay within every limit of the profile: only a comparison with the night before can find them."""


class Run(NamedTuple):
    """What a finished run says."""

    checks: Mapping[str, CheckFinished]
    records: tuple[Record, ...]


class Bench:
    """Images and their host in a folder of the tests' own, and runs on them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.make(FIRMWARE, "all")

    def make(self, where: Path, *arguments: str) -> None:
        """Build something."""
        subprocess.run(["make", "-s", "-C", where, f"BUILD={self.folder}", *arguments], check=True)

    def image(self, variant: str) -> Path:
        """The image with that regression; '' for none."""
        if variant:
            self.make(FIRMWARE / "hay-barn-probe", f"VARIANT={variant}")
        return self.folder / ("hay-barn-probe" + (f"-{variant}" if variant else "") + ".elf")

    def text(self, elf: Path) -> str:
        """The bench file with that image."""
        return (
            BENCH_TEXT.replace("../firmware/build/hay-barn-probe.elf", str(elf))
            .replace("../firmware/build/mcu_host", str(self.folder / "mcu_host"))
            .replace("../boards/", f"{PROFILE.parent}/")
        )

    def run(self, variant: str, chosen: str = "") -> Run:
        """A production check of a board with that image; the profile expects its checksum."""
        elf = self.image(variant)
        place = Place(self.folder / f"run-{variant or 'none'}")
        profile_text = PROFILE.read_text(encoding="utf-8")
        assert profile_text.count('image = "9c41e0b7"') == 1
        profile = place.write("profile.toml", profile_text.replace("9c41e0b7", checksum(elf)))
        bench = place.write("emulated.toml", self.text(elf))
        options = ("--bench-profile", profile, *(("-k", chosen) if chosen else ()))
        place.run(*place.on_bench(PRODUCTION, *options, bench=bench))
        records = place.records()
        return Run({one.check: one for one in records if isinstance(one, CheckFinished)}, records)


def checksum(elf: Path) -> str:
    """CRC-32 of what is flashed: program and initial values, as the linker lays them out."""
    binary = elf.with_suffix(".bin")
    subprocess.run(["avr-objcopy", "-O", "binary", "-R", ".eeprom", elf, binary], check=True)
    return f"{zlib.crc32(binary.read_bytes()):08x}"


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Where images are built and run."""
    return Bench(tmp_path_factory.mktemp("firmware"))


@pytest.fixture(scope="session")
def runs(bench: Bench) -> Mapping[str, Run]:
    """Every run of this file, by its regression."""
    wanted = {"": "", **{name: checks for name, (checks, _) in FOUND.items()}, **WITHIN_LIMITS}
    with ThreadPoolExecutor(2) as pool:
        return dict(zip(wanted, pool.map(bench.run, wanted, wanted.values()), strict=True))


def test_board_with_real_firmware_passes(runs: Mapping[str, Run]) -> None:
    """Every check of the production suite, the air among them, on a program that somebody compiled."""
    run = runs[""]

    assert {name: one.why for name, one in run.checks.items() if one.verdict is not Verdict.PASS} == {}
    assert {"join", "uplink_hops", "downlink", "floor_current", "correction"} <= set(run.checks)
    limits = {one.limit: one for one in run.records if isinstance(one, LimitJudged)}
    # the watchdog's 2 s are 262144 ticks of 128 kHz (data sheet of the part, from memory), and it works for 12 ms more
    assert limits["wake_period"].value == pytest.approx(2.048 + 0.012, abs=2e-3)


@pytest.mark.parametrize("variant", FOUND)
def test_planted_regression_is_found(runs: Mapping[str, Run], variant: str) -> None:
    """The check that it breaks fails, and no other one."""
    failed = [name for name, one in runs[variant].checks.items() if one.verdict is not Verdict.PASS]

    assert failed == [FOUND[variant][1]], {name: runs[variant].checks[name].why for name in failed}


def test_wrong_bytes_of_a_real_program_are_explained(runs: Mapping[str, Run]) -> None:
    """The battery with its high byte first: the run says which mistake that is."""
    told = [one for one in runs["byte_order"].records if isinstance(one, FactJudged | LimitJudged)]

    assert any("order" in f"{one.why} {one.next_action}" for one in told)


@pytest.mark.parametrize("variant", WITHIN_LIMITS)
def test_regression_within_every_limit_passes(runs: Mapping[str, Run], variant: str) -> None:
    """What no limit of the profile forbids is no failure of the board: it takes a comparison to see it."""
    assert {name: one.why for name, one in runs[variant].checks.items() if one.verdict is not Verdict.PASS} == {}


def test_charge_of_a_report_grows_as_planted(runs: Mapping[str, Run]) -> None:
    """Longer conversions before the frame leave the transmission itself as it was."""
    charge_c, more_c = (
        next(one.value for one in runs[name].records if isinstance(one, LimitJudged) and one.limit == "charge")
        for name in ("", "more_charge")
    )

    assert charge_c is not None
    assert more_c == pytest.approx(charge_c, rel=0.01)


def test_fault_of_the_modelled_program_is_refused(place: Place, bench: Bench) -> None:
    """A fault of the modelled firmware cannot be planted into an image: said before anything runs."""
    path = place.write("emulated.toml", bench.text(bench.image("")))

    told = place.run(*place.on_bench(PRODUCTION, "--bench-fault", "bytes_swapped", bench=path))

    assert told.code != 0
    assert "the fault is one of the modelled program" in told.text


@pytest.mark.parametrize(
    ("image", "words"),
    [
        ("no-such.elf", "there is no file"),
        ("emulated.toml", "the image is no ELF file of this part"),
    ],
    ids=["missing", "no image"],
)
def test_image_that_cannot_run_is_refused(place: Place, bench: Bench, image: str, words: str) -> None:
    """A path to nothing, a file that is no image: one sentence, before power."""
    path = place.write("emulated.toml", bench.text(place.folder / image))

    told = place.run(*place.on_bench(PRODUCTION, bench=path))

    assert told.code != 0
    assert words in told.text
