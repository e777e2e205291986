"""Edges of the top face, traced to a fraction of a pixel."""
