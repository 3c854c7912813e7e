"""The largest settings that still hold, found by search over the check itself."""

from mapper.advise.advisor import advise
from mapper.advise.joint import Outcome, Task, run_task
from mapper.advise.result import Advice, JointAdvice, NumberAdvice

__all__ = ["Advice", "JointAdvice", "NumberAdvice", "Outcome", "Task", "advise", "run_task"]
