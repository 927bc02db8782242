"""The board on the bench as the runner meets it: its console, and taps on the lines between its parts.

Knows the board's profile and the wires; must not know the instruments of the bench.
"""
