"""Tests of the board's console link and modem tap."""
