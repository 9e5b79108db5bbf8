"""Levels to effort: zero, scale, maximum, passive tension and the percentage that follows."""
