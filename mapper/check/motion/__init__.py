"""Limits of motion: speed, soft stops, stops, oscillation."""
