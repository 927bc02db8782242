"""benchrig: a bench test runner for battery-powered radio sensor boards, built as a pytest plugin.

The journey of a value is laid out in folders: bench file and board profile, procedure, reading, verdict,
journal, report. DEVELOPERS.md draws the floors; imports run downwards only.
"""

__version__ = "0.1.0"
