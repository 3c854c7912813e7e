"""Limits of the compiled table and the law: what goes in, what comes out, in every state."""
