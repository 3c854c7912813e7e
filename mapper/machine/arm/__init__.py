"""The arm as a chain of steel: gravity, inertia, reach, and what they do to each joint."""
