"""The page of a check: drawings, curves over the travel, findings."""
