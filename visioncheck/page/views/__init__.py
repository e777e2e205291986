"""What each address of the page answers."""
