"""What this test run hands on to the Pythons that its tests start: leave to keep bytecode, outside of the sources.

Bytecode is a matter of time alone: several hundred whole runs would each compile the whole tool.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ASK = """
import json, sys
import benchrig.quantity as one
print(json.dumps([sys.dont_write_bytecode, sys.pycache_prefix, one.__cached__]))
"""


def test_started_python_keeps_its_bytecode() -> None:
    """A Python that a test starts writes bytecode, and a second one finds it there."""
    for _ in range(2):
        done = subprocess.run([sys.executable, "-c", ASK], cwd=ROOT, capture_output=True, text=True, check=True)
        forbidden, folder, kept = json.loads(done.stdout)

        assert not forbidden
        assert Path(kept).is_file()
        assert Path(kept).is_relative_to(folder) if folder else not sys.dont_write_bytecode


@pytest.mark.parametrize("own", [False, True], ids=["no folder named", "folder named"])
def test_sources_stay_clean_where_bytecode_is_forbidden(tmp_path: Path, own: bool) -> None:
    """PYTHONDONTWRITEBYTECODE keeps bytecode out of the sources: it goes to the named folder, or to the run's."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "PYTHONPYCACHE"))}
    named = {"PYTHONPYCACHEPREFIX": str(tmp_path / "named")} if own else {}
    test = f"{Path(__file__).relative_to(ROOT)}::test_started_python_keeps_its_bytecode"

    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--basetemp", str(tmp_path / "runs"), test],
        cwd=ROOT,
        env=kept | named | {"PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "named").exists() is own
    assert (tmp_path / "runs" / "bytecode0").exists() is not own
