"""Limits of the machine's build: reach, force, holding, ratings, supply."""
