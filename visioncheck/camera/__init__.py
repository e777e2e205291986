"""Camera, print and the view of one photo."""
