"""The record: what was audited, by whom and when, kept in a database and never changed.

`schema` opens a store, `records` writes and reads it, `trail` checks that it agrees with itself.
"""
