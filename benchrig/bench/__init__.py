"""The bench: its file, its instruments as data, who owns them, and how it is left safe. Knows no board."""
