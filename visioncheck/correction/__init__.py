"""What to do about a fence error: the sled, the move, and the words for it."""
