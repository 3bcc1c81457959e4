"""Recorded sessions: recorder, player, scorer, report."""
