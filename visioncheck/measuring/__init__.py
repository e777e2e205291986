"""The whole way of one photo, or of a pair, to its reading and into the log."""
