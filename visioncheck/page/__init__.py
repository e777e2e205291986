"""The page at the saw: a small local web server for the phone in the hand."""
