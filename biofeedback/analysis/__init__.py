"""Recordings to answers: pure functions and result objects."""
