"""A runner for the guard's tests: arms a guard by the orders of its first argument, then does as it is told.

Its words on standard input: "release", "act" (close the pipe without a release); with "fork" as second argument a
child of it lives on and holds every open file.
"""

from __future__ import annotations

import os
import signal
import sys

import msgspec

from benchrig.bench.power_guard import GuardOrders, PowerGuard


def main() -> None:
    """Arm, say so, obey."""
    guard = PowerGuard()
    guard.arm(msgspec.json.decode(sys.argv[1].encode(), type=GuardOrders))
    child = 0
    if "fork" in sys.argv[2:]:
        child = os.fork()
        if child == 0:
            signal.alarm(60)  # it never outlives the tests for long
            signal.pause()
    sys.stdout.write(f"armed {guard.stands_by} {child}\n")
    sys.stdout.flush()
    for word in sys.stdin:
        if word.strip() == "release":
            guard.release()
        elif word.strip() == "act":
            guard.let_it_act()
        sys.stdout.write(f"done {guard.stands_by}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
