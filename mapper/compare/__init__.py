"""What changed between two profiles, and what it did to the margin of each finding."""

from mapper.compare.changes import KeyChange, key_changes
from mapper.compare.margins import MarginChange, margin_changes

__all__ = ["KeyChange", "MarginChange", "key_changes", "margin_changes"]
