"""What the numbers mean: limits, uncertainty, verdicts, converter fits and current traces.

Values and arrays in, values out. Nothing here opens a file, reads a clock or knows an instrument, a board or
pytest; a number carries the source of its formula in the module that owns it.
"""
