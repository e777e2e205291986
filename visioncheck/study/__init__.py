"""How well readings repeat: a gauge study of photos or of a table."""
