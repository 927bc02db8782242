"""What outlasts a run about the air: kept whole, never silently empty, never a key."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from benchrig.board.air_state import AirState
from benchrig.errors import ConfigError, RecordError
from benchrig.protocol.airtime import price
from benchrig.protocol.network_session import Device
from benchrig.protocol.redaction import Redactor
from benchrig.protocol.regions import EU868, US915
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from pathlib import Path

KEY = Key(bytes.fromhex("98929b92c49edba9676d646d3b612456"))
DEVICE = Device(dev_eui=0x70B3D57ED00000DC, join_eui=1, app_key=KEY)
FILE = "air-70B3D57ED00000DC.json"


def load(folder: Path, *, device: Device = DEVICE, board: str = "HB-1") -> AirState:
    """The state of the demo board."""
    return AirState.load(folder, board=board, device=device, region=EU868)


def test_state_comes_back_as_it_was(tmp_path: Path) -> None:
    """Nonces and airtime of board and gateways are read back as they were kept."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3, 7}
    cost = price(EU868, frequency_hz=868_100_000, rate=EU868.rate(5, uplink=True), phy_bytes=23, uplink=True)
    state.board = state.board.record(cost, at_s=1e9)
    state.gateways = state.gateways.record(cost, at_s=2e9)
    state.save()

    again = load(tmp_path)

    assert (again.joins.dev_nonces, again.board, again.gateways) == ({3, 7}, state.board, state.gateways)


def test_other_key_begins_anew(tmp_path: Path) -> None:
    """A nonce is used up for one key alone; what was spent on air stays spent."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3}
    cost = price(EU868, frequency_hz=868_100_000, rate=EU868.rate(5, uplink=True), phy_bytes=23, uplink=True)
    state.board = state.board.record(cost, at_s=1e9)
    state.save()

    other = load(tmp_path, device=Device(dev_eui=DEVICE.dev_eui, join_eui=1, app_key=Key(bytes(16))))

    assert (other.joins.dev_nonces, other.board) == (set(), state.board)
    assert load(tmp_path).joins.dev_nonces == {3}


def test_key_that_comes_back_finds_its_nonces(tmp_path: Path) -> None:
    """A run with a wrong key by mistake forgets no nonce of the right one: a replay would pass after it."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3}
    state.save()
    other = load(tmp_path, device=Device(dev_eui=DEVICE.dev_eui, join_eui=1, app_key=Key(bytes(16))))
    other.joins.dev_nonces |= {9}
    other.save()

    again = load(tmp_path)
    again.save()

    assert again.joins.dev_nonces == {3}
    assert load(tmp_path, device=other.joins.device).joins.dev_nonces == {9}


@pytest.mark.parametrize("others", [[], {"2f5a7137": 7}], ids=["list", "number"])
def test_other_keys_that_cannot_be_read_are_refused(tmp_path: Path, others: object) -> None:
    """What was kept for other keys is nonces, too."""
    load(tmp_path).save()
    path = tmp_path / "HB-1" / FILE
    kept = json.loads(path.read_text())
    own = kept["key_check"]
    table = {own: 7} if isinstance(others, dict) else others
    path.write_text(json.dumps({**kept, "key_check": "00000000", "other_keys": table}))

    with pytest.raises(ConfigError, match=r"cannot be used: .*accepted: "):
        load(tmp_path)


def test_gateways_are_shared_by_boards_and_nonces_are_not(tmp_path: Path) -> None:
    """Another board has nonces of its own, while the same gateways have spent the same hour."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3}
    cost = price(EU868, frequency_hz=868_100_000, rate=EU868.rate(5, uplink=True), phy_bytes=23, uplink=True)
    state.gateways = state.gateways.record(cost, at_s=2e9)
    state.save()

    other = load(tmp_path, board="HB-2")

    assert (other.joins.dev_nonces, other.gateways) == (set(), state.gateways)


def test_no_file_holds_a_key(tmp_path: Path) -> None:
    """Keys follow from the board's own: no file needs one."""
    load(tmp_path).save()

    for path in tmp_path.rglob("*.json"):
        assert not Redactor((KEY,)).find(path.read_bytes())


@pytest.mark.parametrize(
    ("content", "said"),
    [
        pytest.param(b"", "cannot be used: Input data was truncated", id="empty"),
        pytest.param(b'{"schema":1,"joins":', "cannot be used: Input data was truncated", id="cut"),
        pytest.param(b"[]", "JSON of type list; accepted: an object", id="list"),
        pytest.param(b"[" * 5000, "cannot be used", id="deep"),
        pytest.param(b'{"schema":2,"joins":{}}', "schema 2 with schema, joins; accepted: 1, joins", id="newer"),
        pytest.param(b'{"schema":1,"joins":{"schema":1,"dev_eui":"1"}}', "joins of schema 1 of '1'", id="other board"),
    ],
)
def test_unusable_file_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    """An unreadable state is never taken for an empty one: the sentence says what to do."""
    (tmp_path / "HB-1").mkdir()
    (tmp_path / "HB-1" / FILE).write_bytes(content)

    with pytest.raises(ConfigError, match=rf"{FILE}: what earlier runs kept .*{said}.*move it away"):
        load(tmp_path)


@pytest.mark.parametrize("check", [None, "", 7, "2F5A"], ids=["none", "empty", "number", "short"])
def test_lost_key_check_forgets_no_nonce(tmp_path: Path, check: object) -> None:
    """A file that does not say whose nonces it keeps is refused, not taken for that of another key."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3}
    state.save()
    path = tmp_path / "HB-1" / FILE
    path.write_text(json.dumps({**json.loads(path.read_text()), "key_check": check}))

    with pytest.raises(ConfigError, match=r"cannot be used: key_check .*; accepted: 8 hexadecimal digits"):
        load(tmp_path)


@pytest.mark.parametrize("at_s", [10**400, -(10**400), 1 << 54], ids=["beyond floats", "below", "beyond seconds"])
def test_spending_beyond_all_time_is_refused(tmp_path: Path, at_s: int) -> None:
    """A whole number that no clock ever says is a sentence, and no crash."""
    load(tmp_path).save()
    path = tmp_path / "HB-1" / FILE
    kept = json.loads(path.read_text())
    kept["airtime"]["spent"] = [{"at_s": at_s, "band": EU868.bands[0].name, "airtime_us": 1}]
    path.write_text(json.dumps(kept))

    with pytest.raises(ConfigError, match=r"at_s of \d+ bits in a budget; accepted: seconds of UTC up to"):
        load(tmp_path)


def test_forgotten_nonce_list_is_refused(tmp_path: Path) -> None:
    """A file that lost its nonces would let every replay pass."""
    load(tmp_path).save()
    path = tmp_path / "HB-1" / FILE
    content = json.loads(path.read_text())
    del content["joins"]["dev_nonces"]
    path.write_text(json.dumps(content))

    with pytest.raises(ConfigError, match="joins without their list of dev_nonces"):
        load(tmp_path)


def test_airtime_of_gateways_is_refused_when_unreadable(tmp_path: Path) -> None:
    """An unreadable hour on air is no empty one."""
    (tmp_path / "gateway-airtime-EU868.json").write_text('{"schema":1,"airtime":{"schema":1,"region":"EU868"}}')

    with pytest.raises(ConfigError, match=r"gateway-airtime-EU868.json: .*without its transmitter"):
        load(tmp_path)


def test_hour_of_another_region_does_not_bind_the_board(tmp_path: Path) -> None:
    """A board that was tried in another region begins with a whole hour here, and keeps its nonces."""
    state = load(tmp_path)
    state.joins.dev_nonces |= {3}
    state.save()

    there = AirState.load(tmp_path, board="HB-1", device=DEVICE, region=US915)

    assert (there.board.spent, there.joins.dev_nonces) == ((), {3})


def test_full_disk_is_an_error_of_the_bench_and_leaves_the_old_file(tmp_path: Path) -> None:
    """What cannot be kept is said; what was kept before is untouched."""
    state = load(tmp_path)
    state.save()
    before = (tmp_path / "HB-1" / FILE).read_bytes()
    state.joins.dev_nonces |= {9}
    (tmp_path / "HB-1" / FILE).rename(tmp_path / "kept")
    (tmp_path / "HB-1").rmdir()
    (tmp_path / "HB-1").write_text("a file where the folder was")

    with pytest.raises(RecordError, match=r"nonces and counters cannot be kept: .*check the disk"):
        state.save()
    assert (tmp_path / "kept").read_bytes() == before
