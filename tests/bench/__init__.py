"""Tests of the bench floor: bench file, command tables, instruments, ownership, power guard."""
