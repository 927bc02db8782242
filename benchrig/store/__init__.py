"""The history: every journal of every board in one database, derived from the journals and made again from them.

Owns tables, migrations, import and questions. Must not know bench, board or pytest. The journals stay the evidence.
"""
