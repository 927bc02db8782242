"""Readers of current traces from files: text, NumPy, Parquet, and the blocks that instruments send."""
