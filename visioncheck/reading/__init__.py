"""From edges to readings: lines, angles, tapers, widths."""
