"""The checker: every limit of a profile on the compiled table and the compiled law, with the evidence for each."""

from mapper.check.finding import Evidence, Finding, Note, NotExamined, Status
from mapper.check.result import CheckError, CheckResult, check_profile

__all__ = ["CheckError", "CheckResult", "Evidence", "Finding", "NotExamined", "Note", "Status", "check_profile"]
