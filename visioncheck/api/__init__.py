"""The library for who calls from Python; `visioncheck` gives its names."""
