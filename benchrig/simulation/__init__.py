"""A whole bench in its own process: instruments over TCP, board firmware on ptys, circuit physics and faults.

Started with ``python -m benchrig.simulation BENCH.toml``.  It is an independent peer of the runner: it imports
nothing from the rest of benchrig, nothing there imports it, and every format is written here a second time.
"""
