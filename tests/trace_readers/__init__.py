"""Reading current traces from files."""
