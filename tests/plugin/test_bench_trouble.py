"""A bench that is taken, full, away or another: one sentence, charged to the bench, and nothing left on."""

from __future__ import annotations

import getpass
import json
import os
import pty
import re
import socket
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.journal import read_journal
from benchrig.records import CheckFinished, ReadingTaken, RunFinished, Verdict

from .runs import BENCH, BOARD, PRODUCTION, PROFILE, eventually, with_largest_file

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Simulation, StartBench

    from .runs import Finished, Place

BENCH_ERROR = 12
OFF, ON = "0", "1"


@pytest.fixture
def simulation(simulated_bench: StartBench, tmp_path: Path) -> Simulation:
    """A simulated bench that outlives the runs on it."""
    return simulated_bench(
        BENCH, "--scale", "16", "--board", "1=HB-0001", "2=HB-0002", "--addresses", str(tmp_path / "addresses.json")
    )


def by_hand(place: Place) -> list[str | Path]:
    """The option that names the simulation started by hand."""
    return ["--bench-simulation", place.folder / "addresses.json"]


def charged_to_the_bench(place: Place, found: Finished, *words: str) -> None:
    """Exit code 12, one sentence with these words on the first check, every other check not run, the output off."""
    ended = [record for record in place.records() if isinstance(record, CheckFinished)]
    end = place.records()[-1]
    assert found.code == BENCH_ERROR, found.text
    assert "Traceback" not in found.text
    assert ended[0].verdict is Verdict.BENCH_ERROR
    assert {record.verdict for record in ended[1:]} == {Verdict.NOT_RUN}
    assert {record.check for record in ended} >= set(read_board_profile(PROFILE).required["production"])
    for word in words:
        assert re.search(word, ended[0].why), ended[0].why
        assert re.search(word, " ".join(found.out.split()))
    assert isinstance(end, RunFinished)
    assert end.output_off.startswith("off")
    assert f"{BOARD}: BENCH ERROR: the run proves nothing about the board" in found.out
    assert (place.report().outcomes["first_touch"], place.report().errors) == ("bench error", 1)


# ---- two runs at once


def test_two_runs_at_once(place: Place, simulated_bench: StartBench) -> None:
    """The second run on a bench is refused with who holds it and since when; the first ends as if alone."""
    slow = ("--scale", "3")  # the first run has to last longer than the second one waits for its end
    simulation = simulated_bench(
        BENCH, *slow, "--board", "1=HB-0001", "--addresses", str(place.folder / "addresses.json")
    )
    first = place.start(PRODUCTION, *place.on_bench(*by_hand(place)))
    assert eventually(lambda: simulation.ask("supply", "OUTP? (@1)") == ON)

    second = place.run(PRODUCTION, *place.on_bench(*by_hand(place), boards=["2=HB-0002"]))

    out, err = first.communicate(timeout=60)
    refused = next(record for record in place.records("HB-0002") if isinstance(record, CheckFinished))
    assert second.code == BENCH_ERROR, second.text
    assert re.search(
        rf"supply supply at TCPIP\S+ is in use: held by process {first.pid} of {getpass.getuser()} since \d{{4}}-\d\d-"
        r"\d\dT\d\d:\d\d:\d\d\+00:00; wait for that run to end",
        refused.why,
    )
    assert first.returncode == 0, (out + err).decode()
    assert place.report().is_a_pass


def test_bench_is_free_again(place: Place, simulation: Simulation) -> None:
    """Once a run has ended the next one on the same bench passes, with no clean-up between them."""
    codes = [place.run(PRODUCTION, *place.on_bench(*by_hand(place))).code for _ in range(2)]

    assert codes == [0, 0]
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


# ---- records that cannot be written


@pytest.mark.parametrize("size_bytes", [6000, 12_000, 16_384, 24_576])
def test_full_disk(place: Place, simulation: Simulation, size_bytes: int) -> None:
    """A disk that fills up during the run: one sentence, the output off, and what was measured before is kept."""
    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)), before=with_largest_file(size_bytes))

    journal = read_journal(place.journals()[0])
    assert found.code == BENCH_ERROR, found.text
    assert "Traceback" not in found.text
    assert len(re.findall(r"(?m)^(?:E +)?bench error: .*File too large; raise the limit", found.out)) == 1
    assert "Interrupted: the records cannot be written" in found.out
    assert journal.problems == (
        () if journal.records else ("the journal is empty: the run ended before its first record",)
    )
    assert place.journals()[0].stat().st_size <= size_bytes
    kept = re.search(r"the first (\d+) records \(\d+ bytes\) are kept", found.out)
    assert kept is None or len(journal.records) >= int(kept.group(1))
    assert simulation.ask("supply", "OUTP? (@1)") == OFF
    assert not (place.reports / f"{BOARD}.xml").exists() or not place.report().is_a_pass


def test_full_disk_keeps_readings(place: Place, simulation: Simulation) -> None:
    """The journal of a run that met a full disk still makes a report, with the readings from before it."""
    place.run(PRODUCTION, *place.on_bench(*by_hand(place)), before=with_largest_file(16_384))

    records = read_journal(place.journals()[0]).records
    passed = [record.check for record in records if isinstance(record, CheckFinished)]
    assert passed[:2] == ["first_touch", "identity_start"]
    assert len([record for record in records if isinstance(record, ReadingTaken)]) > 5
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


def test_full_disk_at_a_trace(place: Place, simulation: Simulation) -> None:
    """A current trace that does not fit on the disk is a bench error of its check; the journal goes on."""
    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)), before=with_largest_file(125_000))

    # the journal and the trace of the sleep fit, the 26 000 samples of the uplink do not
    (ended,) = [r for r in place.records() if isinstance(r, CheckFinished) and r.verdict is Verdict.BENCH_ERROR]
    assert found.code == BENCH_ERROR, found.text
    assert ended.check == "transmit"
    assert re.fullmatch(r"trace \S+ cannot be written: File too large; .*", ended.why)
    assert place.report().outcomes["output_off"] == ""
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


def test_full_disk_before_the_first_record(place: Place, simulation: Simulation) -> None:
    """Where not even the first record fits nothing is powered: one sentence and exit code 12."""
    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)), before=with_largest_file(100))

    assert found.code == BENCH_ERROR, found.text
    assert "Traceback" not in found.text
    assert len(re.findall(r"(?m)^bench error: report .*File too large", found.out)) == 1
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


def test_file_in_place_of_the_reports_folder(place: Place, simulation: Simulation) -> None:
    """A file where the reports folder should be: one sentence that says so, before any power."""
    place.write("reports", "a file")

    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)))

    assert found.code == BENCH_ERROR, found.text
    assert "Traceback" not in found.text
    assert len(re.findall(r"(?m)^bench error: journal .*a file stands where a folder is needed", found.out)) == 1
    assert (place.folder / "reports").read_text(encoding="utf-8") == "a file"
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


def test_folder_in_place_of_the_report(place: Place, simulation: Simulation) -> None:
    """A folder where the report should be: one sentence, no power."""
    (place.reports / f"{BOARD}.xml" / "inside").mkdir(parents=True)

    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)))

    assert found.code == BENCH_ERROR, found.text
    assert "Traceback" not in found.text
    assert len(re.findall(rf"(?m)^bench error: report .*{BOARD}\.xml: cannot be written", found.out)) == 1
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


# ---- instruments and ports that are not what the bench file says


def real_bench(place: Place, simulation: Simulation, **changed: str) -> Path:
    """The demo bench with the simulation's addresses written in, as for a real one; some of them changed."""
    found = {**simulation.instruments, **{name.replace(".", "_"): port for name, port in simulation.serial.items()}}
    found |= {name.lstrip("_"): value for name, value in changed.items()}
    text = BENCH.read_text(encoding="utf-8").replace("../boards", str(PROFILE.parent))
    for name in ("supply", "meter", "recorder"):
        text = _in_table(text, f"[instruments.{name}]", f"resource = {json.dumps(found[name])}")
    for slot in ("1", "2"):
        for line in ("console", "modem_uart"):
            text = _in_table(text, f"[slots.{slot}.serial.{line}]", f"port = {json.dumps(found[f'{slot}_{line}'])}")
    return place.write("real.toml", text)


def _in_table(text: str, head: str, line: str) -> str:
    """The text with the first address of a table replaced."""
    before, after = text.split(f"{head}\n", 1)
    return f"{before}{head}\n" + re.sub(r'(resource|port) = "simulated"', line.replace("\\", r"\\"), after, count=1)


def closed_port() -> int:
    """A TCP port on which nobody listens."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        return int(server.getsockname()[1])


def test_bench_by_addresses(place: Place, simulation: Simulation) -> None:
    """A bench whose addresses stand in its file is run by the very same code."""
    bench = real_bench(place, simulation)

    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place), bench=bench))

    assert found.code == 0, found.text


@pytest.mark.parametrize("name", ["supply", "meter", "recorder"])
def test_instrument_not_there(place: Place, simulation: Simulation, name: str) -> None:
    """An instrument that does not answer at its address is named with it; the board is not blamed."""
    resource = f"TCPIP::127.0.0.1::{closed_port()}::SOCKET"

    found = place.run(
        PRODUCTION, *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, **{name: resource}))
    )

    charged_to_the_bench(place, found, rf"{name} at {resource}|{name} {name} at {resource}")


def test_wrong_instrument_at_the_address(place: Place, simulation: Simulation) -> None:
    """Two instruments with swapped addresses are told apart by what they say they are."""
    meter, recorder = simulation.instruments["meter"], simulation.instruments["recorder"]

    found = place.run(
        PRODUCTION,
        *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, meter=recorder, recorder=meter)),
    )

    charged_to_the_bench(place, found, "bench file says model 'DM-6', the instrument there says 'CR-1'")


def test_stranger_at_the_address(place: Place, simulation: Simulation) -> None:
    """Something that listens and never answers is a time-out of that instrument."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        resource = f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"

        found = place.run(
            PRODUCTION, *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, supply=resource))
        )

    charged_to_the_bench(place, found, rf"supply at {resource}.*2 s|{resource}")


def test_serial_port_not_there(place: Place, simulation: Simulation) -> None:
    """A serial port that does not exist is named by its place in the bench file and its path."""
    missing = place.folder / "no-such-adapter"

    found = place.run(
        PRODUCTION, *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, _1_console=str(missing)))
    )

    charged_to_the_bench(place, found, rf"slots\.1\.serial\.console \({missing}\)")


def test_serial_port_that_is_none(place: Place, simulation: Simulation) -> None:
    """A path that is no terminal is refused as a serial port."""
    path = place.write("note.txt", "")

    found = place.run(
        PRODUCTION, *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, _1_console=str(path)))
    )

    charged_to_the_bench(place, found, r"slots\.1\.serial\.console")


def test_serial_port_held_by_somebody_else(place: Place, simulation: Simulation) -> None:
    """A port that another program has open is refused, and that program is named."""
    held = os.open(simulation.serial["1.console"], os.O_RDWR | os.O_NOCTTY)
    try:
        found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)))
    finally:
        os.close(held)

    charged_to_the_bench(place, found, rf"slots\.1\.serial\.console .*pid {os.getpid()} ")


def test_no_board_on_the_port(place: Place, simulation: Simulation) -> None:
    """A port with nothing behind it: the board's fault or the fixture's, yet a verdict and never a pass."""
    ours, theirs = pty.openpty()
    try:
        found = place.run(
            PRODUCTION,
            *place.on_bench(*by_hand(place), bench=real_bench(place, simulation, _1_console=os.ttyname(theirs))),
        )
    finally:
        os.close(ours)
        os.close(theirs)

    assert found.code in (10, BENCH_ERROR), found.text
    assert not place.report().is_a_pass
    assert simulation.ask("supply", "OUTP? (@1)") == OFF


def test_simulation_that_ended(place: Place, simulation: Simulation) -> None:
    """Addresses of a simulation that has ended lead to nobody: the bench is charged."""
    simulation.end()

    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place)))

    charged_to_the_bench(place, found, "supply at TCPIP")


def test_each_board_is_told(place: Place, simulation: Simulation) -> None:
    """With two boards a bench that cannot be opened is charged in the record of each."""
    simulation.end()

    found = place.run(PRODUCTION, *place.on_bench(*by_hand(place), boards=["1=HB-0001", "2=HB-0002"]))

    assert found.code == BENCH_ERROR, found.text
    for board in ("HB-0001", "HB-0002"):
        assert place.report(board).outcomes["first_touch"] == "bench error"
        assert f"{board}: BENCH ERROR" in found.out
