"""Runs the tests of the core with every copy of it compiled for coverage, and gathers what they reached.

The tests compile the core themselves, through several helpers. All of them find the compiler by its name: a folder in
front of PATH holds `cc`, `gcc` and `clang` that call clang with coverage switched on. It works on a copy of the tree,
so that neither the installed library nor anybody's next test run is touched.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
TOOLS = ("clang-19", "llvm-profdata-19", "llvm-cov-19")
TESTS = (
    "tests/oracle",
    "tests/golden",
    "tests/unit/law",
    "tests/unit/link",
    "tests/unit/table",
    "tests/fault/test_link_faults.py",
    "tests/fault/test_store_power_cuts.py",
    "tests/fuzz",
)
"""All that drive the core as it is; no mutants, which would count for it."""

_COPIED = ("mapper", "firmware_stub", "tests", "profiles", "pyproject.toml", "README.md", "DEVELOPERS.md")
_SWITCHES = "-fprofile-instr-generate -fcoverage-mapping -fcoverage-mcdc"
_SHIM = f"""#!/bin/sh
# Coverage comes last, so that nothing turns it off; its own warnings are no errors.
exec {TOOLS[0]} "$@" {_SWITCHES} -Wno-error -w
"""


class CoverageError(Exception):
    """A tool is missing, or the tests themselves fail."""


def missing_tools() -> list[str]:
    """Those of TOOLS that are not here; `profile runtime` where clang cannot link with coverage."""
    missing = [name for name in TOOLS if shutil.which(name) is None]
    if not missing:
        asked = [TOOLS[0], "-print-file-name=libclang_rt.profile.a"]
        targets = [TOOLS[0], "-print-file-name=libclang_rt.profile-x86_64.a"]
        found = [
            subprocess.run(one, capture_output=True, text=True, check=True).stdout.strip() for one in (asked, targets)
        ]
        if not any(Path(one).is_file() for one in found):
            missing.append("profile runtime")
    return missing


def snapshot(folder: Path) -> Path:
    """A copy of what the tests need; returns its root."""
    tree = folder / "tree"
    tree.mkdir()
    ignore = shutil.ignore_patterns("__pycache__", ".pytest_cache", ".venv", "*.new")
    for name in _COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, tree / name, ignore=ignore)
        else:
            shutil.copy2(source, tree / name)
    return tree


def environment(folder: Path, tree: Path) -> dict[str, str]:
    """Of all that is run: compilers with coverage, the copy's package, a place for the profiles."""
    shims = folder / "compilers"
    shims.mkdir()
    for name in ("cc", "gcc", "clang"):
        (shims / name).write_text(_SHIM, encoding="ascii")
        (shims / name).chmod(0o755)
    changed = dict(os.environ)
    changed.pop("CC", None)
    changed.pop("CFLAGS", None)
    changed["PATH"] = f"{shims}{os.pathsep}{changed.get('PATH', '')}"
    changed["PYTHONPATH"] = str(tree)
    changed["LLVM_PROFILE_FILE"] = str(folder / "profiles" / "%m-%p.profraw")
    return changed


def run_tests(tree: Path, env: dict[str, str], tests: tuple[str, ...], jobs: int) -> None:
    """Builds the package's library with coverage and runs the tests on it.

    Raises:
        CoverageError: a test fails: what it reached says nothing.
    """
    subprocess.run([sys.executable, "firmware_stub/build.py"], cwd=tree, env=env, check=True, timeout=300)
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-n", str(jobs), *tests]
    if subprocess.run(command, cwd=tree, env=env, check=False, timeout=1800).returncode != 0:
        raise CoverageError("the tests fail when the core is compiled for coverage; mend that first")


def gather(folder: Path, tree: Path, env: dict[str, str]) -> dict[str, Any]:
    """What `llvm-cov export` says of the core, over all profiles."""
    merged, core = folder / "merged.profdata", folder / "core.so"
    profiles = sorted((folder / "profiles").glob("*.profraw"))
    if not profiles:
        raise CoverageError("no profile was written: no test ran the core")
    subprocess.run([TOOLS[1], "merge", "-sparse", "-o", str(merged), *map(str, profiles)], check=True, timeout=300)
    sources = sorted((tree / "firmware_stub" / "core").glob("*.c"))
    include = f"-I{tree / 'firmware_stub' / 'core'}"
    command = ["cc", "-std=c99", "-shared", "-fPIC", include, "-o", str(core), *map(str, sources)]
    subprocess.run(command, env=env, check=True, timeout=300)
    command = [TOOLS[2], "export", f"-instr-profile={merged}", str(core)]
    done = subprocess.run(command, check=True, timeout=300, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def measure(folder: Path, tests: tuple[str, ...] = TESTS, jobs: int = 2) -> tuple[dict[str, Any], dict[str, str]]:
    """The whole way, in an empty folder.

    Returns:
        What llvm-cov exported, and the text of every source by its name.

    Raises:
        CoverageError: a tool is missing or a test fails.
    """
    missing = missing_tools()
    if missing:
        raise CoverageError(
            f"{', '.join(missing)} not found; on Debian: apt-get install clang-19 llvm-19 libclang-rt-19-dev"
        )
    tree = snapshot(folder)
    env = environment(folder, tree)
    run_tests(tree, env, tests, jobs)
    core = tree / "firmware_stub" / "core"
    return gather(folder, tree, env), {path.name: path.read_text(encoding="utf-8") for path in core.glob("*.c")}
