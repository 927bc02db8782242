"""The only importers of the I/O libraries. Foreign errors are translated here, once."""
