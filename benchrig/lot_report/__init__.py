"""The lot report: what the history says of a lot, through the statistics, as tables and as pages for people.

Rows of the store come in; tables (`tables`) and pages (`pages`) go out. Must not know bench, board or pytest.
"""
