"""Judging the verdicts on simulated fleets whose truth is known: rivals, an oracle, tables and pictures."""
