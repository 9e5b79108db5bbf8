"""Effort and a plan to what is shown, what is asked, and when."""
