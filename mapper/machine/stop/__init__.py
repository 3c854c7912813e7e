"""What a stop does: way, time and pressure peak of letting go, of a category 0 and of a category 1 stop."""
