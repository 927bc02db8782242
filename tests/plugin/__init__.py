"""Tests of the pytest plugin: every run is a process of its own, as a user starts it."""
