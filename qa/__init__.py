"""Toteproof's answers: quality sampling and efficiency statistics for finished-tote audits.

The rule of the package: statistics take arrays and give small frozen results; tables turn recorded
audits into counts and lay answers out; the store keeps what was recorded and never changes it. `qa`
knows no screen, and what comes from outside (store, clock, random generator) is an argument.
"""
