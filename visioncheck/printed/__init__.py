"""The printed target: its layout and its PDFs."""
