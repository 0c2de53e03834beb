"""Programs that some tests need: skip a user without them, fail in CI."""

from __future__ import annotations

import os
import shutil

import pytest


def require(*programs: str) -> None:
    """Skip the test where a program is missing, or fail it where CI is set."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        told = f"needs {', '.join(missing)}"
        if os.environ.get("CI"):
            pytest.fail(told)
        pytest.skip(told)
