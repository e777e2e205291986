"""What the sled's work asks of its fence, and what a fence error does to it."""
