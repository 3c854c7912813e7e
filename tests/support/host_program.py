"""The controller's PC program, compiled for the tests from the sources as they are now."""

from __future__ import annotations

import functools
import subprocess
from pathlib import Path

from scratch import scratch_folder
from store_library import CORE, FLAGS, compiler


@functools.cache
def program() -> Path:
    target = scratch_folder("host_program_") / "controller"
    sources = [*sorted(CORE.glob("*.c")), *sorted((CORE.parent / "host").glob("*.c"))]
    digest = '-DCORE_SOURCE_DIGEST="test"'
    subprocess.run([*compiler(), *FLAGS, digest, "-o", str(target), *map(str, sources)], check=True)
    return target
