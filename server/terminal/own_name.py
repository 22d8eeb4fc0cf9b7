"""How this program is typed where it was started, so that what it prints can be typed as it stands."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path


def own_name(program: str = "dayroll") -> str:
    """``dayroll`` where the shell finds the very one that runs; else where it lies, from the working directory.

    Args:
        program: this one, or another that was installed beside it.
    """
    beside = Path(sys.executable).parent / program
    found = shutil.which(program)
    if not beside.exists() or (found is not None and beside.samefile(found)):
        return program
    return os.path.relpath(beside) if beside.is_relative_to(Path.cwd()) else str(beside)
