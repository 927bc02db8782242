"""Checks of the payload room, against struct, ctypes, binascii and published check values."""
