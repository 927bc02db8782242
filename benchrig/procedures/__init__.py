"""What is done to a board on a bench: (bench, board) -> readings. No verdicts, no pytest, no reports here."""
