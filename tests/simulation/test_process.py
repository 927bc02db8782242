"""Start and end of the simulation process."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from .conftest import bench_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from .bench_process import BenchProcess


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the simulation to its own end."""
    return subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=10,
    )


def test_ready_line_names_every_address(start: Callable[..., BenchProcess]) -> None:
    """The ready line tells where all instruments and ports are, and nothing else."""
    ready = start("--scale", "5", "--fault", "adc_noisy", "2:rail_low").ready

    assert set(ready) == {"ready", "pid", "scale", "instruments", "serial", "faults"}
    assert set(ready["instruments"]) == {"supply", "meter", "recorder"}
    assert set(ready["serial"]) == {"1.console", "1.modem_uart", "2.console", "2.modem_uart"}
    assert all(Path(path).is_char_device() for path in ready["serial"].values())
    assert (ready["ready"], ready["scale"], ready["faults"]) == (True, 5.0, ["adc_noisy", "2:rail_low"])


def test_addresses_file_holds_the_ready_line(start: Callable[..., BenchProcess], tmp_path: Path) -> None:
    """The file of --addresses is complete before the ready line appears, with no partial file left."""
    bench = start("--addresses", str(tmp_path / "addresses.json"))

    assert json.loads((tmp_path / "addresses.json").read_text(encoding="utf-8")) == bench.ready
    assert [path.name for path in tmp_path.iterdir()] == ["addresses.json"]


def test_closed_stdin_ends_the_bench(start: Callable[..., BenchProcess]) -> None:
    """A bench that was started with --end-with-stdin dies with its parent's pipe, without a word."""
    assert start().end() == (0, "")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_the_bench_in_order(start: Callable[..., BenchProcess], number: signal.Signals) -> None:
    """SIGTERM and SIGINT end the bench with exit code 0 and no traceback, even with clients connected."""
    bench = start()
    bench.instrument("supply").ask("*IDN?")

    bench.process.send_signal(number)

    assert bench.process.wait(timeout=10) == 0
    assert bench.end() == (0, "")


MCU_HOST = """\
#!/bin/sh
while read -r word rest; do
  [ "$word" = on ] && exit 7
  echo "at 0 18446744073709551615"
done
"""


def test_host_that_dies_in_a_run_ends_the_bench(start: Callable[..., BenchProcess], tmp_path: Path) -> None:
    """Where a microcontroller's process dies, all instruments vanish, too: its board did not merely fall silent."""
    host = tmp_path / "host"
    host.write_text(MCU_HOST, encoding="ascii")
    host.chmod(0o755)
    (tmp_path / "image.elf").write_bytes(b"none that this host reads")
    path = tmp_path / "bench.toml"
    path.write_text(bench_text(slots=1, head='image = "image.elf"\nmcu_host = "host"\n'), encoding="utf-8")
    bench = start(path=path)

    bench.instrument("supply").send("VOLT 3.7,(@1);CURR 0.15,(@1);:VOLT:PROT 5.0,(@1);:OUTP ON,(@1)")

    assert bench.process.wait(timeout=10) == 4
    code, said = bench.end()
    assert (code, said.count("\n")) == (4, 1)
    assert f"{host} ended with 7 on" in said


def test_fixed_resource_is_served_at_that_port(start: Callable[..., BenchProcess], tmp_path: Path) -> None:
    """A resource that names a port of this machine is used as given, and a second bench on it is refused."""
    free = start()
    address = free.ready["instruments"]["supply"]
    free.end()
    path = tmp_path / "bench.toml"
    path.write_text(bench_text().replace('"simulated"', f'"{address}"', 1), encoding="utf-8")

    assert start(path=path).ready["instruments"]["supply"] == address
    assert "cannot listen on port" in run(path).stderr


WRONG_FILES = {
    "not TOML": ("name = [", "is not valid TOML"),
    "no slot": ("schema = 1", r"has no \[slots.1\]"),
    "kind": (bench_text().replace('"meter"', '"metre"', 1), "did you mean 'meter'"),
    "model": (bench_text(head='models = { meter = "meter-scan" }\n'), "did you mean 'meter-scan-list'"),
    "instrument": (bench_text().replace('instrument = "recorder"', 'instrument = "record"'), "'recorder'"),
    "missing": (bench_text().replace('serial = "SIM-supply-1"', ""), "lacks 'serial'"),
    "type": (bench_text().replace("scale = 20.0", 'scale = "fast"'), "must be a number"),
    "net": (bench_text().replace("rail =", "rial ="), "did you mean 'rail'"),
    "resource": (bench_text().replace('"simulated"', '"USB::1::INSTR"', 1), "cannot be simulated"),
    "two loads": (bench_text().replace("channel = 2, lead", "channel = 1, lead"), "feeds two things"),
    "two inputs": (bench_text(head='models = { meter = "meter-configure-read" }\n'), "has one input"),
}


@pytest.mark.parametrize(("text", "sentence"), WRONG_FILES.values(), ids=WRONG_FILES)
def test_wrong_bench_file_is_refused_in_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    """A bench file that cannot be simulated gives one line on standard error and exit code 4."""
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")

    result = run(path)

    assert (result.returncode, result.stdout) == (4, "")
    assert result.stderr.count("\n") == 1
    assert re.search(sentence, result.stderr)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--fault", "adc_noise"], "unknown fault 'adc_noise'; did you mean 'adc_noisy'? (--list-faults names all)"),
        (["--fault", "3:adc_noisy"], "unknown slot; the bench has 1, 2"),
        (["--board", "7=HB-0007"], "must be SLOT=SERIAL"),
    ],
    ids=["fault", "slot", "board"],
)
def test_wrong_option_is_refused_in_one_sentence(bench_file: Path, options: list[str], sentence: str) -> None:
    """An unknown fault, slot or board gives one line with the accepted names and exit code 4."""
    result = run(bench_file, *options)

    assert result.returncode == 4
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1


def test_list_faults_has_a_sentence_for_each() -> None:
    """--list-faults prints name, side and sentence of at least the sixty faults of the bench's description."""
    rows = [line.split(maxsplit=2) for line in run("--list-faults").stdout.splitlines()]

    assert len(rows) >= 58
    assert {side for _, side, _ in rows} == {"board", "bench"}
    assert all(sentence.endswith(".") for *_, sentence in rows)
