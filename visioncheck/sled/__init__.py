"""The owner's sled: what the correction must know of it, and its file."""
