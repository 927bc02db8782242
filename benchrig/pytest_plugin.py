"""Placeholder until the plugin lands."""
