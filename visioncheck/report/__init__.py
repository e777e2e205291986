"""What the user sees of a reading: lines on the terminal, JSON, an annotated picture."""
