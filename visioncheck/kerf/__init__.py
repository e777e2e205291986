"""Kerf: what a measured slot says of the saw, and grooves laid out for the blade really on it."""
