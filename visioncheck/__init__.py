"""Photograph a test-cut offcut on a home-printed target; get the fence correction."""
