"""Straight lines through rough edges, robustly: pure mathematics."""
