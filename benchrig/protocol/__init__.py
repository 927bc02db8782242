"""Dialogues as pure code: text and bytes in, values out. Knows no socket, no port and no time."""
