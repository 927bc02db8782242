"""Reports: pure functions of journal records, so that a crashed or an old run is reported like any other.

The way through: `journal.read_journal`, `board_report.board_report`, then `junit` for machines and `table`
for people.
"""
