"""Limits of where the whole arm may be and how fast its farthest point moves: proofs over all poses."""
