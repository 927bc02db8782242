"""Tests of the procedures on a simulated bench."""
